"""A batch of pieces against its limits: Cp, Cpk and their intervals. Never an index without its interval.

Cp: exact, by chi-squared. One limit: exact, by the noncentral t. Two limits: Cpk ± z sqrt(1/(9n) + Cpk²/(2(n − 1))).
Source: NIST/SEMATECH e-Handbook of Statistical Methods 6.1.6; the noncentral t for one limit from memory. All of it takes
pieces drawn at random from one process that is steady and roughly normal; a handful can't show that.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

ENOUGH_PIECES = 30  # common practice, no source
GOOD = 1.33  # common practice


@dataclass(frozen=True, slots=True)
class Indices:
    """Of a mean and an SD alone, as if they were the process itself; None where a limit is missing."""

    cp: float | None
    cpk: float
    cpu: float | None
    cpl: float | None
    k: float | None
    cpm: float | None
    fraction_below: float
    fraction_above: float


def indices(mean: float, s: float, *, lower: float | None, upper: float | None, target: float | None = None) -> Indices:
    """mean, s, limits and target in one unit. Raises ValueError for s not positive, or no limit, or limits crossed."""
    if s <= 0:
        raise ValueError(f"the spread must be above 0, got {s}")
    if lower is None and upper is None:
        raise ValueError("a limit is needed")
    if lower is not None and upper is not None and lower >= upper:
        raise ValueError(f"the lower limit {lower} is not below the upper limit {upper}")
    cpu = (upper - mean) / (3 * s) if upper is not None else None
    cpl = (mean - lower) / (3 * s) if lower is not None else None
    cp = k = cpm = None
    if lower is not None and upper is not None:
        middle, half = (upper + lower) / 2, (upper - lower) / 2
        cp, k = half / (3 * s), abs(middle - mean) / half
        if target is not None:
            cpm = half / (3 * math.sqrt(s**2 + (mean - target) ** 2))
    return Indices(cp, min(c for c in (cpu, cpl) if c is not None), cpu, cpl, k, cpm, 0.0 if cpl is None else _tail(3 * cpl),
                   0.0 if cpu is None else _tail(3 * cpu))  # fmt: skip


def _tail(z: float) -> float:
    return math.erfc(z / math.sqrt(2)) / 2


@dataclass(frozen=True, slots=True)
class Capability:
    """A batch. low, high : the 95 % interval of Cpk; cp_low, cp_high : of Cp, None with one limit."""

    n: int
    mean: float
    s: float
    of: Indices
    low: float
    high: float
    cp_low: float | None
    cp_high: float | None

    @property
    def few(self) -> bool:
        return self.n < ENOUGH_PIECES

    @property
    def words(self) -> str:
        """What may be said of the process that made them."""
        told = f"Cpk {self.of.cpk:.2f}, 95 % interval {self.low:.2f} to {self.high:.2f}, n = {self.n}.".replace("-", "−")
        if self.low >= GOOD:
            return f"{told} Even its lower end is at {GOOD} or above: capable, as far as {self.n} pieces can say."
        if self.high < 1:
            return f"{told} Even its upper end is below 1: the process does not hold these limits."
        return f"{told} That leaves open whether the process holds these limits{': too few pieces' if self.few else ''}."


def capability(values: Sequence[float], *, lower: float | None, upper: float | None, target: float | None = None) -> Capability:
    """One value a piece. Raises ValueError for fewer than two pieces or pieces without any spread."""
    if len(values) < 2:
        raise ValueError("at least two pieces are needed: one has no spread")
    n, mean, s = len(values), fmean(values), stdev(values)
    of = indices(mean, s, lower=lower, upper=upper, target=target)
    low, high = _cpk_interval(of, n)
    cp_low, cp_high = (None, None) if of.cp is None else cp_interval(of.cp, n)
    return Capability(n, mean, s, of, low, high, cp_low, cp_high)


def cp_interval(cp: float, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact: (n − 1) s²/σ² is chi-squared."""
    from scipy.stats import chi2

    tail = (1 - level) / 2
    return cp * math.sqrt(chi2.ppf(tail, n - 1) / (n - 1)), cp * math.sqrt(chi2.ppf(1 - tail, n - 1) / (n - 1))


def _cpk_interval(of: Indices, n: int, level: float = 0.95) -> tuple[float, float]:
    if of.cp is None:
        return one_sided_interval(of.cpk, n, level)
    from scipy.stats import norm

    reach = norm.ppf((1 + level) / 2) * math.sqrt(1 / (9 * n) + of.cpk**2 / (2 * (n - 1)))
    return of.cpk - reach, of.cpk + reach


def one_sided_interval(cpk: float, n: int, level: float = 0.95) -> tuple[float, float]:
    """With one limit: 3 sqrt(n) Cpk is noncentral t with n − 1 degrees of freedom, so its interval is exact."""
    from scipy.optimize import brentq
    from scipy.stats import nct

    t, tail = 3 * math.sqrt(n) * cpk, (1 - level) / 2

    def end(share: float) -> float:
        reach = 40 + 4 * abs(t)
        return float(brentq(lambda shift: nct.cdf(t, n - 1, shift) - share, -reach, reach)) / (3 * math.sqrt(n))

    return end(1 - tail), end(tail)
