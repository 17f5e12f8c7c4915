"""From facts to evidence: what enters a question's sheet, what does not, and why. No database."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from app.blind.rules import BlockFacts, open_label
from app.decisions.facts import Filed, Loaded, RunFacts, SlipFacts
from app.decisions.fit import fit_gates
from app.decisions.measured import measured_rows
from app.decisions.use import abuse_gates
from app.evidence import inputs, rows
from app.evidence.refusals import EvidenceError
from app.feedback import rules as feedback
from app.feedback.models import NotCounted
from app.gauging.standing import Judged, failed_for
from app.programmes.models import Attribute
from app.questions.models import Question
from app.questions.rules import MEASURES, DeclaredRule, current_rule
from app.sessions.rules import differences, tyres_matched


class Spoiled(NamedTuple):
    """What follows from builds and gauges for the runs of a question, by run id."""

    changes: Mapping[int, Sequence[str]]  # a second change on the car, in words
    tyres: Collection[int]  # on other tyres than its control
    out: Mapping[int, Sequence[Judged]]  # failed readings of pieces that were on the car


def sort_out(question: Question, filed: Filed) -> Loaded:
    """One question's share of what was filed."""
    rule_version = current_rule(question)
    rule = DeclaredRule.read(rule_version.declared) if rule_version else None
    runs = {run_id: run for run_id, run in filed.runs.items() if question.id in run.variants}
    slips = {slip.id: slip for slip in filed.slips if slip.run_id in runs}
    spoiled = Spoiled(*_compare_builds(question, runs), _out_of_tolerance(runs, filed))
    judged = _judge_all(slips, runs, filed, spoiled)
    blocks = [block for block in filed.blocks if block.question_id == question.id]
    labels = _open_labels(slips.values(), blocks)
    refused, look, running, without = "", None, None, None
    try:
        asked = _question_of(question, rule, filed.attributes)
        if asked is not None and rule is not None:
            look, running = _evidence(question, rule, asked, runs, slips, filed, spoiled, labels)
            if spoiled.out:
                without, _ = _evidence(question, rule, asked, runs, slips, filed, spoiled._replace(out={}), labels)
    except EvidenceError as wrong:
        refused = f"{wrong.field}: {wrong.reason}"
    return Loaded(question, rule, look, running, refused, runs, slips, judged, spoiled.changes,
                  {(run.session, run.label): run.id for run in runs.values()},
                  [(c.label, c.id) for c in _touching(question, filed.concerns)], blocks, labels, spoiled.out,
                  without if without != look else None)  # fmt: skip


def _evidence(question: Question, rule: DeclaredRule, asked: inputs.Question, runs: Mapping[int, RunFacts], slips: Mapping[int, SlipFacts],
              filed: Filed, spoiled: Spoiled, labels: Mapping[int, str]) -> tuple[inputs.Evidence, inputs.Evidence | None]:  # fmt: skip
    """(of closed sessions, with the open ones where they add something)."""
    noise = panel_noise_of(question.panel_noise)
    marks = _marks_of(question, asked, runs, slips.values(), _judge_all(slips, runs, filed, spoiled), labels, filed.attributes)
    concerns = _concerns_of(question, filed.concerns)
    measured = measured_rows(question, rule, runs, filed, lambda run: _run_reasons(run, filed, spoiled), _others_on_car)
    fit = fit_gates(question, filed.grids)
    settled, gates = ((*found, *fit) for found in abuse_gates(question, rule, filed.incidents))
    closed = tuple(mark for mark, was_closed in marks if was_closed)
    look = inputs.Evidence(asked, closed, concerns, settled, **measured.closed, panel_noise=noise)
    if len(closed) == len(marks) and not measured.has_open and settled == gates:
        return look, None
    everything = tuple(mark for mark, _ in marks)
    return look, inputs.Evidence(asked, everything, concerns, gates, **measured.all, panel_noise=noise)


