"""The sentence of a verdict, which a manager can repeat, and the figures it quotes; `nearest_words` says what would change it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.evidence.criteria import NEARER, spoken, unit_mark, unit_of
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
    fact_worse: bool = False
    must_floor: float = RULE.must_held  # P(the must held) at which an adoption by gain ends

    @property
    def fact_better(self) -> bool:
        return self.fact_known and not self.fact_worse

    @property
    def by_fact_alone(self) -> bool:
        """Neither a goal nor a must: the declared figure decides, and nothing else was asked."""
        return not (self.asks_gain or self.worst_must or self.amount)

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
            must_floor=_must_floor(goal, musts[worst][0], margin) if goal is not None and worst else RULE.must_held,
        )


def _must_floor(goal: Mixture, must: Mixture, margin: float) -> float:
    """A gain that is large too tolerates more doubt: what P(held) has come to when the must, shifted, ends that as well."""
    if goal.p_above(1.0) < RULE.large_gain:
        return RULE.must_held
    twice = must.quantile(1.0 - RULE.large_gain_twice_margin) + 2.0 * margin
    shift = min(must.quantile(1.0 - RULE.large_gain_must) + margin, twice)
    return min(RULE.must_held, max(RULE.large_gain_must, must.p_above(shift - margin)))


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
    mean, least, most = (signed(value, decimals) for value in (goal.mean, low, high))
    if unit == NEARER and mean.startswith("−"):
        return f"{mean[1:]} marks farther from ideal, 90 % interval {least} to {most} where + is nearer"
    return f"{mean} {shown}, 90 % interval {least} to {most}"


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
    if clause == "thin" and figures.by_fact_alone:
        told = f"nothing compares {figures.variant} with {figures.control} on the track"
        return f"{_WORDS[word]}: {_ground(figures)}, {'but' if figures.fact_better else 'and'} {told}."
    if clause == "thin":
        return f"{_WORDS[word]}: no driver has yet tried {figures.variant} and another variant in one session."
    if clause == "durability" and word == "reject":
        return f"{_WORDS[word]}: {figures.variant} breaks too often{f' ({figures.breaks})' if figures.breaks else ''}."
    if figures.by_fact_alone:
        return f"{_WORDS[word]}: {_ground(figures)}{_beside_the_fact(word, clause, figures, gates, beside)}."
    standing = f"{figures.variant} {_how(figures)} ({', '.join(t for t in (figures.amount, figures.basis) if t)})"
    return f"{_WORDS[word]}: {standing}{_because(word, clause, figures, gates, conflict, beside)}."


def _ground(figures: Figures) -> str:
    """How the declared figure stands, as a clause of its own."""
    if not figures.fact_known:
        missing = f"the declared figure of {figures.variant} or {figures.control} is missing"
        return f"it is not shown yet that {figures.fact}" if figures.fact else missing
    return _loss(figures).removeprefix(": ") if figures.fact_worse else figures.fact


def _beside_the_fact(word: str, clause: str, figures: Figures, gates: Sequence[Unmet], beside: str) -> str:
    if clause in ("loss", "gain_not_shown"):
        return ""  # the figure has said it
    if clause == "no_worse":
        return "; the question names no must, so nothing else was asked of it"
    because = _because(word, clause, figures, gates, None, beside)
    return because if figures.fact_better else because.replace(", but", ", and", 1)


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
        "harm": f", {_too_much(figures)} than the rule allows; as a setting it may still serve",
        "loss": _loss(figures),
        "futility": f": a gain worth having is all but ruled out; keep {figures.control}",
        "gain_not_shown": ", and the gain is not shown yet"
        if figures.asks_gain
        else f", but {'it is not shown yet that ' + figures.fact if figures.fact else 'the figure that is to decide is missing'}",
        "must_not_shown": f", but {must} is not shown yet",
        "two_ahead": f", but {beside}",
    }.get(clause, "")


def _too_much(figures: Figures) -> str:
    return "by more" if figures.goal_name == figures.worst_must and figures.p_better <= 0.25 else f"and {figures.worst_must} is worse"


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
