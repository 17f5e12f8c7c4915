"""Every SELECT about slips, and who may see them yet."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import and_, exists, func, select, union
from sqlalchemy.orm import selectinload

from app.access.viewer import Viewer
from app.db import Db
from app.errors import NotFound
from app.feedback import rules
from app.feedback.models import CountingNote, Slip, SlipPhoto, SlipVersion, VersionState
from app.people.models import Hat
from app.programmes.models import Attribute
from app.sessions.models import CLOSED_STATES, Run, RunState, Session
from app.sessions.queries import closed_blocks

SEES_CLOSED_BLOCKS = frozenset({Hat.DESIGNER, Hat.MANAGER, Hat.CONDUCTOR})


def hidden_sessions(db: Db, viewer: Viewer) -> Sequence[int]:
    """Sessions whose marks this person may not see yet.

    Open ones they are due to rate in, whatever hats they wear, and closed ones in which they drive under a key that is
    still sealed; for a plain driver also every session with a sealed key, and closed ones where a run of theirs is still
    unrated: own filing comes first.
    """
    sealed = select(Run.session_id).where(Run.programme_id == viewer.programme_id, Run.sealed_question_id.is_not(None))
    plain = not viewer.hats & SEES_CLOSED_BLOCKS
    queries = [closed_blocks(viewer), sealed if plain else sealed.where(Run.driver_id == viewer.account_id)]
    if plain:
        queries.append(
            select(Session.id)
            .join(Run, Run.session_id == Session.id)
            .where(Session.programme_id == viewer.programme_id, Session.state.in_(CLOSED_STATES),
                   Run.driver_id == viewer.account_id, Run.state == RunState.DRIVEN, Run.alias == "",
                   ~exists().where(Slip.run_id == Run.id, Slip.rater_id == viewer.account_id, Slip.withdrawn_at.is_(None)))
        )  # fmt: skip
    return sorted(set(db.scalars(union(*queries))))


def find_slip_by_token(db: Db, programme_id: int, token: str) -> Slip | None:
    return db.scalar(
        select(Slip).where(Slip.programme_id == programme_id, Slip.token == token).options(selectinload(Slip.versions))
    )


def get_slip(db: Db, programme_id: int, slip_id: int, *, lock: bool = False) -> Slip:
    """One slip with all versions and their marks."""
    query = (
        select(Slip).where(Slip.id == slip_id, Slip.programme_id == programme_id)
        .options(selectinload(Slip.versions).selectinload(SlipVersion.marks))
    )  # fmt: skip
    if lock:
        query = query.with_for_update().execution_options(populate_existing=True)
    found = db.scalar(query)
    if found is None:
        raise NotFound("There is no such slip in this programme")
    return found


def find_live_slip(db: Db, run_id: int, rater_id: int) -> Slip | None:
    return db.scalar(
        select(Slip).where(Slip.run_id == run_id, Slip.rater_id == rater_id, Slip.withdrawn_at.is_(None))
    )  # fmt: skip


class SlipRow(NamedTuple):
    """A slip as a run's page shows it: `marks` by attribute name, in the slip's order; None = could not judge."""

    id: int
    run_id: int
    rater_id: int
    filed_by_id: int
    version: int
    captured_at: datetime
    received_at: datetime
    source: str
    paper_card: str
    confidence: str
    heard_others: bool
    remark: str
    withdrawn_at: datetime | None
    withdrawn_why: str
    marks: tuple[tuple[str, int | None], ...]
    proposed: int
    clock_doubt: str = ""

    @property
    def driver_id(self) -> int:
        return self.rater_id


def list_slips(db: Db, programme_id: int, run_ids: Sequence[int], *, attribute_names: Mapping[int, str]) -> Sequence[SlipRow]:
    """The standing version of every slip of these runs, withdrawn ones too; two queries."""
    if not run_ids:
        return []
    proposed = (
        select(func.count(SlipVersion.id)).where(SlipVersion.slip_id == Slip.id, SlipVersion.state == VersionState.PROPOSED)
        .correlate(Slip).scalar_subquery()
    )  # fmt: skip
    rows = db.execute(
        select(Slip, SlipVersion, proposed)
        .join(SlipVersion, and_(SlipVersion.slip_id == Slip.id, SlipVersion.version == Slip.version))
        .where(Slip.programme_id == programme_id, Slip.run_id.in_(run_ids))
        .options(selectinload(SlipVersion.marks))
        .order_by(Slip.run_id, Slip.id)
    )
    order = list(attribute_names)
    return [
        SlipRow(s.id, s.run_id, s.rater_id, s.filed_by_id, v.version, s.captured_at, s.received_at, s.source, s.paper_card,
                v.confidence, v.heard_others, v.remark, s.withdrawn_at, s.withdrawn_why,
                tuple((attribute_names.get(m.attribute_id, "?"), m.mark_hundredths)
                      for m in sorted(v.marks, key=lambda m: order.index(m.attribute_id) if m.attribute_id in order else 99)),
                waiting, s.clock_doubt)
        for s, v, waiting in rows
    ]  # fmt: skip


def list_notes(db: Db, run_ids: Sequence[int]) -> Sequence[rules.Note]:
    """Counting notes of these runs and their slips, oldest first."""
    if not run_ids:
        return []
    of_slips = CountingNote.slip_id.in_(select(Slip.id).where(Slip.run_id.in_(run_ids)))  # also notes made before a move
    rows = db.scalars(select(CountingNote).where(CountingNote.run_id.in_(run_ids) | of_slips).order_by(CountingNote.id))
    return [rules.Note(n.id, n.run_id, n.slip_id, n.counts, n.reason, n.text) for n in rows]


def attribute_names(attributes: Sequence[Attribute]) -> dict[int, str]:
    return {attribute.id: attribute.name for attribute in attributes}


def marks_of(version: SlipVersion) -> dict[int, int | None]:
    return {mark.attribute_id: mark.mark_hundredths for mark in version.marks}


def card_photos(db: Db, slip_id: int) -> list[int]:
    """Ids of the photos of the card that a slip was typed from."""
    return list(db.scalars(select(SlipPhoto.photo_id).where(SlipPhoto.slip_id == slip_id).order_by(SlipPhoto.id)))
