"""The criteria of a question, whatever they are made of: rating attributes, lap time, preference, and their index."""

from collections.abc import Mapping

import numpy as np

from app.evidence.findings import LapReading, Measure
from app.evidence.fitted import Fitted
from app.evidence.inputs import Question
from app.evidence.mixture import Mixture
from app.evidence.rows import GOAL_INDEX, LAP_TIME, PREFERENCE

NEARER = "marks nearer ideal"  # the unit of a scale whose ideal is zero
_NAMES = {LAP_TIME: "lap time", PREFERENCE: "preference", GOAL_INDEX: "goal index"}


def spoken(criterion: str) -> str:
    """The criterion's name as people say it."""
    return _NAMES.get(criterion, criterion)


def unit_mark(criterion: str) -> str:
    """What stands behind a margin in a sentence."""
    return " %" if criterion == LAP_TIME else ""


def unit_of(question: Question, criterion: str) -> str:
    if criterion == LAP_TIME:
        return "percent"
    if criterion == GOAL_INDEX:
        return "times W"
    if criterion == PREFERENCE or question.scales[criterion].kind == "quality":
        return "points"
    return NEARER


def deciding(question: Question) -> tuple[str, ...]:
    """Criteria named as goal or must, once each."""
    return tuple(dict.fromkeys([g.attribute for g in question.rule.goals] + [m.attribute for m in question.rule.musts]))


def margin_of(question: Question, criterion: str) -> float | None:
    """The margin of a must, in the criterion's own unit; None where the criterion is no must."""
    for must in question.rule.musts:
        if must.attribute == criterion:
            if must.margin is not None:
                return must.margin
            rated = criterion in question.scales
            return question.scales[criterion].default_worthwhile if rated else question.worthwhile(criterion)
    return None


def goal_index(question: Question, improvements: Mapping[str, Mixture]) -> Mixture | None:
    """Improvement in units of W: one goal as it is; several weighted.

    Ratings and preferences of one run share halo and driver, so their SDs add (correlation 1); treating them as
    independent would claim more than was seen. Lap times are another instrument: their SD joins in quadrature.
    """
    if not improvements:
        return None
    weights = {g.attribute: g.weight / question.worthwhile(g.attribute) for g in question.rule.goals}
    if len(improvements) == 1:
        ((name, improvement),) = improvements.items()
        return improvement.scaled(weights[name])
    mean = sum(weights[name] * m.mean for name, m in improvements.items())
    felt = sum(weights[name] * m.sd for name, m in improvements.items() if name != LAP_TIME)
    timed = sum(weights[name] * m.sd for name, m in improvements.items() if name == LAP_TIME)
    return Mixture(np.ones(1), np.array([mean]), np.array([float(np.hypot(felt, timed))]))


def measures(
    question: Question, fits: Mapping[str, Fitted], methods: Mapping[str, str], laps: Mapping[str, LapReading]
) -> tuple[Measure, ...]:
    """Every fitted criterion of every rival in one line each, the goal index last. Six decimals."""
    found = []
    for rival in question.rivals:
        for name, fit in fits.items():
            if not fit.runs.get(rival):
                continue
            n = fit.runs[rival] + (fit.runs.get(question.control, 0) if name != PREFERENCE else 0)  # a choice is one row
            seconds = laps.get(rival) if name == LAP_TIME else None
            found.append(_measure(question, rival, name, fit.population[rival], n, methods.get(name, ""), seconds))
        named = {g.attribute: fits[g.attribute] for g in question.rule.goals}
        if len(named) > 1 and all(fit.runs.get(rival) for fit in named.values()):
            index = goal_index(question, {name: fit.population[rival] for name, fit in named.items()})
            n = min(fit.runs[rival] + fit.runs.get(question.control, 0) for fit in named.values())
            if index is not None:
                found.append(_measure(question, rival, GOAL_INDEX, index, n, "weighted index, ratings correlated", None))
    return tuple(found)


def _measure(
    question: Question, rival: str, name: str, improvement: Mixture, n: int, method: str, seconds: LapReading | None
) -> Measure:
    margin = None if name == GOAL_INDEX else margin_of(question, name)
    return Measure(
        variant=rival,
        criterion=name,
        mean=round(improvement.mean, 6),
        sd=round(improvement.sd, 6),
        low90=round(improvement.quantile(0.05), 6),
        high90=round(improvement.quantile(0.95), 6),
        p_better=round(improvement.p_above(0.0), 6),
        p_worse_than_margin=None if margin is None else round(1.0 - improvement.p_above(-margin), 6),
        unit=unit_of(question, name),
        n=n,
        method=method,
        mean_s=seconds.mean_s if seconds else None,
        low90_s=seconds.low90_s if seconds else None,
        high90_s=seconds.high90_s if seconds else None,
    )
