"""From rows to evidence: everything filed about some questions, in a fixed number of queries.

What enters and what does not is decided here and in `feedback.rules`: standing versions of slips that are not
withdrawn, the newest as-run build of each run, the reasons why something does not count.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import and_, func, select
from sqlalchemy.orm import aliased, joinedload

from app.clock import minutes_between
from app.concerns.models import Concern, ConcernState
from app.db import Db
from app.evidence import inputs
from app.evidence.refusals import EvidenceError
from app.feedback import rules as feedback
from app.feedback.models import CountingNote, Mark, NotCounted, Slip, SlipVersion
from app.parts.models import Part, Piece, Revision
from app.people.models import Membership
from app.programmes.models import Attribute
from app.questions.models import Question, Variant, VariantRevision
from app.questions.rules import DeclaredRule, current_rule
from app.sessions.models import CLOSED_STATES, AsRunBuild, BuildPiece, BuildVariant, Car, Run, Session
from app.sessions.rules import BuildFacts, differences, tyres_matched


@dataclass(frozen=True, slots=True)
class RunFacts:
    """One run as evidence needs it. `variants`: question id -> variant code on the car."""

    id: int
    session_id: int
    session: str
    label: str
    number: int
    car: str
    driver: str
    state: str
    started_at: datetime | None
    ended_at: datetime | None
    closed: bool
    condition: str
    air_temp_degC: float | None
    order_known: bool
    session_start: datetime | None
    variants: Mapping[int, str]
    build: BuildFacts
    parts: Mapping[str, int] = field(default_factory=dict)  # part code -> revision id

    @property
    def clock_min(self) -> float | None:
        if self.started_at is None or self.session_start is None:
            return None
        return round(minutes_between(self.session_start, self.started_at), 2)


@dataclass(frozen=True, slots=True)
class SlipFacts:
    """The standing version of one slip; `marks`: attribute id -> hundredths, None = could not judge."""

    id: int
    run_id: int
    rater: str
    captured_at: datetime
    heard_others: bool
    remark: str
    marks: Mapping[int, int | None]


@dataclass(frozen=True, slots=True)
class Loaded:
    """Evidence of one question with what the page needs to open each figure to its runs and slips."""

    question: Question
    rule: DeclaredRule | None
    look: inputs.Evidence | None  # closed sessions only: what the verdict stands on
    running: inputs.Evidence | None  # with open sessions, where they add something
    refused: str
    runs: Mapping[int, RunFacts]
    slips: Mapping[int, SlipFacts]
    counting: Mapping[int, feedback.Counting]
    second_changes: Mapping[int, Sequence[str]]
    run_ids: Mapping[tuple[str, str], int]  # (session label, run label) -> run id


@dataclass(frozen=True, slots=True)
class Filed:
    """Everything filed about the wanted questions, before it is sorted out question by question."""

    runs: Mapping[int, RunFacts]
    slips: Sequence[SlipFacts]
    notes: Mapping[int, Sequence[feedback.Note]]
    concerns: Sequence[Any]
    attributes: Mapping[int, Attribute]


def load_questions(db: Db, programme_id: int, question_ids: Sequence[int] | None = None) -> Sequence[Question]:
    """Questions with variants, their revisions and rules, in one query."""
    query = (
        select(Question).where(Question.programme_id == programme_id)
        .options(joinedload(Question.variants).joinedload(Variant.revisions).joinedload(VariantRevision.revision),
                 joinedload(Question.rules))
        .order_by(Question.number)
    )  # fmt: skip
    if question_ids is not None:
        query = query.where(Question.id.in_(question_ids))
    return db.scalars(query).unique().all()


def load_evidence(db: Db, programme_id: int, questions: Sequence[Question], *, hidden: Collection[int] = ()) -> dict[int, Loaded]:
    """Question id -> Loaded, leaving out the sessions in `hidden`; six queries whatever the number of questions."""
    ids = [question.id for question in questions]
    if not ids:
        return {}
    runs = _load_runs(db, programme_id, ids, hidden)
    filed = Filed(
        runs=runs, slips=_load_slips(db, programme_id, ids, runs), notes=_load_notes(db, programme_id, ids),
        concerns=db.scalars(select(Concern).where(Concern.programme_id == programme_id, Concern.state != ConcernState.CLOSED,
                                                  Concern.blocker.is_(True))).all(),
        attributes={a.id: a for a in db.scalars(select(Attribute).where(Attribute.programme_id == programme_id)
                                                .order_by(Attribute.position))},
    )  # fmt: skip
    return {question.id: _sort_out(question, filed) for question in questions}


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
               Run.ended_at, starts.c.start, AsRunBuild.settings, Run.tyre_runs, BuildVariant.question_id, Variant.code)
        .join(AsRunBuild, AsRunBuild.run_id == Run.id)
        .join(BuildVariant, BuildVariant.build_id == AsRunBuild.id)
        .join(Variant, Variant.id == BuildVariant.variant_id)
        .join(Session, Session.id == Run.session_id)
        .join(Car, Car.id == Run.car_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == programme_id))
        .outerjoin(starts, starts.c.session_id == Run.session_id)
        .where(Run.programme_id == programme_id, AsRunBuild.id.in_(wanted))
    )  # fmt: skip
    pieces = _load_pieces(db, wanted)
    found: dict[int, dict[str, Any]] = {}
    for run_id, session_id, session, number, car, initials, state, started, ended, start, settings, tyres, qid, code in rows:
        if session_id in hidden:
            continue
        if run_id not in found:
            fitted = pieces.get(run_id, {})
            found[run_id] = {
                "id": run_id, "session_id": session_id, "session": session.label, "label": f"R-{number:02d}", "number": number,
                "car": car, "driver": initials, "state": state, "started_at": started, "ended_at": ended,
                "closed": session.state in CLOSED_STATES, "condition": session.condition,
                "air_temp_degC": session.air_temp_degC, "order_known": session.order_known, "session_start": start, "variants": {}, "parts": {part: rid for part, (rid, _) in fitted.items()},
                "build": BuildFacts({part: label for part, (_, label) in fitted.items()}, settings or {}, tyres),
            }  # fmt: skip
        found[run_id]["variants"][qid] = code
    return {run_id: RunFacts(**facts) for run_id, facts in found.items()}


def _load_pieces(db: Db, wanted: Any) -> dict[int, dict[str, tuple[int, str]]]:
    """run id -> part code -> (revision id, piece label)."""
    rows = db.execute(
        select(AsRunBuild.run_id, Part.code, Revision.id, Revision.label)
        .join(BuildPiece, BuildPiece.build_id == AsRunBuild.id)
        .join(Piece, Piece.id == BuildPiece.piece_id)
        .join(Revision, Revision.id == Piece.revision_id)
        .join(Part, Part.id == Revision.part_id)
        .where(AsRunBuild.id.in_(wanted))
    )
    found: dict[int, dict[str, tuple[int, str]]] = defaultdict(dict)
    for run_id, code, revision_id, label in rows:
        found[run_id][code] = (revision_id, label)
    return found


def _load_slips(db: Db, programme_id: int, question_ids: Sequence[int], runs: Mapping[int, RunFacts]) -> list[SlipFacts]:
    carrying = select(AsRunBuild.run_id).where(AsRunBuild.id.in_(_builds_carrying(question_ids)))
    rows = db.execute(
        select(Slip.id, Slip.run_id, Membership.initials, Slip.captured_at, SlipVersion.heard_others, SlipVersion.remark,
               Mark.attribute_id, Mark.mark_hundredths)
        .join(SlipVersion, and_(SlipVersion.slip_id == Slip.id, SlipVersion.version == Slip.version))
        .join(Mark, Mark.slip_version_id == SlipVersion.id)
        .join(Membership, and_(Membership.account_id == Slip.rater_id, Membership.programme_id == programme_id))
        .where(Slip.programme_id == programme_id, Slip.withdrawn_at.is_(None), Slip.run_id.in_(carrying))
    )  # fmt: skip
    found: dict[int, SlipFacts] = {}
    for slip_id, run_id, rater, captured, heard, remark, attribute, value in rows:
        if run_id not in runs:
            continue
        if slip_id not in found:
            found[slip_id] = SlipFacts(slip_id, run_id, rater, captured, heard, remark, {})
        found[slip_id].marks[attribute] = value  # type: ignore[index]
    return sorted(found.values(), key=lambda slip: slip.id)


def _load_notes(db: Db, programme_id: int, question_ids: Sequence[int]) -> dict[int, list[feedback.Note]]:
    rows = db.scalars(select(CountingNote).where(CountingNote.programme_id == programme_id).order_by(CountingNote.id))
    found: dict[int, list[feedback.Note]] = defaultdict(list)
    for n in rows:
        found[n.run_id].append(feedback.Note(n.id, n.run_id, n.slip_id, n.counts, n.reason, n.text))
    return found


def _sort_out(question: Question, filed: Filed) -> Loaded:
    """One question's share of what was filed."""
    rule_version = current_rule(question)
    rule = DeclaredRule.read(rule_version.declared) if rule_version else None
    runs = {run_id: run for run_id, run in filed.runs.items() if question.id in run.variants}
    slips = {slip.id: slip for slip in filed.slips if slip.run_id in runs}
    changes, tyres = _compare_builds(question, runs)
    judged = {slip.id: _judge(slip, runs[slip.run_id], filed.notes.get(slip.run_id, ()), changes, tyres) for slip in slips.values()}
    refused, look, running = "", None, None
    try:
        asked = _question_of(question, rule, filed.attributes)
        if asked is not None:
            marks = _marks_of(question, asked, runs, slips.values(), judged, filed.attributes)
            concerns = _concerns_of(question, filed.concerns)
            closed = tuple(mark for mark, was_closed in marks if was_closed)
            look = inputs.Evidence(asked, closed, concerns)
            if len(closed) < len(marks):
                running = inputs.Evidence(asked, tuple(mark for mark, _ in marks), concerns)
    except EvidenceError as wrong:
        refused = f"{wrong.field}: {wrong.reason}"
    return Loaded(question, rule, look, running, refused, runs, slips, judged, changes,
                  {(run.session, run.label): run.id for run in runs.values()})  # fmt: skip