def _out_of_tolerance(runs: Mapping[int, RunFacts], filed: Filed) -> dict[int, list[Judged]]:
    """Run id -> failed readings of pieces on its car, by what was read before and after it."""
    by_piece = filed.gauged.by_piece()
    found = {}
    for run in runs.values():
        judged = [one for piece_id in run.piece_ids for one in by_piece.get(piece_id, ())]
        if failed := failed_for(judged, run.started_at):
            found[run.id] = failed
    return found


def _open_labels(slips: Iterable[SlipFacts], blocks: Sequence[BlockFacts]) -> dict[int, str]:
    """slip id -> why it is open-label; a slip that is not named was given blind, toward this question's share."""
    block_of = {run.run_id: block for block in blocks for run in block.runs}
    found = {}
    for slip in slips:
        reason = open_label(block_of.get(slip.run_id), rater=slip.rater, captured_at=slip.captured_at,
                            received_at=slip.received_at or slip.captured_at, clock_checked=slip.clock_checked,
                            heard_others=slip.heard_others)  # fmt: skip
        if reason is not None:
            found[slip.id] = reason.value
    return found


def panel_noise_of(stored: Mapping[str, Any] | None) -> rows.PanelNoise | None:
    """What the panel had taught at the question's first look, from its stored form; None = nothing, or not looked at yet."""
    if not stored:
        return None
    pairs = {name: tuple(stored[name]) for name in ("log_noise", "log_driver_session")}
    return rows.PanelNoise(**{**stored, **pairs})


def _question_of(question: Question, rule: DeclaredRule | None, attributes: Mapping[int, Attribute]) -> inputs.Question | None:
    """The declared rule in the core's terms, or None while there is no rule, control or rival."""
    control = next((variant.code for variant in question.variants if variant.is_control), None)
    if rule is None or control is None or len(question.variants) < 2:
        return None
    deciding = [g.attribute_id for g in rule.goals if not g.measure] + [m.attribute_id for m in rule.musts if not m.measure]
    asks = bool(rule.goals or rule.musts)
    watched = [a.id for a in attributes.values() if a.id not in deciding and a.on_slip] if asks else []
    names = {attribute_id: attributes[attribute_id].name for attribute_id in [*deciding, *watched]}
    scales = {
        attributes[a].name: inputs.Scale(attributes[a].lowest_hundredths / 100, attributes[a].highest_hundredths / 100,
                                         attributes[a].step_hundredths / 100, attributes[a].kind)  # type: ignore[arg-type]
        for a in names
    }  # fmt: skip
    fact = None
    if rule.fact is not None:
        fact = inputs.Fact(rule.fact.name, rule.fact.values, rule.fact.better, rule.fact.unit)  # type: ignore[arg-type]
    called: dict[int | str, str] = {measure: measure for measure in MEASURES}
    for attribute_id, name in names.items():
        called[attribute_id] = name
    declared = inputs.Rule(
        kind=rule.kind,  # type: ignore[arg-type]
        goals=tuple(inputs.Goal(called[g.key], g.weight) for g in rule.goals),
        musts=tuple(inputs.Must(called[m.key], _points(m.margin_hundredths)) for m in rule.musts),
        worthwhile=_points(rule.worthwhile_hundredths), drivers=rule.drivers, brackets=rule.brackets, sessions=rule.sessions,
        conditions=rule.conditions, blind_share=rule.blind_percent / 100, fact=fact, secondary=tuple(names[a] for a in watched),
        worthwhile_percent=_points(rule.worthwhile_percent_hundredths), fact_failures=rule.fact_failures,
        durability=_durability(rule),
    )  # fmt: skip
    return inputs.Question(control, tuple(variant.code for variant in question.variants), scales, declared)


def _durability(rule: DeclaredRule) -> rows.Durability | None:
    asked = rule.durability
    if asked is None:
        return None
    return rows.Durability(asked.highest_rate, asked.per, asked.unit, asked.hurts)  # type: ignore[arg-type]


