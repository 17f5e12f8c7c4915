"""What a concern has been through: its proof on the fixed revision, failures there that nobody expected, what to keep to on a run."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import and_, cast, literal, or_, select, union_all
from sqlalchemy.orm import aliased
from sqlalchemy.types import Integer

from app.access.viewer import Viewer
from app.blind.models import BlindBlock, BlindBuild, BlindPiece, BlindRun, KeyState
from app.concerns.loop_queries import Loop, in_force
from app.concerns.models import CloseKind, Concern, ConcernFix, ConcernState, Containment
from app.concerns.rules import ShowRule
from app.db import Db
from app.incidents.exposure_queries import list_facts_of_revisions, list_filed_of_revisions, list_runs_of_revisions
from app.incidents.exposures import FiledUse, IncidentFact, RunUse
from app.incidents.models import Incident, IncidentCause, IncidentPiece
from app.incidents.queries import newest_cause
from app.incidents.rules import counts_as_failure, split_words
from app.parts.models import Piece, Revision
from app.parts.queries import PieceRow
from app.proving import rules
from app.proving.models import FailureJudgement
from app.proving.rules import Judged, Proof
from app.questions.models import Variant, VariantRevision
from app.sessions.models import AsRunBuild, BuildPiece, Run, Session


class Exposed(NamedTuple):
    """Everything some revisions went through, as a viewer may see it."""

    facts: Sequence[IncidentFact]
    runs: Sequence[RunUse]
    filed: Mapping[int, Sequence[FiledUse]]

    def count_of(self, rule: ShowRule, revision_id: int, *, judged: Mapping[int, Judged] | None = None,
                 shows_nothing: Collection[int] = (), within: bool = False) -> rules.Count:  # fmt: skip
        return rules.count(rule, [fact for fact in self.facts if fact.revision_id == revision_id],
                           [run for run in self.runs if run.revision_id == revision_id], self.filed.get(revision_id, ()),
                           judged=judged, shows_nothing=shows_nothing, within=within)  # fmt: skip


def load_exposed(db: Db, revision_ids: Collection[int], hidden: Collection[int], *, with_runs: bool) -> Exposed:
    """One query for what happened; two more for runs and tables of use, where a rule counts those."""
    facts = list_facts_of_revisions(db, revision_ids, hidden) if revision_ids else []
    if not (with_runs and revision_ids):
        return Exposed(facts, (), {})
    return Exposed(facts, list_runs_of_revisions(db, revision_ids, hidden), list_filed_of_revisions(db, revision_ids, hidden))


def list_judged(db: Db, concern_id: int) -> dict[int, Judged]:
    """Incident id -> what was said last of its failure."""
    rows = db.scalars(select(FailureJudgement).where(FailureJudgement.concern_id == concern_id).order_by(FailureJudgement.version))
    return {row.incident_id: Judged(row.same, row.reason, row.version) for row in rows}


def show_nothing(pieces: Iterable[PieceRow]) -> frozenset[int]:
    """Pieces whose exposures show nothing of a cure: printed mock-ups, and pieces modified by hand (#2m)."""
    return frozenset(piece.id for piece in pieces if piece.process in rules.SHOWS_NOTHING or "m" in piece.mark)


def list_piece_marks(db: Db, revision_ids: Collection[int]) -> Sequence[PieceRow]:
    """Id, mark and process of the pieces of some revisions."""
    rows = db.execute(select(Piece, Revision.label).join(Revision, Revision.id == Piece.revision_id)
                      .where(Piece.revision_id.in_(revision_ids)).order_by(Piece.id))  # fmt: skip
    return [PieceRow(p.id, p.mark, f"{label} {p.mark}", p.revision_id, label, 0, "", "", p.state, p.process, p.place) for p, label in rows]


class Proven(NamedTuple):
    """The proof of one concern with what it is held against.

    before : the count of the revision it was raised on; told : the two compared; gone : whether it recurred since it was raised
    """

    proof: Proof | None
    exposed: Exposed
    judged: Mapping[int, Judged]
    before: rules.Count | None
    told: str
    gone: Proof | None


def prove(db: Db, loop: Loop, concern: Any, revision_id: int | None, hidden: Collection[int], labels: Mapping[int, str], *,
          judged: Mapping[int, Judged] | None = None, pieces: Sequence[PieceRow] | None = None) -> Proven:  # fmt: skip
    """How far the concern is shown cured on `revision_id` by its closing rule. At most five queries.

    concern : anything with id, revision_id and raised_at; labels : of revisions, by id; judged, pieces : where known already
    """
    wanted = [found for found in dict.fromkeys((revision_id, concern.revision_id)) if found is not None]
    rule = loop.rule
    exposed = load_exposed(db, wanted, hidden, with_runs=rule is not None and not rule.is_hit)
    if judged is None:
        judged = list_judged(db, concern.id) if exposed.facts else {}
    if rule is None:
        return Proven(None, exposed, judged, None, "", None)
    nothing = show_nothing(list_piece_marks(db, wanted) if pieces is None else pieces)
    gone = _since_raised(rule, concern, exposed, judged, nothing, labels)
    if revision_id is None:
        return Proven(None, exposed, judged, None, "", gone)
    proof = Proof(rule, labels.get(revision_id, "?"), exposed.count_of(rule, revision_id, judged=judged, shows_nothing=nothing))
    if concern.revision_id in (None, revision_id):
        return Proven(proof, exposed, judged, None, "", gone)
    before = exposed.count_of(rule, concern.revision_id, judged=judged, shows_nothing=nothing, within=True)
    told = rules.compared(rule, (labels.get(concern.revision_id, "?"), before), (proof.label, proof.counted))
    return Proven(proof, exposed, judged, before, told, gone)


def _since_raised(rule: ShowRule, concern: Any, exposed: Exposed, judged: Mapping[int, Judged], nothing: Collection[int],
                  labels: Mapping[int, str]) -> Proof | None:  # fmt: skip
    """How far it is shown that it did not recur. Tables of use, which name no day, are left out."""
    own = concern.revision_id
    if own is None:
        return None
    facts = [fact for fact in exposed.facts if fact.at is not None and fact.at > concern.raised_at]
    runs = [run for run in exposed.runs if run.started_at is not None and run.started_at > concern.raised_at]
    return Proof(rule, labels.get(own, "?"), Exposed(facts, runs, {}).count_of(rule, own, judged=judged, shows_nothing=nothing))


# --- a failure on a revision that was declared cured
class BrokeAgain(NamedTuple):
    """A concern closed as cured, and a failure on the cured revision that nobody has judged to be another trouble."""

    concern_id: int
    concern: str
    words: str
    blocker: bool
    revision: str
    incident_id: int
    incident: str
    damage: str


def list_broke_again(db: Db, programme_id: int, hidden: Collection[int]) -> list[BrokeAgain]:
    """Every failure, since the close, of a revision on which a concern was closed as cured. One query."""
    newer, said, later = aliased(ConcernFix), aliased(FailureJudgement), aliased(FailureJudgement)
    newest = ~select(newer.id).where(newer.concern_id == ConcernFix.concern_id, newer.version > ConcernFix.version).exists()
    other = select(said.id).where(
        said.concern_id == Concern.id, said.incident_id == Incident.id, said.same.is_(False),
        ~select(later.id).where(later.concern_id == said.concern_id, later.incident_id == said.incident_id,
                                later.version > said.version).exists(),
    ).exists()  # fmt: skip
    closed_at = _last_close()
    rows = db.execute(
        select(Concern, Revision.label, Incident, IncidentPiece.damage, IncidentCause.cause).select_from(Concern)
        .join(ConcernFix, and_(ConcernFix.concern_id == Concern.id, newest)).join(Revision, Revision.id == ConcernFix.revision_id)
        .join(Piece, Piece.revision_id == ConcernFix.revision_id).join(IncidentPiece, IncidentPiece.piece_id == Piece.id)
        .join(Incident, Incident.id == IncidentPiece.incident_id)
        .join(IncidentCause, and_(IncidentCause.incident_id == Incident.id, newest_cause()))
        .where(Concern.programme_id == programme_id, Concern.state == ConcernState.CLOSED, Concern.close_kind == CloseKind.CURED,
               Incident.reported_at > closed_at, ~other).order_by(Concern.id, Incident.id)
    )  # fmt: skip
    found: dict[tuple[int, int], BrokeAgain] = {}
    for concern, label, incident, damage, cause in rows:
        words = split_words(damage)
        if incident.session_id in hidden or not counts_as_failure(incident.kind, words, cause):
            continue
        again = BrokeAgain(concern.id, concern.label, concern.words, concern.blocker, label, incident.id, incident.label,
                           ", ".join(words) or incident.kind)  # fmt: skip
        found.setdefault((concern.id, incident.id), again)
    return list(found.values())


def _last_close() -> Any:
    """When the concern was closed last."""
    from app.concerns.models import ConcernEvent

    return (
        select(ConcernEvent.at).where(ConcernEvent.concern_id == Concern.id, ConcernEvent.kind == "closed")
        .order_by(ConcernEvent.id.desc()).limit(1).correlate(Concern).scalar_subquery()
    )  # fmt: skip


# --- what to keep to on a run
class KeepTo(NamedTuple):
    """An instruction for a run. exact : the part is on the car; else the run is under a code and it may be."""

    run_id: int
    concern_id: int
    concern: str
    words: str
    on: str
    until_at: datetime | None
    exact: bool


def list_instructions(db: Db, viewer: Viewer, session_id: int) -> dict[int, list[KeepTo]]:
    """Run id -> the instructions in force on what its car carries. One query.

    Under a sealed key the same is told to everybody of every run of the block: each instruction on any part of the question,
    whichever variant is on the car, so that nobody rides into it and nothing is told. Only the holder learns which run it is.
    """
    newer, newer_blind = aliased(AsRunBuild), aliased(BlindBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    newest_blind = ~select(newer_blind.id).where(newer_blind.run_id == BlindBuild.run_id, newer_blind.version > BlindBuild.version).exists()
    on_it = and_(Piece.revision_id == Containment.revision_id, or_(Containment.piece_id.is_(None), Containment.piece_id == Piece.id))
    here = and_(Run.session_id == session_id, Run.programme_id == viewer.programme_id)

    def told(exact: int) -> Any:
        columns = (Containment.id.label("id"), Run.id.label("run_id"), cast(literal(exact), Integer).label("exact"))
        return select(*columns).select_from(Containment)

    pairs = union_all(
        told(1).join(Piece, on_it).join(BuildPiece, BuildPiece.piece_id == Piece.id).join(AsRunBuild, AsRunBuild.id == BuildPiece.build_id)
        .join(Run, Run.id == AsRunBuild.run_id).where(here, newest),
        told(0).join(VariantRevision, VariantRevision.revision_id == Containment.revision_id)
        .join(Variant, Variant.id == VariantRevision.variant_id).join(Run, Run.sealed_question_id == Variant.question_id).where(here),
        told(1).join(Piece, on_it).join(BlindPiece, BlindPiece.piece_id == Piece.id).join(BlindBuild, BlindBuild.id == BlindPiece.build_id)
        .join(BlindRun, BlindRun.run_id == BlindBuild.run_id).join(BlindBlock, BlindBlock.id == BlindRun.block_id)
        .join(Run, Run.id == BlindBuild.run_id)
        .where(here, newest_blind, BlindBlock.state == KeyState.SEALED, BlindBlock.holder_id == viewer.account_id),
    ).subquery()  # fmt: skip
    rows = db.execute(
        select(pairs.c.run_id, pairs.c.exact, Containment, Concern.number, Revision.label, Piece.mark)
        .join(Containment, Containment.id == pairs.c.id).join(Concern, Concern.id == Containment.concern_id)
        .join(Revision, Revision.id == Containment.revision_id).outerjoin(Piece, Piece.id == Containment.piece_id)
        .where(in_force()).order_by(pairs.c.run_id, Containment.id, pairs.c.exact.desc())
    )  # fmt: skip
    found: dict[int, dict[int, KeepTo]] = {}
    for run_id, exact, c, number, label, mark in rows:
        keep = KeepTo(run_id, c.concern_id, f"C-{number:02d}", c.words, f"{label} {mark}" if mark else label, c.until_at, bool(exact))
        found.setdefault(run_id, {}).setdefault(c.id, keep)
    return {run_id: list(kept.values()) for run_id, kept in found.items()}


def list_labels(db: Db, programme_id: int) -> dict[int, str]:
    """Revision id -> its label."""
    rows = db.execute(select(Revision.id, Revision.label).where(Revision.programme_id == programme_id))
    return {revision_id: label for revision_id, label in rows}  # noqa: C416 - rows are not pairs to mypy


def open_sessions_hidden(db: Db, hidden: Collection[int]) -> Sequence[str]:
    """Labels of these sessions, for a sentence."""
    return [f"S-{number:02d}" for number in db.scalars(select(Session.number).where(Session.id.in_(hidden)).order_by(Session.number))]