def _question_of(question: Question, rule: DeclaredRule | None, attributes: Mapping[int, Attribute]) -> inputs.Question | None:
    """The declared rule in the core's terms, or None while there is no rule, control or rival."""
    control = next((variant.code for variant in question.variants if variant.is_control), None)
    if rule is None or control is None or len(question.variants) < 2:
        return None
    deciding = [g.attribute_id for g in rule.goals] + [m.attribute_id for m in rule.musts]
    watched = [a.id for a in attributes.values() if a.id not in deciding and a.on_slip] if deciding else []
    names = {attribute_id: attributes[attribute_id].name for attribute_id in [*deciding, *watched]}
    scales = {
        attributes[a].name: inputs.Scale(attributes[a].lowest_hundredths / 100, attributes[a].highest_hundredths / 100,
                                         attributes[a].step_hundredths / 100, attributes[a].kind)  # type: ignore[arg-type]
        for a in names
    }  # fmt: skip
    fact = None
    if rule.fact is not None:
        fact = inputs.Fact(rule.fact.name, rule.fact.values, rule.fact.better, rule.fact.unit)  # type: ignore[arg-type]
    declared = inputs.Rule(
        kind=rule.kind,  # type: ignore[arg-type]
        goals=tuple(inputs.Goal(names[g.attribute_id], g.weight) for g in rule.goals),
        musts=tuple(inputs.Must(names[m.attribute_id], _points(m.margin_hundredths)) for m in rule.musts),
        worthwhile=_points(rule.worthwhile_hundredths), drivers=rule.drivers, brackets=rule.brackets, sessions=rule.sessions,
        conditions=rule.conditions, blind_share=rule.blind_percent / 100, fact=fact, secondary=tuple(names[a] for a in watched),
    )  # fmt: skip
    return inputs.Question(control, tuple(variant.code for variant in question.variants), scales, declared)


