"""The sentences of a verdict: what a manager can repeat, and what would change it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.evidence.criteria import spoken, unit_of
from app.evidence.fitted import Fitted
from app.evidence.gates import Unmet
from app.evidence.inputs import Question
from app.evidence.mixture import Mixture
from app.evidence.phrases import count, joined, probability, signed
from app.evidence.rows import GOAL_INDEX, LAP_TIME
from app.evidence.thresholds import RULE

_WORDS = {"adopt": "Adopt", "reject": "Reject", "retest": "Retest", "setting": "Keep both as a setting"}


@dataclass(frozen=True, slots=True)
class Figures:
    """What the sentences quote, for one rival. Probabilities concern the goal; `worst_must` is the least sure one."""

    variant: str
    control: str
    goal_name: str
    amount: str
    basis: str
    runs: int
    p_better: float
    p_worthwhile: float
    worst_must: str
    worst_must_margin: float
    p_must_held: float
    fact: str
    asks_gain: bool
    breaks: str = ""

    @classmethod
    def of(
        cls,
        question: Question,
        variant: str,
        goal: Mixture | None,
        musts: Mapping[str, tuple[Mixture, float]],
        fit: Fitted | None,
        runs: int,
    ) -> "Figures":
        worst = min(musts, key=lambda name: (musts[name][0].p_above(-musts[name][1]), name), default="")
        margin = musts[worst][1] if worst else 0.0
        shown = goal if goal is not None or fit is None else fit.population[variant]
        return cls(
            variant=variant,
            control=question.control,
            goal_name=joined([spoken(g.attribute) for g in question.rule.goals])
            or joined([spoken(name) for name in musts])
            or "what was declared",
            amount=_amount(question, variant, goal, fit),
            basis=_basis(question, variant, fit),
            runs=runs,
            p_better=shown.p_above(0.0) if shown else 0.5,
            p_worthwhile=goal.p_above(1.0) if goal else 0.5,
            worst_must=spoken(worst),
            worst_must_margin=margin,
            p_must_held=musts[worst][0].p_above(-margin) if worst else 1.0,
            fact=_fact(question, variant),
            asks_gain=question.rule.kind == "gain",
        )


def _amount(question: Question, variant: str, goal: Mixture | None, fit: Fitted | None) -> str:
    if goal is None and fit is not None:
        goal, name = fit.population[variant], fit.criterion
    elif goal is not None and len(question.rule.goals) == 1:
        name = question.rule.goals[0].attribute
        goal = goal.scaled(question.worthwhile(name))
    else:
        name = GOAL_INDEX
    if goal is None:
        return ""
    low, high = goal.quantile(0.05), goal.quantile(0.95)
    unit, decimals = unit_of(question, name), 2 if name == LAP_TIME else 1
    shown = {"percent": "% of a lap", "times W": "times W"}.get(unit, unit)
    figures = (signed(value, decimals) for value in (goal.mean, low, high))
    return "{} {}, 90 % interval {} to {}".format(next(figures), shown, *figures)


def _basis(question: Question, variant: str, fit: Fitted | None) -> str:
    if fit is None:
        return ""
    own = [m for m in fit.fitted if m.variant == variant]
    runs = len(own) + fit.runs.get(question.control, 0)
    drivers, sessions = len({m.driver for m in own}), len({m.session for m in own})
    return f"{count(drivers, 'driver')}, {count(sessions, 'session')}, {count(runs, 'run')}"


def _fact(question: Question, variant: str) -> str:
    fact = question.rule.fact
    if question.rule.fact_failures:
        return f"how often {variant} and {question.control} broke"
    if fact is None or variant not in fact.values or question.control not in fact.values:
        return ""
    unit = f" {fact.unit}" if fact.unit else ""
    return f"{fact.name} {fact.values[variant]:g}{unit} against {fact.values[question.control]:g}{unit}"


def verdict_sentence(
    word: str, clause: str, figures: Figures, gates: Sequence[Unmet], conflict: tuple[str, str] | None, beside: str
) -> str:
    """One sentence: the verdict, how the rival stands with figures and n, and the clause that decides."""
    if clause == "thin":
        return f"{_WORDS[word]}: no driver has yet tried {figures.variant} and another variant in one session."
    if clause == "durability" and word == "reject":
        return f"{_WORDS[word]}: {figures.variant} breaks too often{f' ({figures.breaks})' if figures.breaks else ''}."
    standing = f"{figures.variant} {_how(figures)} ({', '.join(t for t in (figures.amount, figures.basis) if t)})"
    return f"{_WORDS[word]}: {standing}{_because(word, clause, figures, gates, conflict, beside)}."


def _how(figures: Figures) -> str:
    p, on = figures.p_better, figures.goal_name
    if p >= 0.96:
        return f"is better on {on}"
    if p >= 0.75:
        return f"is probably better on {on}"
    if p <= 0.04:
        return f"is worse on {on}"
    if p <= 0.25:
        return f"is probably worse on {on}"
    return f"is neither clearly better nor worse on {on}"


def _because(
    word: str, clause: str, figures: Figures, gates: Sequence[Unmet], conflict: tuple[str, str] | None, beside: str
) -> str:
    must = f"{figures.worst_must} (no worse than {figures.worst_must_margin:.3g}: P {probability(figures.p_must_held)})"
    if clause == "gain":
        return f", and {must} is held" if figures.worst_must else ""
    if clause == "sessions":
        gate = next(g for g in gates if g.clause == "sessions")
        if gate.found == "1 session":
            return ", but one test session alone never adopts or rejects"
        return f", but {gate.needs} must inform the comparison; so far: {gate.found}"
    if clause == "drivers":
        gate = next(g for g in gates if g.clause == "drivers")
        return f", but {gate.needs} must inform the comparison; so far: {gate.found}"
    if clause == "conflict" and conflict:
        return f", but the drivers differ: {conflict[1]} is better off with it and {conflict[0]} worse off"
    gate_found = next((g.found for g in gates if g.clause == clause), "")
    if gate_found:
        return f", but {gate_found[0].lower() + gate_found[1:] if gate_found[1:2].islower() else gate_found}"
    return {
        "large_gain": f"; so large a gain outweighs some doubt about {must}",
        "no_worse": f"; {figures.fact}, and nothing is lost that the rule protects",
        "conditions": ", but it is better in some conditions and worse in others",
        "gain_with_harm": f", but {figures.worst_must} is worse: each is better on something that counts",
        "harm": f", and {figures.worst_must} is worse than the rule allows; as a setting it may still serve",
        "loss": f": {figures.fact}, no better than {figures.control}" if figures.fact else f": keep {figures.control}",
        "futility": f": a gain worth having is all but ruled out; keep {figures.control}",
        "gain_not_shown": ", and the gain is not shown yet"
        if figures.asks_gain
        else ", but the figure that is to decide is missing",
        "must_not_shown": f", but {must} is not shown yet",
        "two_ahead": f", but {beside}",
    }.get(clause, "")


def nearest_sentence(
    question: Question, word: str, clause: str, figures: Figures, gates: Sequence[Unmet], p_gain: float
) -> str:
    """Which clause would change the verdict, and how far off it is."""
    if clause == "thin":
        return "Any verdict needs a driver who rates the control and the rival in one session."
    stopping = [g for g in gates if word == "retest" or word in g.stops]
    needs = [g.needs if g.told_by_flag else f"{g.needs} (now: {g.found})" for g in stopping]
    if question.rule.kind == "gain" and word == "retest" and figures.p_better < p_gain:
        needs.insert(0, f"P(better) ≥ {probability(p_gain)}, now {probability(figures.p_better)}")
    least = RULE.no_worse if question.rule.kind == "no_worse" else RULE.must_held
    if word == "retest" and figures.p_must_held < least:
        needs.append(f"P({figures.worst_must} no worse) ≥ {probability(least)}, now {probability(figures.p_must_held)}")
    if word == "retest":
        if needs:
            return f"Adopt needs {joined(needs)}."
        return {
            "conflict": "Adopt needs drivers who agree, or a scope that tells them apart.",
            "two_ahead": f"Adopt needs one rival ahead of each other one with P ≥ {probability(RULE.ahead)}.",
        }.get(clause, "Adopt needs the declared figure of the control and the rival.")
    if word in ("adopt", "setting") and question.rule.kind == "gain":
        now = probability(figures.p_better)
        return f"It would be a retest again if P(better) fell below {probability(p_gain)}; now {now}."
    held = probability(figures.p_must_held)
    if word == "adopt":
        return f"It would be a retest again if P(no worse) fell below {probability(RULE.no_worse)}; now {held}."
    if clause == "loss" and not figures.asks_gain:
        return "It would be open again with a better figure."
    return {
        "durability": "It would be open again with a revision that is shown to break less.",
        "harm": f"It would be a retest if P({figures.worst_must} worse) fell below {probability(RULE.harm)}; "
        f"now {probability(1 - figures.p_must_held)}.",
        "loss": f"It would be a retest if P(worse) fell below {probability(RULE.loss)}; "
        f"now {probability(1 - figures.p_better)}.",
        "futility": f"It would be a retest if P(gain worth having) rose above {probability(RULE.futility)}; "
        f"now {probability(figures.p_worthwhile)}.",
    }[clause]
