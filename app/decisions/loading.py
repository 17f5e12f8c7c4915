"""From rows to facts: everything filed about some questions, in a fixed number of queries.

What enters and what does not is decided in `assembling` and in `feedback.rules`; here are standing versions of
slips that are not withdrawn, the newest as-run build of each run, the notes on what counts, and what was measured.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import aliased, joinedload

from app.bench import queries as bench
from app.bench.rules import Gauged
from app.blind.queries import load_blocks
from app.concerns.loop_queries import stands_open
from app.concerns.models import Concern
from app.db import Db
from app.decisions.facts import Filed, Loaded, RunFacts, SlipFacts
from app.feedback import rules as feedback
from app.feedback.models import CountingNote, Mark, Slip, SlipVersion, Source
from app.grid import evidence_queries as grids
from app.grid.rules import GridFacts
from app.incidents.exposures import IncidentFact
from app.incidents.queries import evidence_fact, evidence_rows
from app.measurements.queries import load_measured
from app.measurements.rules import Measured
from app.parts.models import Part, Piece, Revision
from app.people.models import Membership
from app.programmes.models import Attribute, Programme
from app.questions.models import LOOKED_AT, Question, Variant, VariantRevision
from app.sessions.models import CLOSED_STATES, AsRunBuild, BuildPiece, BuildVariant, Car, Run, Session
from app.sessions.rules import BuildFacts


def load_questions(db: Db, programme_id: int, question_ids: Sequence[int] | None = None) -> Sequence[Question]:
    """Questions with variants, their revisions and rules, in one query; all of the programme, or those asked for.

    With those asked for come the ones nobody has looked at: whoever looks first fixes what they learn from each other.
    """
    query = (
        select(Question).where(Question.programme_id == programme_id)
        .options(joinedload(Question.variants).joinedload(Variant.revisions).joinedload(VariantRevision.revision),
                 joinedload(Question.rules))
        .order_by(Question.number)
    )  # fmt: skip
    if question_ids is not None:
        not_looked_at = and_(Question.panel_noise.is_(None), Question.state.in_(LOOKED_AT))
        query = query.where(or_(Question.id.in_(question_ids), not_looked_at))
    return db.scalars(query).unique().all()


def load_evidence(db: Db, programme_id: int, questions: Sequence[Question], *, hidden: Collection[int] = ()) -> dict[int, Loaded]:
    """Question id -> Loaded, leaving out the sessions in `hidden`; seven queries whatever the number of questions.

    Runs under a sealed key are in nobody's evidence: they have no as-run build until it is opened.
    """
    ids = [question.id for question in questions]
    if not ids:
        return {}
    from app.decisions.assembling import sort_out  # and with it the evidence's own rows, with the first sheet

    runs = _load_runs(db, programme_id, ids, hidden)
    measured, incidents, gauged, fit_grids = _load_measured(db, programme_id, ids, hidden)
    attributes, concerns = _load_ground(db, programme_id)
    filed = Filed(
        runs=runs, slips=_load_slips(db, programme_id, ids, runs), notes=_load_notes(db, programme_id, ids),
        concerns=concerns, attributes=attributes, measured=measured, incidents=incidents, gauged=gauged,
        blocks=load_blocks(db, programme_id, question_ids=ids), grids=fit_grids,
    )  # fmt: skip
    return {question.id: sort_out(question, filed) for question in questions}


def _load_ground(db: Db, programme_id: int) -> tuple[dict[int, Attribute], list[Concern]]:
    """The programme's attributes in their order, and its open blockers; both are few, so they come in one query."""
    rows = db.execute(
        select(Attribute, Concern).select_from(Programme).outerjoin(Attribute, Attribute.programme_id == Programme.id)
        .outerjoin(Concern, and_(Concern.programme_id == Programme.id, stands_open(), Concern.blocker.is_(True)))
        .where(Programme.id == programme_id).order_by(Attribute.position, Concern.id)
    ).all()  # fmt: skip
    attributes = {attribute.id: attribute for attribute, _ in rows if attribute is not None}
    return attributes, list({concern.id: concern for _, concern in rows if concern is not None}.values())


