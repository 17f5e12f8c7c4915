"""Every SELECT about incidents and planned abuse, but for what a part has been through (`exposure_queries`)."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from sqlalchemy import Select, and_, func, select
from sqlalchemy.orm import aliased

from app.access.viewer import Viewer
from app.db import Db
from app.errors import NotFound
from app.feedback.queries import hidden_sessions
from app.incidents.exposures import IncidentFact
from app.incidents.models import (
    AbuseTest,
    AbuseTestPiece,
    Incident,
    IncidentCause,
    IncidentPhoto,
    IncidentPiece,
)
from app.incidents.rules import split_words
from app.measurements.queries import wide
from app.measurements.rules import SessionFact
from app.parts.models import Piece, Revision
from app.people.models import Membership
from app.photos.models import Photo
from app.questions.models import Variant, VariantRevision
from app.sessions.models import AsRunBuild, BuildPiece, Car, Run, Session

WITHHELD = "Withheld from you until its session is closed and your slips are in, so that you judge for yourself."
KIND = "incidents"


def newest_cause() -> Any:
    """The condition that a cause is the newest of its incident."""
    newer = aliased(IncidentCause)
    return ~select(newer.id).where(newer.incident_id == IncidentCause.incident_id, newer.version > IncidentCause.version).exists()


class IncidentRow(NamedTuple):
    """An incident as lists and its page show it. Withheld: for who still owes slips of its session, unless they filed it
    or it is a danger to people (a damaged pack)."""

    incident: Incident
    cause: str
    reporter: str
    run: str
    session: str
    session_open: bool
    zone: str
    abuse: str
    driver_id: int | None
    code: int | None  # its run's, while the key is sealed
    withheld: bool

    @property
    def id(self) -> int:
        return self.incident.id

    @property
    def label(self) -> str:
        return self.incident.label

    @property
    def where(self) -> str:
        return f"{self.session}/{self.run}" if self.run else "bench"


def _rows(programme_id: int) -> Select[*tuple[Any, ...]]:
    return (
        select(Incident, IncidentCause.cause, Membership.initials, Run, Session, AbuseTest.number).select_from(Incident)
        .join(IncidentCause, and_(IncidentCause.incident_id == Incident.id, newest_cause()))
        .outerjoin(Membership, and_(Membership.account_id == Incident.reported_by_id, Membership.programme_id == programme_id))
        .outerjoin(Run, Run.id == Incident.run_id).outerjoin(Session, Session.id == Incident.session_id)
        .outerjoin(AbuseTest, AbuseTest.id == Incident.abuse_test_id)
        .where(Incident.programme_id == programme_id).order_by(Incident.id.desc())
    )  # fmt: skip


def _row(found: Sequence[Any], viewer: Viewer, hidden: frozenset[int]) -> IncidentRow:
    incident, cause, initials, run, session, abuse = found
    own = incident.reported_by_id == viewer.account_id
    withheld = incident.session_id in hidden and not own and not incident.pack_damage
    return IncidentRow(incident, cause, initials or "–", run.label if run else "", session.label if session else "",
                       bool(session and not session.closed), session.time_zone if session else "", f"A-{abuse:02d}" if abuse else "",
                       run.driver_id if run else None, run.blind_code if run and run.sealed else None, withheld)  # fmt: skip


def _shown(db: Db, viewer: Viewer, query: Select[*tuple[Any, ...]]) -> list[IncidentRow]:
    hidden = frozenset(hidden_sessions(db, viewer))
    return [_row(found, viewer, hidden) for found in db.execute(query)]


def list_incidents(db: Db, viewer: Viewer, *, abuse_test_id: int | None = None) -> list[IncidentRow]:
    """The newest first; of one series, or the newest 200 of all."""
    query = _rows(viewer.programme_id)
    if abuse_test_id is not None:
        return _shown(db, viewer, query.where(Incident.abuse_test_id == abuse_test_id))
    return _shown(db, viewer, query.limit(200))


def get_incident(db: Db, viewer: Viewer, incident_id: int) -> IncidentRow:
    found = _shown(db, viewer, _rows(viewer.programme_id).where(Incident.id == incident_id))
    if not found:
        raise NotFound("There is no such incident in this programme", "", "Look for it under Incidents.")
    return found[0]


class PieceOf(NamedTuple):
    """A piece in an incident or a series, or one that may be named in one."""

    id: int
    label: str
    state: str
    revision_id: int
    damage: tuple[str, ...] = ()
    quarantined: bool = False


def list_pieces_of(db: Db, incident_ids: Sequence[int]) -> dict[int, list[PieceOf]]:
    """Incident id -> its pieces."""
    if not incident_ids:
        return {}
    rows = db.execute(
        select(IncidentPiece, Piece, Revision.label).join(Piece, Piece.id == IncidentPiece.piece_id)
        .join(Revision, Revision.id == Piece.revision_id).where(IncidentPiece.incident_id.in_(incident_ids)).order_by(IncidentPiece.id)
    )  # fmt: skip
    found: dict[int, list[PieceOf]] = {}
    for link, piece, label in rows:
        shown = PieceOf(piece.id, f"{label} {piece.mark}", piece.state, piece.revision_id, split_words(link.damage), link.quarantined)
        found.setdefault(link.incident_id, []).append(shown)
    return found


def pieces_on_car(db: Db, run_id: int) -> list[PieceOf]:
    """The pieces of the run's newest build."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    return _pieces(db, select(Piece, Revision.label).join(BuildPiece, BuildPiece.piece_id == Piece.id)
                   .join(AsRunBuild, AsRunBuild.id == BuildPiece.build_id).where(AsRunBuild.run_id == run_id, newest))  # fmt: skip


