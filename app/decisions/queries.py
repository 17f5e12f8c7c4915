"""Sheets, looks and rulings, read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Select, func, or_, select, union
from sqlalchemy.orm import aliased, defer

from app.access.viewer import Viewer
from app.bench.models import ReadingSet
from app.concerns.models import Concern
from app.db import Db
from app.decisions.facts import Loaded
from app.decisions.loading import load_evidence, load_questions
from app.decisions.models import Look, Ruling, RulingState
from app.decisions.noise import take_first_looks
from app.decisions.rules import Snapshot
from app.decisions.summaries import sheets_for, summary_for
from app.errors import Conflict, NotFound
from app.feedback.models import Slip, SlipVersion
from app.feedback.queries import hidden_sessions
from app.history.models import Happening
from app.measurements.models import Exposure
from app.parts.models import Piece
from app.people.models import Account
from app.questions.models import LOOKED_AT, Question, Variant, VariantRevision
from app.sessions.models import CLOSED_STATES, AsRunBuild, BuildPiece, BuildVariant, Run, Session

if TYPE_CHECKING:  # types only: evidence loads with the first sheet, not with the app
    from app.evidence.results import Sheet

LIVE_RULINGS = (RulingState.PROVISIONAL, RulingState.STANDING)


class Opened(NamedTuple):
    """A question's evidence sheet as one viewer sees it. `running` is there only while a session is open.

    first_look : what the panel has taught was fixed just now, and nothing computed yet; ask again
    """

    loaded: Loaded
    sheet: Sheet | None
    running: Sheet | None
    first_look: bool = False
    without: Sheet | None = None  # what the last look would be if no piece were out of tolerance; None where none is


def open_sheet(db: Db, viewer: Viewer, question_id: int, *, in_two_steps: bool = False) -> Opened:
    """Load and compute (or look up) the sheet; sessions the viewer may not see yet are left out.

    in_two_steps : at a first look only fix what the panel has taught, so that a page that asks again stays within its queries
    """
    hidden = hidden_sessions(db, viewer)
    every = _load(db, viewer.programme_id, question_id, hidden)
    first = {} if hidden else take_first_looks(db, viewer.programme_id, every)  # never from a part of the evidence
    loaded = first.get(question_id, every[question_id])
    if in_two_steps and question_id in first:
        return Opened(loaded, None, None, first_look=True)
    every_evidence = (loaded.look, loaded.running, loaded.without)
    sheets = iter(sheets_for(db, question_id, [evidence for evidence in every_evidence if evidence is not None]))
    look, running, without = (next(sheets) if evidence is not None else None for evidence in every_evidence)
    return Opened(loaded, look, running, without=without)


def current_look(db: Db, programme_id: int, question_id: int) -> tuple[Loaded, Sheet]:
    """What a ruling stands on: every closed session, whoever asks."""
    every = _load(db, programme_id, question_id)
    loaded = take_first_looks(db, programme_id, every).get(question_id, every[question_id])
    if loaded.look is None:
        raise Conflict(f"{loaded.question.label} can't be ruled on yet", loaded.refused or "It has no control, rival or declared rule",
                       "Declare them first.")  # fmt: skip
    return loaded, summary_for(db, question_id, loaded.look)


def _load(db: Db, programme_id: int, question_id: int, hidden: Collection[int] = ()) -> dict[int, Loaded]:
    questions = load_questions(db, programme_id, [question_id])
    if question_id not in {question.id for question in questions}:
        raise NotFound("There is no such question in this programme")
    return load_evidence(db, programme_id, questions, hidden=hidden)


def snapshots(sheet: Sheet) -> dict[str, Snapshot]:
    """Variant -> what this sheet says of it."""
    read = {reading.variant: reading for reading in sheet.panel.readings}
    return {
        v.variant: Snapshot(v.verdict, v.clause, read[v.variant].reading if v.variant in read else "",
                            len(read[v.variant].brackets) if v.variant in read else 0)
        for v in sheet.verdicts
    }  # fmt: skip


def get_ruling(db: Db, programme_id: int, ruling_id: int, *, lock: bool = False) -> Ruling:
    query = select(Ruling).where(Ruling.id == ruling_id, Ruling.programme_id == programme_id)
    if lock:
        query = query.with_for_update().execution_options(populate_existing=True)
    found = db.scalar(query)
    if found is None:
        raise NotFound("There is no such ruling in this programme")
    return found


class RulingRow(NamedTuple):
    """A ruling with the names around it."""

    ruling: Ruling
    question: Question
    variant: str
    filed_by: str
    signed_by: str

    @property
    def by(self) -> str:
        return self.signed_by or self.filed_by

    @property
    def word(self) -> str:
        return f"{self.ruling.decision} {self.ruling.form if self.ruling.form != 'sole' else ''}".strip()


def list_rulings(db: Db, programme_id: int, *, question_id: int | None = None, live_only: bool = False) -> Sequence[RulingRow]:
    """Newest first; those of one question with their snapshots."""
    filer, signer = aliased(Account), aliased(Account)
    query = (
        select(Ruling, Question, Variant.code, filer.name, signer.name)
        .join(Question, Question.id == Ruling.question_id).join(Variant, Variant.id == Ruling.variant_id)
        .join(filer, filer.id == Ruling.filed_by_id).outerjoin(signer, signer.id == Ruling.signed_by_id)
        .where(Ruling.programme_id == programme_id)
        .order_by(Ruling.number.desc())
    )  # fmt: skip
    if question_id is not None:
        query = query.where(Ruling.question_id == question_id)
    else:
        query = query.options(defer(Ruling.snapshot, raiseload=True))  # a whole sheet each
    if live_only:
        query = query.where(Ruling.state.in_(LIVE_RULINGS))
    return [RulingRow(ruling, question, code, filed, signed or "") for ruling, question, code, filed, signed in db.execute(query)]


def list_stale_looks(db: Db, programme_id: int) -> tuple[int, int, Mapping[int, str | None]]:
    """The trail's newest line, the oldest stamp, and question id -> last fingerprint (None: never looked at) of older looks."""
    newest = select(func.max(Happening.id)).where(Happening.programme_id == programme_id).scalar_subquery()
    rows = db.execute(
        select(Question.id, Look.fingerprint, Look.stamp, newest)
        .outerjoin(Look, Look.question_id == Question.id)
        .where(Question.programme_id == programme_id, Question.state.in_(LOOKED_AT))
    ).all()
    stamp = next((row[3] or 0 for row in rows), 0)
    since = min((seen for _, _, seen, _ in rows if seen is not None), default=0)
    return stamp, since, {qid: fingerprint for qid, fingerprint, seen, _ in rows if seen is None or seen < stamp}