def _points(hundredths: int | None) -> float | None:
    return None if hundredths is None else hundredths / 100


def _marks_of(question: Question, asked: inputs.Question, runs: Mapping[int, RunFacts], slips: Any,
              judged: Mapping[int, feedback.Counting], attributes: Mapping[int, Attribute]) -> list[tuple[inputs.Mark, bool]]:  # fmt: skip
    """Every mark on an attribute the rule names, with whether its session is closed."""
    found = []
    for slip in slips:
        run = runs[slip.run_id]
        others = _others_on_car(question, run)
        spoiled = tuple(reason for reason in judged[slip.id].reasons if reason not in feedback.PAIRING_ONLY)
        pairing = tuple(reason for reason in judged[slip.id].reasons if reason in feedback.PAIRING_ONLY)
        for attribute_id, value in slip.marks.items():
            name = attributes[attribute_id].name
            if name not in asked.scales:
                continue
            mark = inputs.Mark(
                driver=slip.rater, session=run.session, run=run.label, variant=run.variants[question.id], attribute=name,
                rating=_points(value), clock_min=run.clock_min, car=run.car, order=run.number if run.order_known else None,
                condition=run.condition, open_label=True, spoiled=spoiled, pairing_only=pairing, others=others,
                source=str(slip.id),
            )  # fmt: skip
            found.append((mark, run.closed))
    return found