def list_unnamed(db: Db, incident: Incident) -> list[PieceOf]:
    """Pieces on the car of its run that nobody has named yet."""
    if incident.run_id is None:
        return []
    named = set(db.scalars(select(IncidentPiece.piece_id).where(IncidentPiece.incident_id == incident.id)))
    return [piece for piece in pieces_on_car(db, incident.run_id) if piece.id not in named]


def pieces_of_test(db: Db, abuse_test_id: int) -> list[PieceOf]:
    return _pieces(db, select(Piece, Revision.label).join(AbuseTestPiece, AbuseTestPiece.piece_id == Piece.id)
                   .where(AbuseTestPiece.abuse_test_id == abuse_test_id))  # fmt: skip


def one_piece(db: Db, programme_id: int, piece_id: int) -> list[PieceOf]:
    found = _pieces(db, select(Piece, Revision.label).where(Piece.id == piece_id, Piece.programme_id == programme_id))
    if not found:
        raise NotFound("There is no such piece in this programme", "", "Look for it under Parts.")
    return found


def _pieces(db: Db, query: Select[*tuple[Any, ...]]) -> list[PieceOf]:
    rows = db.execute(query.join(Revision, Revision.id == Piece.revision_id).order_by(Revision.label, Piece.mark))
    return [PieceOf(piece.id, f"{label} {piece.mark}", piece.state, piece.revision_id) for piece, label in rows]


def list_causes(db: Db, programme_id: int, incident_id: int) -> Sequence[tuple[IncidentCause, str]]:
    """Every class of the cause with who classed it, the first first."""
    rows = db.execute(
        select(IncidentCause, Membership.initials)
        .outerjoin(Membership, and_(Membership.account_id == IncidentCause.by_id, Membership.programme_id == programme_id))
        .where(IncidentCause.incident_id == incident_id).order_by(IncidentCause.version)
    )  # fmt: skip
    return [(cause, initials or "–") for cause, initials in rows]


def next_number(db: Db, model: type[Incident] | type[AbuseTest], programme_id: int) -> int:
    """The next I- or A-number; call after `lock_programme`."""
    return (db.scalar(select(func.max(model.number)).where(model.programme_id == programme_id)) or 0) + 1