MOST_LINES = 1000
SLACK, SLOWEST_WRITE = 50, timedelta(minutes=1)  # a line with a lower number may have been committed later
OF_RUNS = ("run", "slip")
OF_NO_LOOK = ("part", "revision", "piece", "car", "ruling", "table", "block", "gauge", "gauge study", "fit", "chain", "expected effect")
OF_GAUGES = ("reading set", "characteristic")


def list_touched(db: Db, programme_id: int, *, since: int) -> set[int] | None:
    """Questions whose look may differ after the trail's lines since; None = any of them. Open sessions are in no look."""
    ids = _things_since(db, programme_id, since)
    if ids is None or set(ids) - {*OF_RUNS, *OF_NO_LOOK, *OF_GAUGES, "session", "question", "concern"}:
        return None
    slips, concerns = ids.get("slip", set()), ids.get("concern", set())
    rated = union(select(Slip.run_id).where(Slip.id.in_(slips)), select(SlipVersion.run_id).where(SlipVersion.slip_id.in_(slips)))
    driven = (
        select(BuildVariant.question_id).join(AsRunBuild, AsRunBuild.id == BuildVariant.build_id)
        .join(Run, Run.id == AsRunBuild.run_id).join(Session, Session.id == Run.session_id)
        .where(Session.state.in_(CLOSED_STATES),
               or_(Run.id.in_(ids.get("run", ())), Run.id.in_(rated), Session.id.in_(ids.get("session", ()))))
    )  # fmt: skip
    named = select(Concern.question_id).where(Concern.id.in_(concerns), Concern.question_id.is_not(None))
    through_revision = (
        select(Variant.question_id).join(VariantRevision, VariantRevision.variant_id == Variant.id)
        .join(Concern, Concern.revision_id == VariantRevision.revision_id).where(Concern.id.in_(concerns))
    )  # fmt: skip
    tried = (  # without a run: use of a part in a session that was closed since
        select(Variant.question_id).outerjoin(VariantRevision, VariantRevision.variant_id == Variant.id)
        .join(Exposure, or_(Exposure.revision_id == VariantRevision.revision_id, Exposure.variant_id == Variant.id))
        .where(Exposure.session_id.in_(ids.get("session", ())))
    )  # fmt: skip
    gauged = _gauged(ids.get("reading set", ()), ids.get("characteristic", ()))
    return {*ids.get("question", ()), *db.scalars(union(driven, named, through_revision, tried, *gauged))}


def _gauged(sets: Collection[int], characteristics: Collection[int]) -> list[Select[Any]]:
    """Questions that pieces in these reading sets, or with sets of these characteristics, answer; or that they were driven for."""
    pieces = select(ReadingSet.piece_id).where(or_(ReadingSet.id.in_(sets), ReadingSet.characteristic_id.in_(characteristics)))
    answered = (
        select(Variant.question_id).join(VariantRevision, VariantRevision.variant_id == Variant.id)
        .join(Piece, Piece.revision_id == VariantRevision.revision_id).where(Piece.id.in_(pieces))
    )  # fmt: skip
    carried = select(BuildVariant.question_id).join(BuildPiece, BuildPiece.build_id == BuildVariant.build_id).where(
        BuildPiece.piece_id.in_(pieces))  # fmt: skip
    return [answered, carried]


def _things_since(db: Db, programme_id: int, since: int) -> dict[str, set[int]] | None:
    """Kind of thing -> ids named in the trail's lines after `since`; None when they are too many to look through."""
    lines = db.execute(
        select(Happening.id, Happening.at, Happening.thing, Happening.thing_id)
        .where(Happening.programme_id == programme_id, Happening.id > since - SLACK)
        .order_by(Happening.id).limit(MOST_LINES)
    ).all()  # fmt: skip
    if len(lines) == MOST_LINES:
        return None
    seen_at = next((at for number, at, _, _ in lines if number >= since), None)
    found: dict[str, set[int]] = {}
    for number, at, thing, thing_id in lines:
        if number > since or (seen_at is not None and at >= seen_at - SLOWEST_WRITE):
            found.setdefault(thing, set()).add(thing_id)
    return found
