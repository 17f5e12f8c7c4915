"""What would change a verdict, and how far off that is."""

from collections.abc import Sequence
from statistics import NormalDist

from app.evidence.conditions import IN_A_CLASS
from app.evidence.gates import Unmet
from app.evidence.inputs import Question
from app.evidence.phrases import joined, probability, threshold
from app.evidence.thresholds import RULE
from app.evidence.verdict_words import Figures


def nearest_sentence(
    question: Question, word: str, clause: str, figures: Figures, gates: Sequence[Unmet], p_gain: float
) -> str:
    """Which clause would change the verdict, and how far off it is."""
    if clause == "thin" and figures.runs:
        return f"Adopt needs {figures.missing} of {figures.variant} and {figures.control} by one driver in one session."
    if clause == "thin" and figures.by_fact_alone:
        first = "" if figures.fact_better else f"{joined(_needs(question, figures, gates, p_gain))}, and "
        pair = f"{figures.variant} and {figures.control}"
        return f"Adopt needs {first}{pair} timed by one driver in one session, or a must named on which one rated them."
    if clause == "thin":
        return "Any verdict needs a driver who tries the control and the rival in one session."
    if word == "retest":
        needs = _needs(question, figures, gates, p_gain)
        if needs and clause not in ("conflict", "two_ahead"):
            return f"Adopt needs {joined(needs)}."
        return {
            "conflict": "Adopt needs drivers who agree, or a scope that tells them apart.",
            "two_ahead": f"Adopt needs {figures.variant} ahead of each other rival that passes with P ≥ {probability(RULE.ahead)}.",
        }.get(clause, "Adopt needs the declared figure of the control and the rival.")
    return _undone(clause, figures, p_gain, by_failures=question.rule.fact_failures)


def _needs(question: Question, figures: Figures, gates: Sequence[Unmet], p_gain: float) -> list[str]:
    """Everything that stands between a retest and an adoption, with the figures now."""
    unmet = {g.clause for g in gates}
    said = {flag for flag, gate in (("one_driver", "drivers"), ("one_session", "sessions")) if gate in unmet}
    needs = [g.needs if g.told_by_flag else f"{g.needs} (now: {g.found})" for g in gates if g.clause not in said]
    if question.rule.kind == "gain" and figures.p_better < p_gain:
        needs.insert(0, f"P(better) ≥ {threshold(p_gain)}, now {probability(figures.p_better)}")
    least = RULE.no_worse if question.rule.kind == "no_worse" else RULE.must_held
    if figures.p_must_held < least:
        needs.append(f"P({figures.worst_must} no worse) ≥ {probability(least)}, now {probability(figures.p_must_held)}")
    if not figures.asks_gain and not figures.fact_known:
        shown = "it shown that the rival breaks less often (P ≥ .90, with 2 failures of the control or more)"
        needs.append(shown if question.rule.fact_failures else "the declared figure of the control and the rival")
    if not figures.asks_gain and figures.fact_worse:
        needs.append("fewer failures" if question.rule.fact_failures else f"a better figure than {figures.control}'s")
    return needs


def _undone(clause: str, figures: Figures, p_gain: float, *, by_failures: bool) -> str:
    """What would turn an adoption, a setting or a rejection back into a retest."""
    held, must = probability(figures.p_must_held), figures.worst_must
    if clause in ("gain", "gain_with_harm"):
        return _gain_undone(clause, figures, p_gain)
    if clause == "no_worse" and not must:
        shown = f"it were no longer shown that {figures.fact} (P ≥ .90)" if by_failures else f"the declared figures changed: {figures.fact}"
        return f"It would be open again if {shown}."
    if clause == "loss" and not figures.asks_gain:
        return "It would be open again with a better figure."
    if clause in ("harm", "loss", "futility"):
        return _rejection_undone(clause, figures)
    return {
        "large_gain": f"It would be a retest again if P({must} no worse) fell below {probability(RULE.large_gain_must)}; now {held}.",
        "no_worse": f"It would be a retest again if P({must} no worse) fell below {probability(RULE.no_worse)}; now {held}.",
        "conditions": "It would be open again if it were no longer better in one class and worse in another, "
        f"each with P ≥ {probability(IN_A_CLASS)}.",
        "durability": "It would be open again with a revision that is shown to break less.",
    }[clause]


def _gain_undone(clause: str, figures: Figures, p_gain: float) -> str:
    """The nearer of the gain and the must, by how many normal quantiles each stands from its threshold."""
    harmed, must = clause == "gain_with_harm", f"{figures.worst_must} {'worse' if clause == 'gain_with_harm' else 'no worse'}"
    now, floor = (1.0 - figures.p_must_held, RULE.harm) if harmed else (figures.p_must_held, figures.must_floor)
    if figures.worst_must and _distance(now, floor) < _distance(figures.p_better, p_gain):
        least = f"{floor:.2f}".removeprefix("0")
        return f"It would be a retest again if P({must}) fell below {least}; now {probability(now)}."
    back = "rejected" if harmed else "a retest again"  # without the gain only the harm is left
    return f"It would be {back} if P(better) fell below {threshold(p_gain)}; now {probability(figures.p_better)}."


def _distance(p: float, wanted: float) -> float:
    normal = NormalDist()
    return normal.inv_cdf(min(max(p, 1e-12), 1.0 - 1e-12)) - normal.inv_cdf(wanted)


def _rejection_undone(clause: str, figures: Figures) -> str:
    """Every ground the rejection stands on; with several, undoing one leaves the others."""
    worse, gain = 1.0 - figures.p_better, figures.p_worthwhile
    grounds = []
    if clause == "harm":
        harm = probability(1.0 - figures.p_must_held)
        grounds.append(f"P({figures.worst_must} worse) fell below {probability(RULE.harm)} (now {harm})")
    if figures.asks_gain and worse >= RULE.loss:
        grounds.append(f"P(worse on {figures.goal_name}) fell below {probability(RULE.loss)} (now {probability(worse)})")
    if figures.asks_gain and gain <= RULE.futility:
        grounds.append(f"P(gain worth having) rose above {probability(RULE.futility)} (now {probability(gain)})")
    if not figures.asks_gain and figures.fact_worse:
        told = f"it broke less often than {figures.control}" if "breaks less" in figures.fact else f"its figure beat {figures.control}'s"
        grounds.append(told)
    together = ("", "", "; both are needed", "; all three are needed")[len(grounds)]
    return f"It would be a retest if {joined(grounds)}{together}."