def _others_on_car(question: Question, run: RunFacts) -> tuple[tuple[str, str], ...]:
    """Other questions' variants, and parts that this question is not about."""
    mine = _revision_ids(question)
    questions = [(f"question {qid}", code) for qid, code in run.variants.items() if qid != question.id]
    parts = [(part, run.build.pieces[part]) for part, rid in run.parts.items() if rid not in mine]
    return tuple([*questions, *parts])


def _revision_ids(question: Question) -> set[int]:
    return {link.revision_id for variant in question.variants for link in variant.revisions}


def _compare_builds(question: Question, runs: Mapping[int, RunFacts]) -> tuple[dict[int, list[str]], set[int]]:
    """Test runs whose car differs from its control's in more than the variant, and those on other tyres."""
    control = next((variant.code for variant in question.variants if variant.is_control), None)
    mine = _revision_ids(question)
    seats: dict[tuple[int, str, str], list[RunFacts]] = defaultdict(list)
    for run in runs.values():
        seats[run.session_id, run.driver, run.car].append(run)
    changes: dict[int, list[str]] = {}
    tyres: set[int] = set()
    for seat in seats.values():
        seat.sort(key=lambda run: run.number)
        controls = [run for run in seat if run.variants[question.id] == control]
        for run in seat:
            if run.variants[question.id] == control or not controls:
                continue
            nearest = min(controls, key=lambda other: (abs(other.number - run.number), other.number))
            about = {part for part, rid in {**nearest.parts, **run.parts}.items() if rid in mine}
            if found := differences(run.build, nearest.build, about):
                changes[run.id] = found
            if not tyres_matched(run.build, nearest.build):
                tyres.add(run.id)
    return changes, tyres


def _judge(slip: SlipFacts, run: RunFacts, notes: Sequence[feedback.Note], changes: Mapping[int, Sequence[str]],
           tyres: set[int]) -> feedback.Counting:  # fmt: skip
    derived = feedback.derived_reasons(run, slip.captured_at)
    if run.id in changes:
        derived.append(NotCounted.SECOND_CHANGE)
    if run.id in tyres:
        derived.append(NotCounted.TYRES)
    return feedback.counting(slip.id, run.id, derived, notes)


def _concerns_of(question: Question, concerns: Sequence[Any]) -> tuple[inputs.OpenConcern, ...]:
    """Open blockers on the question, or on a revision that answers it."""
    variant_of = {link.revision_id: v.code for v in question.variants for link in v.revisions}
    return tuple(
        inputs.OpenConcern(concern.label, variant_of.get(concern.revision_id), True)
        for concern in concerns
        if concern.question_id == question.id or concern.revision_id in variant_of
    )
