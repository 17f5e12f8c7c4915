"""Lap guard: which laps look like incidents, and what clean laps say about a difference. No database.

Sources: a lap above 1.10 x its run's median is proposed, a person confirms (our own rule); difference of two means with
Welch's interval, B. L. Welch (1947), Biometrika 34, 28-35, from memory; several drivers: the mean of their differences, one
voice each.
"""

import math
from collections.abc import Mapping, Sequence
from statistics import fmean, median, variance
from typing import NamedTuple

INCIDENT = "incident"
TIMES_MEDIAN = 1.10
Z95 = 1.959963984540054


class Proposal(NamedTuple):
    """A lap that looks like an incident. times : of its run's median."""

    lap_id: int
    number: int
    time_s: float
    times: float
    median_s: float


def propose_incidents(laps: Sequence[tuple[int, int, float, bool]]) -> list[Proposal]:
    """laps of one run : (id, number, seconds, open = nobody has said anything of it yet). Median of all laps of the run."""
    if not laps:
        return []
    middle = median(seconds for _, _, seconds, _ in laps)
    return [Proposal(lap_id, number, seconds, seconds / middle, middle) for lap_id, number, seconds, is_open in laps
            if is_open and seconds > TIMES_MEDIAN * middle]  # fmt: skip


def laps_in(total_s: float, lap_s: float) -> tuple[int, float]:
    """(laps, seconds) of a run of `total_s` at `lap_s` a lap when the lap under way at the end is completed: floor(T/t) + 1."""
    laps = math.floor(total_s / lap_s) + 1
    return laps, laps * lap_s


def standard_error(scatter_s: float, n: int) -> float:
    """Of a mean of n laps with lap-to-lap standard deviation `scatter_s`."""
    return scatter_s / math.sqrt(n)


def error_of_difference(scatter_s: float, n: int, m: int) -> float:
    return scatter_s * math.sqrt(1 / n + 1 / m)


class Difference(NamedTuple):
    """Test minus control in seconds a lap; - is faster. half_s : of the 95 % interval, None where too few laps tell it.

    raw_s : the same with the laps left in that were left out.
    """

    control_mean_s: float
    control_n: int
    test_mean_s: float
    test_n: int
    mean_s: float
    half_s: float | None
    raw_s: float

    @property
    def seen(self) -> bool:
        return self.half_s is not None and abs(self.mean_s) > self.half_s

    @property
    def worse(self) -> bool:
        """The whole interval is slower than the control."""
        return self.half_s is not None and self.mean_s - self.half_s > 0


def difference(control: Sequence[tuple[float, bool]], test: Sequence[tuple[float, bool]]) -> Difference | None:
    """Of clean-lap means, with Welch's 95 % interval; (seconds, kept) a lap. None without a clean lap on each side."""
    a, b = [s for s, kept in control if kept], [s for s, kept in test if kept]
    if not a or not b:
        return None
    mean_s = fmean(b) - fmean(a)
    raw = fmean(s for s, _ in test) - fmean(s for s, _ in control)
    return Difference(fmean(a), len(a), fmean(b), len(b), mean_s, _half_width(a, b), raw)


def _half_width(a: Sequence[float], b: Sequence[float]) -> float | None:
    if len(a) < 2 or len(b) < 2:
        return None
    from scipy.special import stdtrit

    u, v = variance(a) / len(a), variance(b) / len(b)
    if u + v == 0:
        return None
    freedom = (u + v) ** 2 / (u**2 / (len(a) - 1) + v**2 / (len(b) - 1))
    return float(stdtrit(freedom, 0.975)) * math.sqrt(u + v)


def of_drivers(differences: Mapping[str, Difference]) -> tuple[float, int] | None:
    """(mean of the drivers' differences, drivers): twelve laps of one driver are one voice."""
    return (fmean(d.mean_s for d in differences.values()), len(differences)) if differences else None
