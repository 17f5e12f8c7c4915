"""Failures in use: how often a variant breaks, against the declared limit and against the control.

k failures in exposure T, failure rate lambda ~ Gamma(.5 + k, b + T). With a declared limit b = .5 / limit, so that the
prior expects the limit itself; without one b = 0 (Jeffreys' prior of a Poisson rate), and then nothing is said of a
variant that was never used. Two rates share the prior; P(lambda_1 > c lambda_0) is a beta integral, so nothing is sampled.

The prior alone nearly passes a limit at .8, so *shown* also asks for an exposure of 1.5 / limit. Looked at again and
again, a part at the limit passes at some look in about half of programmes; the sentence says so.
Source: gamma-Poisson conjugacy, textbook; the cuts are our own defaults: common practice, no source.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

from app.evidence.findings import FailureReading
from app.evidence.inputs import Evidence
from app.evidence.phrases import count, probability
from app.evidence.plan_figures import poisson_interval
from app.evidence.results import Strand
from app.evidence.rows import ExposureUnit
from app.evidence.value_figures import rate_above

P_SHOWN, P_SHOWN_IF_HURTS, P_FAILED, P_LESS = 0.80, 0.95, 0.85, 0.90
LEAST_USE = 1.5  # exposure x limit below which nothing is shown
FAILURES_TO_REJECT = FAILURES_TO_COMPARE = 2
FAILURES_FOR_SHAPE = 4
_UNITS: tuple[ExposureUnit, ...] = ("laps", "minutes", "impacts")


@dataclass(frozen=True, slots=True)
class _Use:
    """Exposure T and failures k of one variant."""

    exposure: float
    failures: int

    @property
    def known(self) -> bool:
        return self.exposure > 0 or self.failures > 0


def unit_in_use(evidence: Evidence) -> ExposureUnit:
    """The declared unit, else the one that most rows of exposure and lives have filled (laps, minutes, impacts)."""
    if evidence.question.rule.durability is not None:
        return evidence.question.rule.durability.unit
    filled = {u: sum(e.amount(u) > 0 for e in evidence.exposures) + sum(x.unit == u for x in evidence.lives) for u in _UNITS}
    return max(_UNITS, key=lambda unit: filled[unit])  # the first of equals


def _use(evidence: Evidence, variant: str) -> _Use:
    """Sums over the rows of exposure; where a variant has none, over the lives of its pieces."""
    unit = unit_in_use(evidence)
    rows = [e for e in evidence.exposures if e.variant == variant]
    if any(e.amount(unit) > 0 or e.failures for e in rows):
        return _Use(math.fsum(e.amount(unit) for e in rows), sum(int(e.failures) for e in rows))
    lives = [x for x in evidence.lives if x.variant == variant and x.unit == unit]
    return _Use(math.fsum(x.amount for x in lives), sum(x.failed for x in lives))


def use_needed(failures: int, confidence: float) -> float:
    """Exposure x limit at which P(rate < limit) reaches `confidence` with these failures; never less than 1.5."""
    from scipy.special import gammaincinv

    return max(LEAST_USE, float(gammaincinv(0.5 + failures, confidence)) - 0.5)


def p_below(failures: int, exposure: float, limit: float) -> float:
    """P(rate < limit), limit in failures per unit of exposure."""
    from scipy.special import gammainc

    return float(gammainc(0.5 + failures, 0.5 + exposure * limit))


def _p_above_control(evidence: Evidence, variant: str, times: float) -> float | None:
    """P(the variant's rate > times x the control's); None where one of them was never used and no limit is declared."""
    durability = evidence.question.rule.durability
    start = 0.5 / durability.rate if durability is not None else 0.0
    new, control = _use(evidence, variant), _use(evidence, evidence.question.control)
    if not (new.known and control.known) or min(start + new.exposure, start + control.exposure) <= 0:
        return None
    return rate_above(0.5 + new.failures, start + new.exposure, 0.5 + control.failures, start + control.exposure, times)


def breaks_less(evidence: Evidence, variant: str) -> bool | None:
    """The fact of a 'no worse' question: does the variant break less often than the control? None = not shown.

    True: P >= .90, and the control failed at least twice. False: P <= .10, and the variant did.
    """
    above = _p_above_control(evidence, variant, 1.0)
    if above is None or variant == evidence.question.control:
        return None
    if 1.0 - above >= P_LESS and _use(evidence, evidence.question.control).failures >= FAILURES_TO_COMPARE:
        return True
    if above >= P_LESS and _use(evidence, variant).failures >= FAILURES_TO_COMPARE:
        return False
    return None


def failure_readings(evidence: Evidence) -> tuple[FailureReading, ...]:
    """One reading per variant that was used, the control first. The caller has already chosen the sessions."""
    return tuple(_reading(evidence, v) for v in evidence.question.variants if _use(evidence, v).known)


def _reading(evidence: Evidence, variant: str) -> FailureReading:
    durability, use = evidence.question.rule.durability, _use(evidence, variant)
    per = float(durability.per) if durability is not None else 1000.0
    rate = low = high = None
    if use.exposure > 0:
        limits = poisson_interval(use.failures, 0.90)
        rate, low, high = (_kept(k / use.exposure * per) for k in (use.failures, *limits))
    is_control = variant == evidence.question.control
    above = None if is_control else _p_above_control(evidence, variant, 1.0)
    twice = None if is_control else _p_above_control(evidence, variant, 2.0)
    shape, survival = _lives(evidence, variant)
    found = FailureReading(
        variant=variant,
        unit=unit_in_use(evidence),
        exposure=use.exposure,
        failures=use.failures,
        per=per,
        rate=rate,
        low90=low,
        high90=high,
        p_below_limit=None if durability is None else _kept(p_below(use.failures, use.exposure, durability.rate)),
        p_below_control=None if above is None else _kept(1.0 - above),
        p_twice_control=None if twice is None else _kept(twice),
        missing=_missing(evidence, use),
        state=_state(evidence, use, twice),
        shape=shape,
        survival=survival,
        sentence="",
    )
    return replace(found, sentence=" ".join(_sentences(found, evidence)))


def _kept(value: float) -> float:
    return round(value, 6)


def _missing(evidence: Evidence, use: _Use) -> float | None:
    durability = evidence.question.rule.durability
    if durability is None:
        return None
    wanted = use_needed(use.failures, P_SHOWN_IF_HURTS if durability.hurts else P_SHOWN) / durability.rate
    missing = wanted - use.exposure
    return _kept(missing) if missing > 1e-9 * wanted else 0.0


def _state(evidence: Evidence, use: _Use, twice: float | None) -> Literal["shown", "failed", "not_shown", "no_limit"]:
    durability = evidence.question.rule.durability
    if durability is None:
        return "no_limit"
    if use.failures >= FAILURES_TO_REJECT:
        above_limit = 1.0 - p_below(use.failures, use.exposure, durability.rate)
        if above_limit >= P_FAILED or (twice is not None and twice >= P_FAILED):
            return "failed"
    return "shown" if _missing(evidence, use) == 0 else "not_shown"


def _lives(
    evidence: Evidence, variant: str
) -> tuple[tuple[float, float, float] | None, tuple[tuple[float, float, float, float], ...]]:
    """Weibull shape with its 90 % limits, and the survival curve, where at least 4 pieces have failed."""
    unit = unit_in_use(evidence)
    lives = [x for x in evidence.lives if x.variant == variant and x.unit == unit]
    if sum(x.failed for x in lives) < FAILURES_FOR_SHAPE:
        return None, ()
    from app.evidence.survival import fit_weibull, kaplan_meier

    amounts, failed = [x.amount for x in lives], [x.failed for x in lives]
    curve = tuple(
        (_kept(s.amount), _kept(s.share), _kept(s.low or 0.0), _kept(s.share if s.high is None else s.high))
        for s in kaplan_meier(amounts, failed, 0.90)
    )
    fit = fit_weibull(amounts, failed)
    if fit is None:
        return None, curve
    low, high = fit.shape_limits(0.90)
    return (_kept(fit.shape), _kept(low), _kept(high)), curve


def _sentences(reading: FailureReading, evidence: Evidence) -> list[str]:
    parts = [f"{reading.variant}: {count(reading.failures, 'failure')} in {_amount(reading.exposure, reading.unit)}."]
    parts += _against_limit(reading, evidence)
    control = evidence.question.control
    if reading.p_below_control is not None:
        parts.append(f"It breaks less often than {control} with probability {probability(reading.p_below_control)}.")
    if reading.shape is not None:
        shape, low, high = reading.shape
        tells = "they wear out" if low > 1 else "they fail young" if high < 1 else "whether they wear out is open"
        parts.append(f"Lives of its pieces: {tells} (Weibull shape {shape:.1f}, 90 % {low:.1f} to {high:.1f}).")
    return parts


def _against_limit(reading: FailureReading, evidence: Evidence) -> list[str]:
    durability, control = evidence.question.rule.durability, evidence.question.control
    if durability is None or reading.p_below_limit is None or reading.missing is None:
        return ["No highest failure rate was declared."]
    limit = f"{durability.highest_rate:g} per {_amount(durability.per, durability.unit)}"
    below, above = probability(reading.p_below_limit), probability(1.0 - reading.p_below_limit)
    if reading.state == "failed":
        if 1.0 - reading.p_below_limit >= P_FAILED:
            return [f"It breaks more often than {limit} with probability {above}."]
        return [f"It breaks more than twice as often as {control} with probability {probability(reading.p_twice_control or 0.0)}."]
    if durability.hurts:
        looks = "A failure can hurt people, so .95 is asked for, at one planned look."
    elif evidence.question.rule.planned_looks > 1:
        looks = "Looked at again and again, a part at the limit passes at some look in about half of programmes."
    else:
        looks = ""
    if reading.state == "shown":
        told = f"Shown to break less often than {limit} (probability {below})."
    else:
        more = "" if reading.failures == 0 else "further "
        missing = _amount(reading.missing, reading.unit, up=True)
        told = f"Not shown to break less often than {limit} (probability {below}): {missing} without a {more}failure are missing."
    return [told, looks] if looks else [told]


def _amount(value: float, unit: str, *, up: bool = False) -> str:
    """'1,180 laps', '1 lap'; small amounts with one decimal. `up` rounds up, for what is still missing."""
    whole = math.ceil(value - 1e-9) if up else round(value)
    if value < 10 and not up and value != whole:
        return f"{value:.1f} {unit}"
    return f"{whole:,} {unit[:-1] if whole == 1 else unit}"


def failure_strand(evidence: Evidence, readings: tuple[FailureReading, ...]) -> Strand:
    """The readings' sentences as one strand; failures have no improvement in points, so no estimates."""
    if not readings:
        return Strand("failures", "no_evidence", {}, {}, {}, "No use was noted, so nothing is known of failures.")
    told = dict.fromkeys(sentence for reading in readings for sentence in _sentences(reading, evidence))  # each once
    return Strand("failures", "evidence", {}, {}, {}, " ".join(told))