def _builds_carrying(question_ids: Sequence[int]) -> Any:
    """Newest builds of runs that carry one of the questions, as a subquery of build ids."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    return (
        select(AsRunBuild.id).join(BuildVariant, BuildVariant.build_id == AsRunBuild.id)
        .where(BuildVariant.question_id.in_(question_ids), newest)
    )  # fmt: skip


def _load_runs(db: Db, programme_id: int, question_ids: Sequence[int], hidden: Collection[int]) -> dict[int, RunFacts]:
    starts = (
        select(Run.session_id, func.min(Run.started_at).label("start")).where(Run.programme_id == programme_id)
        .group_by(Run.session_id).subquery()
    )  # fmt: skip
    wanted = _builds_carrying(question_ids)
    rows = db.execute(
        select(Run.id, Run.session_id, Session, Run.number, Car.name, Membership.initials, Run.state, Run.started_at,
               Run.ended_at, starts.c.start, AsRunBuild.settings, Run.tyre_runs, Run.laps_driven, BuildVariant.question_id, Variant.code,
               Question.number)
        .join(AsRunBuild, AsRunBuild.run_id == Run.id)
        .join(BuildVariant, BuildVariant.build_id == AsRunBuild.id)
        .join(Variant, Variant.id == BuildVariant.variant_id)
        .join(Question, Question.id == BuildVariant.question_id)
        .join(Session, Session.id == Run.session_id)
        .join(Car, Car.id == Run.car_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == programme_id))
        .outerjoin(starts, starts.c.session_id == Run.session_id)
        .where(Run.programme_id == programme_id, AsRunBuild.id.in_(wanted))
    )  # fmt: skip
    pieces = _load_pieces(db, wanted)
    found: dict[int, dict[str, Any]] = {}
    for run_id, session_id, session, number, car, initials, state, started, ended, start, settings, tyres, laps, qid, code, asked in rows:
        if session_id in hidden:
            continue
        if run_id not in found:
            fitted = pieces.get(run_id, {})
            found[run_id] = {
                "id": run_id, "session_id": session_id, "session": session.label, "label": f"R-{number:02d}", "number": number,
                "car": car, "driver": initials, "state": state, "started_at": started, "ended_at": ended,
                "closed": session.state in CLOSED_STATES, "condition": session.condition,
                "air_temp_degC": session.air_temp_degC, "order_known": session.order_known,
                "session_start": start, "closed_at": session.closed_at,
                "laps_driven": laps, "variants": {}, "asked": {}, "parts": {part: one.revision_id for part, one in fitted.items()},
                "build": BuildFacts({part: one.label for part, one in fitted.items()}, settings or {}, tyres),
                "piece_ids": tuple(one.piece_id for one in fitted.values()),
            }  # fmt: skip
        found[run_id]["variants"][qid] = code
        found[run_id]["asked"][qid] = f"Q-{asked:02d}"
    return {run_id: RunFacts(**facts) for run_id, facts in found.items()}


class Fitted(NamedTuple):
    """What a build carries of one part; `label` is its revision's."""

    revision_id: int
    label: str
    piece_id: int


def _load_pieces(db: Db, wanted: Any) -> dict[int, dict[str, Fitted]]:
    """run id -> part code -> what was fitted."""
    rows = db.execute(
        select(AsRunBuild.run_id, Part.code, Revision.id, Revision.label, Piece.id)
        .join(BuildPiece, BuildPiece.build_id == AsRunBuild.id)
        .join(Piece, Piece.id == BuildPiece.piece_id)
        .join(Revision, Revision.id == Piece.revision_id)
        .join(Part, Part.id == Revision.part_id)
        .where(AsRunBuild.id.in_(wanted))
    )
    found: dict[int, dict[str, Fitted]] = defaultdict(dict)
    for run_id, code, revision_id, label, piece_id in rows:
        found[run_id][code] = Fitted(revision_id, label, piece_id)
    return found