class TestRow(NamedTuple):
    """A series of planned abuse with how far it got."""

    test: AbuseTest
    done: int
    entries: int


def list_tests(db: Db, programme_id: int) -> list[TestRow]:
    rows = db.execute(
        select(AbuseTest, func.coalesce(func.sum(Incident.hits), 0), func.count(Incident.id))
        .outerjoin(Incident, Incident.abuse_test_id == AbuseTest.id)
        .where(AbuseTest.programme_id == programme_id).group_by(AbuseTest.id).order_by(AbuseTest.id.desc())
    )  # fmt: skip
    return [TestRow(test, int(done), entries) for test, done, entries in rows]


def get_test(db: Db, programme_id: int, abuse_test_id: int) -> AbuseTest:
    found = db.scalar(select(AbuseTest).where(AbuseTest.id == abuse_test_id, AbuseTest.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such series of planned abuse in this programme", "", "Look for it under Incidents.")
    return found


def list_runs_to_report(db: Db, viewer: Viewer) -> list[tuple[int, str]]:
    """(id, words) of the newest runs that were started: one's own first."""
    rows = db.execute(
        select(Run, Session, Car.name, Membership.initials).select_from(Run)
        .join(Session, Session.id == Run.session_id).join(Car, Car.id == Run.car_id)
        .outerjoin(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == viewer.programme_id))
        .where(Run.programme_id == viewer.programme_id, Run.started_at.is_not(None))
        .order_by((Run.driver_id == viewer.account_id).desc(), Run.started_at.desc()).limit(12)
    )  # fmt: skip
    return [(run.id, f"{session.label}/{run.label}, {initials or '–'}, {car}, {run.state}") for run, session, car, initials in rows]


def list_photos(db: Db, incident_id: int) -> Sequence[tuple[IncidentPhoto, Photo]]:
    rows = db.execute(select(IncidentPhoto, Photo).join(Photo, Photo.id == IncidentPhoto.photo_id)
                      .where(IncidentPhoto.incident_id == incident_id).order_by(IncidentPhoto.id))  # fmt: skip
    return [(link, photo) for link, photo in rows]


def has_photo(db: Db, incident_id: int, photo_id: int) -> bool:
    found = select(IncidentPhoto.id).where(IncidentPhoto.incident_id == incident_id, IncidentPhoto.photo_id == photo_id)
    return db.scalar(found) is not None


# --- for the evidence of questions: joins the one union of `measurements.queries.load_measured`
def evidence_rows(programme_id: int, question_ids: Sequence[int]) -> Select[Any]:
    """Pieces in incidents, of the revisions that answer these questions, as wide as that union."""
    revisions = (
        select(VariantRevision.revision_id).join(Variant, Variant.id == VariantRevision.variant_id)
        .where(Variant.question_id.in_(question_ids))
    )  # fmt: skip
    return (
        wide(KIND, ints=[Incident.id, Incident.number, Session.id, Session.number, Piece.revision_id, Piece.id, Incident.hits],
             texts=[Session.state, Incident.kind, IncidentCause.cause, IncidentPiece.damage])
        .select_from(IncidentPiece).join(Incident, Incident.id == IncidentPiece.incident_id)
        .join(IncidentCause, and_(IncidentCause.incident_id == Incident.id, newest_cause()))
        .join(Piece, Piece.id == IncidentPiece.piece_id).outerjoin(Session, Session.id == Incident.session_id)
        .where(Incident.programme_id == programme_id, Piece.revision_id.in_(revisions))
    )  # fmt: skip


def evidence_fact(ints: Sequence[Any], texts: Sequence[Any]) -> IncidentFact:
    """The inverse of `evidence_rows`."""
    session = SessionFact(ints[2], f"S-{ints[3]:02d}", texts[0]) if ints[2] is not None else None
    return IncidentFact(ints[0], ints[1], session, ints[4], ints[5], texts[1], ints[6], split_words(texts[3]), texts[2])
