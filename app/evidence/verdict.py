"""From the fits to adopt / reject / retest / setting, one rival at a time, with the clause that decides.

The clauses are those of `rule`. A gate that is not met turns a verdict it stops into a retest that names the gate.

All figures are in `thresholds` and `gates`; common practice, no source: they were chosen on simulated programmes so
that an equal part is ever adopted in at most 5 % of six looks. What is not proven there is not claimed here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from app.evidence.conditions import condition_reading
from app.evidence.criteria import deciding, goal_index, margin_of, spoken, unit_mark
from app.evidence.failures import breaks_less
from app.evidence.findings import FailureReading
from app.evidence.fitted import Fitted
from app.evidence.gates import Unmet, thin_criteria, unmet_gates
from app.evidence.inputs import Evidence, Question
from app.evidence.mixture import Mixture
from app.evidence.nearest_words import nearest_sentence
from app.evidence.phrases import joined, probability
from app.evidence.results import Criterion, DesignReading, Verdict
from app.evidence.rows import PREFERENCE
from app.evidence.rule import WORDS, Chances, gain_clauses, no_worse_clauses
from app.evidence.thresholds import RULE
from app.evidence.verdict_words import Figures, missing_words, verdict_sentence


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """Everything the rule looks at for one rival."""

    variant: str
    goal: Mixture | None  # improvement in units of W
    musts: Mapping[str, tuple[Mixture, float]]
    figures: Figures
    gates: tuple[Unmet, ...]
    depends: bool
    breaks: bool
    missing: tuple[str, ...]
    differ: tuple[str, str] | None
    fact_better: bool | None


def decide(
    evidence: Evidence,
    fits: Mapping[str, Fitted],
    design: Mapping[str, DesignReading],
    failures: Mapping[str, FailureReading] = MappingProxyType({}),
) -> tuple[tuple[Verdict, ...], tuple[Criterion, ...]]:
    """One verdict per rival and the criteria behind it. `fits` by criterion, `design` and `failures` by variant."""
    question = evidence.question
    p_gain = p_gain_of(question, fits)
    cases = [_case(evidence, rival, fits, design[rival], failures.get(rival), p_gain) for rival in question.rivals]
    first = {case.variant: _rule(question, case, p_gain) for case in cases}
    decided = _one_winner(question, first, cases, fits)
    verdicts, criteria = [], []
    for case in cases:
        word, clause = decided[case.variant]
        beside = _beside(case.variant, decided) if clause == "two_ahead" else ""
        conflict = case.differ if clause == "conflict" else None
        sentence = verdict_sentence(word, clause, case.figures, case.gates, conflict, beside)
        nearest = nearest_sentence(question, word, clause, case.figures, case.gates, p_gain)
        offer = "Keep both as a setting." if clause == "conflict" else ""
        verdicts.append(Verdict(case.variant, word, clause, sentence, nearest, offer))  # type: ignore[arg-type]
        criteria += _criteria(question, case, p_gain)
    return tuple(verdicts), tuple(criteria)


def p_gain_of(question: Question, fits: Mapping[str, Fitted]) -> float:
    """P(better) that this question's rule asks for; a variant that nobody drove is no further chance to err."""
    tried = sum(any(fits[n].runs.get(v) for n in deciding(question)) for v in question.rivals)
    by_choice = any(goal.attribute == PREFERENCE for goal in question.rule.goals)
    return RULE.p_gain(1 + max(tried, 1), question.rule.planned_looks, by_choice=by_choice)


def _case(
    evidence: Evidence, variant: str, fits: Mapping[str, Fitted], design: DesignReading, failures: FailureReading | None,
    p_gain: float,
) -> _Case:
    question = evidence.question
    named = deciding(question)
    missing = tuple(name for name in named if not fits[name].runs.get(variant))
    runs = min((fits[name].runs[variant] for name in named if name not in missing), default=0 if named else design.runs)
    goal = goal_index(question, {g.attribute: fits[g.attribute].population[variant] for g in question.rule.goals})
    musts = {m.attribute: (fits[m.attribute].population[variant], margin_of(question, m.attribute) or 0.0)
             for m in question.rule.musts}  # fmt: skip
    first = next((fits[name] for name in named if name not in missing), None)
    figures = replace(
        Figures.of(question, variant, goal, musts, first, runs), p_gain=p_gain, missing=missing_words(fits, missing),
        breaks=failures.sentence.rstrip(".") if failures else "", fact_known=fact_better(evidence, variant) is not None,
        fact_worse=fact_better(evidence, variant) is False,
    )  # fmt: skip
    gates = unmet_gates(evidence, variant, first, design, failures) if runs else ()
    if not missing:
        gates += tuple(g for g in thin_criteria(question, variant, fits) if g.clause not in {old.clause for old in gates})
    differ = _drivers_differ(question, variant, fits) if runs and question.rule.goals else None
    depends = any(
        condition_reading(question, variant, fits[g.attribute]).state == "depends" for g in question.rule.goals if runs
    )
    breaks = failures is not None and failures.state == "failed" and "durability" not in question.rule.ignored_gates
    return _Case(variant, goal, musts, figures, gates, depends, breaks, missing, differ, fact_better(evidence, variant))


def fact_better(evidence: Evidence, variant: str) -> bool | None:
    """Is the declared figure, or the failure rate, shown better? None = not declared, or not shown either way."""
    question = evidence.question
    if question.rule.fact_failures:
        return breaks_less(evidence, variant)
    fact = question.rule.fact
    if fact is None or variant not in fact.values or question.control not in fact.values:
        return None
    gain = fact.values[variant] - fact.values[question.control]
    return gain < 0 if fact.better == "lower" else gain > 0


