"""Several readings of one characteristic of one piece: mean, spread, expanded uncertainty U, and where it falls.

u² = s²/n (the readings themselves) + resolution²/12 (a step of the display, evenly spread) + u_gauge² (from the gauge's
certificate); U = 2u. Source: GUM (JCGM 100), type A and type B evaluation, k = 2, from memory; the combination is the one
that reaches the figures of the project's own gauge example. With few readings k = 2 is a little short: five are asked for.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Literal

State = Literal["pass", "fail", "inconclusive", "information"]
ASKED_READINGS = 5  # common practice, no source
COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class Summary:
    """In the readings' unit. spread : sample SD, None of one reading; expanded : U = 2u."""

    n: int
    mean: float
    spread: float | None
    u_readings: float
    u_resolution: float
    u_gauge: float

    @property
    def expanded(self) -> float:
        return COVERAGE * math.sqrt(self.u_readings**2 + self.u_resolution**2 + self.u_gauge**2)

    @property
    def few(self) -> bool:
        return self.n < ASKED_READINGS

    @property
    def largest_part(self) -> str:
        """What makes up most of the uncertainty, in words."""
        parts = {"the readings' own spread": self.u_readings, "the gauge's resolution": self.u_resolution,
                 "the gauge's own uncertainty": self.u_gauge}  # fmt: skip
        return max(parts, key=lambda name: parts[name])


def summarise(values: Sequence[float], *, resolution: float = 0.0, gauge_u: float = 0.0) -> Summary:
    """resolution : smallest step of the display; gauge_u : the gauge's standard uncertainty. Raises ValueError without a value."""
    if not values:
        raise ValueError("`values` must hold at least one reading")
    if resolution < 0 or gauge_u < 0:
        raise ValueError(f"resolution and gauge uncertainty can't be negative, got {resolution} and {gauge_u}")
    n = len(values)
    spread = stdev(values) if n > 1 else None
    return Summary(n, fmean(values), spread, (spread or 0.0) / math.sqrt(n), resolution / math.sqrt(12), gauge_u)


def state_of(value: float, lower: float | None, upper: float | None, expanded: float | None) -> State:
    """Guard-banded: pass inside the limits drawn in by U, fail beyond the limits moved out by U. `information` without a limit."""
    if lower is None and upper is None:
        return "information"
    from app.evidence.readings import guarded_state

    return guarded_state(value, lower, upper, expanded)


def limit_words(lower: float | None, upper: float | None, unit: str = "") -> str:
    """“4.45 to 4.55 mm”, “at most 0.1 mm”, “no limit”."""
    tail = f" {unit}" if unit else ""
    if lower is not None and upper is not None:
        return f"{lower:g} to {upper:g}{tail}"
    if lower is not None:
        return f"at least {lower:g}{tail}"
    return f"at most {upper:g}{tail}" if upper is not None else "no limit"


def state_sentence(summary: Summary, lower: float | None, upper: float | None, unit: str, decimals: int) -> str:
    """“0.074 + 0.023 = 0.097 mm, at most 0.1: pass.”, the guard band said in figures."""
    state = state_of(summary.mean, lower, upper, summary.expanded)
    mean, u = f"{summary.mean:.{decimals}f}", f"{summary.expanded:.{decimals}f}"
    if state == "information":
        return f"{mean} ± {u} {unit}; no limit is set, so nothing can fail."
    nearest_upper = upper is not None and (lower is None or upper - summary.mean <= summary.mean - lower)
    outwards = nearest_upper != (state == "fail")  # a failure is shown by the end nearest to the limits: even that is outside
    moved = summary.mean + (summary.expanded if outwards else -summary.expanded)
    told = f"{mean} {'+' if outwards else '−'} {u} = {moved:.{decimals}f} {unit}, limits {limit_words(lower, upper)}: {state}."
    if state == "inconclusive":
        return f"{told} The limit lies within the uncertainty, most of which is {summary.largest_part}: gauge it again, or better."
    return told