def _load_slips(db: Db, programme_id: int, question_ids: Sequence[int], runs: Mapping[int, RunFacts]) -> list[SlipFacts]:
    carrying = select(AsRunBuild.run_id).where(AsRunBuild.id.in_(_builds_carrying(question_ids)))
    rows = db.execute(
        select(Slip.id, Slip.run_id, Membership.initials, Slip.captured_at, Slip.received_at, Slip.source, Slip.clock_doubt,
               SlipVersion.heard_others, SlipVersion.remark, SlipVersion.version, SlipVersion.made_at, Mark.attribute_id,
               Mark.mark_hundredths)
        .join(SlipVersion, and_(SlipVersion.slip_id == Slip.id, SlipVersion.version == Slip.version))
        .join(Mark, Mark.slip_version_id == SlipVersion.id)
        .join(Membership, and_(Membership.account_id == Slip.rater_id, Membership.programme_id == programme_id))
        .where(Slip.programme_id == programme_id, Slip.withdrawn_at.is_(None), Slip.run_id.in_(carrying))
    )  # fmt: skip
    found: dict[int, SlipFacts] = {}
    for slip_id, run_id, rater, captured, received, source, doubt, heard, remark, version, made_at, attribute, value in rows:
        if run_id not in runs:
            continue
        if slip_id not in found:
            found[slip_id] = SlipFacts(slip_id, run_id, rater, captured, heard, remark, made_at if version > 1 else None, {},
                                        received, source != Source.PAPER and not doubt)  # fmt: skip
        found[slip_id].marks[attribute] = value  # type: ignore[index]
    return sorted(found.values(), key=lambda slip: slip.id)


def _load_measured(db: Db, programme_id: int, question_ids: Sequence[int], hidden: Collection[int]
                   ) -> tuple[Measured, list[IncidentFact], Gauged, list[GridFacts]]:  # fmt: skip
    """Laps of hidden sessions fall out with their runs; the other rows, and incidents, here. Readings are of pieces, so none falls out."""
    builds = _builds_carrying(question_ids)
    carrying = select(AsRunBuild.run_id).where(AsRunBuild.id.in_(builds))
    also = [evidence_rows(programme_id, question_ids), *bench.evidence_rows(programme_id, question_ids, builds),
            *grids.evidence_rows(programme_id, question_ids)]  # fmt: skip
    found, others = load_measured(db, programme_id, question_ids, carrying, also=also)
    facts = [evidence_fact(row.ints, row.texts) for row in others if row.kind not in (bench.GAUGED, bench.LIMITS, *grids.KINDS)]
    measured = found._replace(
        preferences=tuple(row for row in found.preferences if row.session.id not in hidden),
        exposures=tuple(row for row in found.exposures if row.session is None or row.session.id not in hidden),
    )
    incidents = [fact for fact in facts if fact.session is None or fact.session.id not in hidden]
    return measured, incidents, bench.evidence_facts(others), grids.evidence_facts([row for row in others if row.kind in grids.KINDS])


def _load_notes(db: Db, programme_id: int, question_ids: Sequence[int]) -> dict[tuple[str, int], list[feedback.Note]]:
    rows = db.scalars(select(CountingNote).where(CountingNote.programme_id == programme_id).order_by(CountingNote.id))
    found: dict[tuple[str, int], list[feedback.Note]] = defaultdict(list)
    for n in rows:
        key = ("run", n.run_id) if n.slip_id is None else ("slip", n.slip_id)  # a slip's note goes with it to another run
        found[key].append(feedback.Note(n.id, n.run_id, n.slip_id, n.counts, n.reason, n.text))
    return found