def _drivers_differ(question: Question, variant: str, fits: Mapping[str, Fitted]) -> tuple[str, str] | None:
    """(a driver surely worse off, a driver surely better off) within one condition class, on any goal."""
    for goal in question.rule.goals:
        fit, w = fits[goal.attribute], question.worthwhile(goal.attribute)
        drove = {d: {m.condition for m in fit.fitted if m.driver == d and m.variant == variant} for d in fit.drivers}
        worse = [d for d in fit.drivers if drove[d] and 1 - fit.own[variant, d].p_above(-w) >= RULE.driver_differs]
        better = [d for d in fit.drivers if drove[d] and fit.own[variant, d].p_above(w) >= RULE.driver_differs]
        for a in worse:
            for b in better:
                if drove[a] & drove[b]:
                    return a, b
    return None


def _rule(question: Question, case: _Case, p_gain: float) -> tuple[str, str]:
    """Verdict and clause before rivals are compared with each other."""
    if case.breaks:
        return "reject", "durability"  # counted failures stand on their own, whoever drove
    if case.figures.runs == 0:
        return "retest", "thin"
    clause = _clause(question, case, p_gain)
    word = WORDS[clause]
    if case.missing and word != "reject":
        return "retest", "thin"
    applying = [gate for gate in case.gates if word in gate.stops]
    if word == "retest":
        early = [gate for gate in case.gates if gate.before_figures]
        return ("retest", early[0].clause) if early else (word, clause)
    if applying:
        return "retest", applying[0].clause
    if case.differ and "conflict" not in question.rule.ignored_gates and (word == "adopt" or clause == "futility"):
        return "retest", "conflict"
    return word, clause


def _clause(question: Question, case: _Case, p_gain: float) -> str:
    chances = Chances.of(case.goal, case.musts)
    if question.rule.kind == "no_worse":
        return str(no_worse_clauses(chances, case.fact_better)[0])
    return str(gain_clauses(chances, p_gain, case.depends)[0])


def _one_winner(
    question: Question,
    first: Mapping[str, tuple[str, str]],
    cases: Sequence[_Case],
    fits: Mapping[str, Fitted],
) -> dict[str, tuple[str, str]]:
    """At most one rival is adopted: the best, and only if it is clearly ahead of each other one that passes."""
    decided = dict(first)
    passing = [case for case in cases if first[case.variant][0] == "adopt"]
    if len(passing) < 2 or "two_ahead" in question.rule.ignored_gates:
        return decided
    ranked = sorted(passing, key=lambda case: (-_standing(question, case), case.variant))
    best = ranked[0]
    clear = all(_p_ahead(question, best, other, fits) >= RULE.ahead for other in ranked[1:])
    for case in ranked[1:] if clear else ranked:
        decided[case.variant] = ("retest", "two_ahead")
    return decided


def _standing(question: Question, case: _Case) -> float:
    if case.goal is not None:
        return case.goal.mean
    fact = question.rule.fact
    if fact is None:  # the fact is that it breaks less; between two such rivals nothing tells
        return 0.0
    return fact.values[case.variant] * (-1.0 if fact.better == "lower" else 1.0)


def _p_ahead(question: Question, best: _Case, other: _Case, fits: Mapping[str, Fitted]) -> float:
    if not question.rule.goals:
        return float(_standing(question, best) > _standing(question, other))
    gaps = {g.attribute: fits[g.attribute].improvement_over(best.variant, other.variant) for g in question.rule.goals}
    index = goal_index(question, gaps)
    return index.p_above(0.0) if index is not None else 0.0


def _beside(variant: str, decided: Mapping[str, tuple[str, str]]) -> str:
    """What stands beside a rival that passes too."""
    if best := [v for v, (word, _) in decided.items() if word == "adopt"]:
        return f"{best[0]} passes too and is ahead"
    others = [v for v, (_, clause) in decided.items() if v != variant and clause == "two_ahead"]
    return f"{joined(others)} pass{'es' if len(others) == 1 else ''} too and none is clearly ahead"


def _criteria(question: Question, case: _Case, p_gain: float) -> list[Criterion]:
    """The rule as a table: each goal, must and gate with what it needs and what was found."""
    found: list[Criterion] = []
    if case.figures.runs and case.goal is not None:
        p = case.goal.p_above(0.0)
        name = joined([spoken(g.attribute) for g in question.rule.goals])
        found.append(Criterion(case.variant, "goal", name, f"P(better) at least {p_gain:.3g}", probability(p), p >= p_gain))
    if question.rule.kind == "no_worse" and (question.rule.fact is not None or question.rule.fact_failures):
        told = {None: "not shown", True: "better", False: "not better"}[case.fact_better]
        name = question.rule.fact.name if question.rule.fact is not None else "failure rate"
        fact = Criterion(case.variant, "goal", name, "better figure", told, bool(case.fact_better))
        found.append(fact)
    wanted = RULE.no_worse if question.rule.kind == "no_worse" else RULE.must_held
    for name, (improvement, margin) in case.musts.items() if case.figures.runs else ():
        p = improvement.p_above(-margin)
        needs = f"P(no worse than {margin:g}{unit_mark(name)}) at least {wanted:g}"
        found.append(Criterion(case.variant, "must", spoken(name), needs, probability(p), p >= wanted))
    found += [Criterion(case.variant, "gate", g.clause, g.needs, g.found, False) for g in case.gates]
    return [replace(c, found=c.found.removeprefix("0")) if c.role != "gate" else c for c in found]