def _points(hundredths: int | None) -> float | None:
    return None if hundredths is None else hundredths / 100


def _marks_of(question: Question, asked: inputs.Question, runs: Mapping[int, RunFacts], slips: Any,
              judged: Mapping[int, feedback.Counting], labels: Mapping[int, str],
              attributes: Mapping[int, Attribute]) -> list[tuple[inputs.Mark, bool]]:  # fmt: skip
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
                condition=run.condition, open_label=slip.id in labels, spoiled=spoiled, pairing_only=pairing, others=others,
                source=str(slip.id),
            )  # fmt: skip
            found.append((mark, run.closed))
    return found


def _others_on_car(question: Question, run: RunFacts) -> tuple[tuple[str, str], ...]:
    """Other questions' variants, and parts that this question is not about."""
    mine = _revision_ids(question)
    questions = [(run.asked[qid], code) for qid, code in run.variants.items() if qid != question.id]
    parts = [(part, run.build.pieces[part]) for part, rid in run.parts.items() if rid not in mine]
    return (*questions, *parts)


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
            for neighbour in _neighbours(run, controls):
                about = {part for part, rid in {**neighbour.parts, **run.parts}.items() if rid in mine}
                found = [f"{words} ({neighbour.label})" for words in differences(run.build, neighbour.build, about)]
                if found:
                    changes.setdefault(run.id, []).extend(found)
                if not tyres_matched(run.build, neighbour.build):
                    tyres.add(run.id)
    return changes, tyres


def _neighbours(run: RunFacts, controls: Sequence[RunFacts]) -> list[RunFacts]:
    """The controls just before and just after a test run, in one seat: those that its bracket stands on."""
    before = [control for control in controls if control.number < run.number][-1:]
    after = [control for control in controls if control.number > run.number][:1]
    return before + after


def _judge_all(slips: Mapping[int, SlipFacts], runs: Mapping[int, RunFacts], filed: Filed,
               spoiled: Spoiled) -> dict[int, feedback.Counting]:  # fmt: skip
    """Slip id -> whether it counts."""
    found = {}
    for slip in slips.values():
        notes = [*filed.notes.get(("run", slip.run_id), ()), *filed.notes.get(("slip", slip.id), ())]
        derived = _derived(runs[slip.run_id], slip.captured_at, spoiled)
        found[slip.id] = feedback.counting(slip.id, slip.run_id, derived, notes)
    return found


def _derived(run: RunFacts, captured_at: datetime | None, spoiled: Spoiled) -> list[str]:
    derived = feedback.derived_reasons(run, captured_at)
    if run.id in spoiled.changes:
        derived.append(NotCounted.SECOND_CHANGE)
    if run.id in spoiled.tyres:
        derived.append(NotCounted.TYRES)
    if run.id in spoiled.out:
        derived.append(NotCounted.PIECE)
    return derived


def _run_reasons(run: RunFacts, filed: Filed, spoiled: Spoiled) -> tuple[str, ...]:
    """Why a run's laps don't count: what its slips would be spoiled by, but for what is of the slip or of its bracket."""
    derived = _derived(run, None, spoiled)
    judged = feedback.counting(0, run.id, derived, filed.notes.get(("run", run.id), ()))
    return tuple(reason for reason in judged.reasons if reason not in feedback.PAIRING_ONLY)


def _concerns_of(question: Question, concerns: Sequence[Any]) -> tuple[inputs.OpenConcern, ...]:
    """Open blockers on the question, or on a revision that answers it."""
    variant_of = {link.revision_id: v.code for v in question.variants for link in v.revisions}
    return tuple(
        inputs.OpenConcern(concern.label, variant_of.get(concern.revision_id), True) for concern in _touching(question, concerns)
    )


def _touching(question: Question, concerns: Sequence[Any]) -> list[Any]:
    revisions = _revision_ids(question)
    return [concern for concern in concerns if concern.question_id == question.id or concern.revision_id in revisions]
