"""The sentences of a verdict: what a manager can repeat, and what would change it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.evidence.conditions import IN_A_CLASS
from app.evidence.criteria import spoken, unit_mark, unit_of
from app.evidence.fitted import Fitted
from app.evidence.gates import Unmet
from app.evidence.inputs import Question
from app.evidence.mixture import Mixture
from app.evidence.phrases import count, joined, probability, signed
from app.evidence.rows import GOAL_INDEX, LAP_TIME, PREFERENCE
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
    worst_must_unit: str
    p_must_held: float
    fact: str
    asks_gain: bool
    breaks: str = ""
    p_gain: float = 0.96
    missing: str = ""
    fact_known: bool = True

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
            or (spoken(fit.criterion) if fit is not None else "what was declared"),
            amount=_amount(question, variant, goal, fit),
            basis=_basis(question, variant, fit),
            runs=runs,
            p_better=shown.p_above(0.0) if shown else 0.5,
            p_worthwhile=goal.p_above(1.0) if goal else 0.5,
            worst_must=spoken(worst),
            worst_must_margin=margin,
            worst_must_unit=unit_mark(worst),
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
    tried = count(len(own), "choice") if fit.criterion == PREFERENCE else count(len(own) + fit.runs.get(question.control, 0), "run")
    drivers, sessions = len({m.driver for m in own}), len({m.session for m in own})
    return f"{count(drivers, 'driver')}, {count(sessions, 'session')}, {tried}"


def _fact(question: Question, variant: str) -> str:
    fact = question.rule.fact
    if question.rule.fact_failures:
        return f"{variant} breaks less often than {question.control}"
    if fact is None or variant not in fact.values or question.control not in fact.values:
        return ""
    unit = f" {fact.unit}" if fact.unit else ""
    return f"{fact.name} {fact.values[variant]:g}{unit} against {fact.values[question.control]:g}{unit}"


def verdict_sentence(
    word: str, clause: str, figures: Figures, gates: Sequence[Unmet], conflict: tuple[str, str] | None, beside: str
) -> str:
    """One sentence: the verdict, how the rival stands with figures and n, and the clause that decides."""
    if clause == "thin" and figures.runs:
        told = f"nothing on {figures.missing} compares it with {figures.control} yet"
        return f"{_WORDS[word]}: {figures.variant} {_how(figures)} ({figures.amount}), but {told}."
    if clause == "thin":
        return f"{_WORDS[word]}: no driver has yet tried {figures.variant} and another variant in one session."
    if clause == "durability" and word == "reject":
        return f"{_WORDS[word]}: {figures.variant} breaks too often{f' ({figures.breaks})' if figures.breaks else ''}."
    standing = f"{figures.variant} {_how(figures)} ({', '.join(t for t in (figures.amount, figures.basis) if t)})"
    return f"{_WORDS[word]}: {standing}{_because(word, clause, figures, gates, conflict, beside)}."


def _how(figures: Figures) -> str:
    p, on = figures.p_better, figures.goal_name
    if p >= figures.p_gain:
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
    margin = f"{figures.worst_must_margin:.3g}{figures.worst_must_unit}"
    must = f"{figures.worst_must} (no worse than {margin}: P {probability(figures.p_must_held)})"
    if clause == "gain":
        return f", and {must} is held" if figures.worst_must else ""
    if clause == "sessions":
        gate = next(g for g in gates if g.clause == "sessions")
        if not gate.found[0].isdigit():  # of one criterion, not of the whole comparison
            return f", but {gate.found}"
        if gate.found == "1 session":
            return ", but one test session alone never adopts or rejects"
        return f", but {gate.needs} must inform the comparison; so far: {gate.found}"
    if clause == "drivers":
        gate = next(g for g in gates if g.clause == "drivers")
        if not gate.found[0].isdigit():
            return f", but {gate.found}"
        return f", but {gate.needs} must inform the comparison; so far: {gate.found}"
    if clause == "conflict" and conflict:
        return f", but the drivers differ: {conflict[1]} is better off with it and {conflict[0]} worse off"
    gate_found = next((g.found for g in gates if g.clause == clause), "")
    if gate_found:
        return f", but {_lowered(gate_found)}"
    return {
        "large_gain": f"; so large a gain outweighs some doubt about {must}",
        "no_worse": f"; {figures.fact}, and nothing is lost that the rule protects",
        "conditions": ", but it is better in some conditions and worse in others",
        "gain_with_harm": f", but {figures.worst_must} is worse: each is better on something that counts",
        "harm": f", and {figures.worst_must} is worse than the rule allows; as a setting it may still serve",
        "loss": _loss(figures),
        "futility": f": a gain worth having is all but ruled out; keep {figures.control}",
        "gain_not_shown": ", and the gain is not shown yet"
        if figures.asks_gain
        else f", but {'it is not shown yet that ' + figures.fact if figures.fact else 'the figure that is to decide is missing'}",
        "must_not_shown": f", but {must} is not shown yet",
        "two_ahead": f", but {beside}",
    }.get(clause, "")


_OPENINGS = ("No ", "Too ", "Nearly ", "For ", "Within ", "Only ")


def _loss(figures: Figures) -> str:
    if figures.asks_gain or not figures.fact:
        return f": keep {figures.control}"
    return f": it is not so that {figures.fact}" if "breaks less" in figures.fact else f": {figures.fact}, no better than {figures.control}"


def _lowered(text: str) -> str:
    """A sentence within a sentence; names of variants and conditions keep their capitals."""
    return text[0].lower() + text[1:] if text.startswith(_OPENINGS) else text


def missing_words(fits: Mapping[str, Fitted], missing: Sequence[str]) -> str:
    """Criteria without a comparison, with the reason that most of their runs were left out for."""
    told = []
    for name in missing:
        why = max(fits[name].left_out.items(), key=lambda item: (item[1], item[0]), default=("", 0))[0]
        told.append(f"{spoken(name)} ({why.replace('_', ' ')})" if why else spoken(name))
    return joined(told)


def nearest_sentence(
    question: Question, word: str, clause: str, figures: Figures, gates: Sequence[Unmet], p_gain: float
) -> str:
    """Which clause would change the verdict, and how far off it is."""
    if clause == "thin" and figures.runs:
        return f"Adopt needs {figures.missing} of {figures.variant} and {figures.control} by one driver in one session."
    if clause == "thin":
        return "Any verdict needs a driver who tries the control and the rival in one session."
    if word == "retest":
        needs = _needs(question, figures, gates, p_gain)
        if needs and clause not in ("conflict", "two_ahead"):
            return f"Adopt needs {joined(needs)}."
        return {
            "conflict": "Adopt needs drivers who agree, or a scope that tells them apart.",
            "two_ahead": f"Adopt needs one rival ahead of each other one with P ≥ {probability(RULE.ahead)}.",
        }.get(clause, "Adopt needs the declared figure of the control and the rival.")
    return _undone(clause, figures, p_gain)


def _needs(question: Question, figures: Figures, gates: Sequence[Unmet], p_gain: float) -> list[str]:
    """Everything that stands between a retest and an adoption, with the figures now."""
    unmet = {g.clause for g in gates}
    said = {flag for flag, gate in (("one_driver", "drivers"), ("one_session", "sessions")) if gate in unmet}
    needs = [g.needs if g.told_by_flag else f"{g.needs} (now: {g.found})" for g in gates if g.clause not in said]
    if question.rule.kind == "gain" and figures.p_better < p_gain:
        needs.insert(0, f"P(better) ≥ {probability(p_gain)}, now {probability(figures.p_better)}")
    least = RULE.no_worse if question.rule.kind == "no_worse" else RULE.must_held
    if figures.p_must_held < least:
        needs.append(f"P({figures.worst_must} no worse) ≥ {probability(least)}, now {probability(figures.p_must_held)}")
    if not figures.asks_gain and not figures.fact_known:
        shown = "it shown that the rival breaks less often (P ≥ .90, with 2 failures of the control or more)"
        needs.append(shown if question.rule.fact_failures else "the declared figure of the control and the rival")
    return needs


def _undone(clause: str, figures: Figures, p_gain: float) -> str:
    """What would turn an adoption, a setting or a rejection back into a retest."""
    held, better = probability(figures.p_must_held), probability(figures.p_better)
    gain = f"It would be a retest again if P(better) fell below {probability(p_gain)}; now {better}."
    if clause == "loss" and not figures.asks_gain:
        return "It would be open again with a better figure."
    return {
        "gain": gain,
        "gain_with_harm": gain,
        "large_gain": f"It would be a retest again if P({figures.worst_must} no worse) fell below "
        f"{probability(RULE.large_gain_must)}; now {held}.",
        "no_worse": f"It would be a retest again if P(no worse) fell below {probability(RULE.no_worse)}; now {held}.",
        "conditions": "It would be open again if it were no longer better in one class and worse in another, "
        f"each with P ≥ {probability(IN_A_CLASS)}.",
        "durability": "It would be open again with a revision that is shown to break less.",
        "harm": f"It would be a retest if P({figures.worst_must} worse) fell below {probability(RULE.harm)}; "
        f"now {probability(1 - figures.p_must_held)}.",
        "loss": f"It would be a retest if P(worse) fell below {probability(RULE.loss)}; now {probability(1 - figures.p_better)}.",
        "futility": f"It would be a retest if P(gain worth having) rose above {probability(RULE.futility)}; "
        f"now {probability(figures.p_worthwhile)}.",
    }[clause]
