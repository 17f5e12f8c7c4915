"""Lap times to one robust value per run: the first stage of the lap model.

    y = 100 ln(time) = a_run + c1 [lap 1] + c2 [lap 2] + f (lap - 4) + e,    e ~ s t_4

so that a run's value is its level at lap 4, in percent. A spoiled lap that nobody flagged has a heavy tail to fall into
instead of pulling its run. Times that differ from the session's usual lap by more than a factor e are no laps at all.
c1, c2 and f have weak priors (normal, in percent), so that runs of two laps are not extrapolated wildly; s has a prior
worth one lap, so that equal times do not claim certainty. Cost is linear in laps: run levels are profiled out.
Sources: EM weights (v + 1) / (v + (e/s)^2) of the t likelihood, Lange, Little & Taylor (1989), JASA 84, 881-896, and its
information (v + 1) / (v + 3) per lap, both from memory; priors and the factor: our defaults, no source.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from app.evidence.inputs import Evidence
from app.evidence.links import Array, IntArray
from app.evidence.rows import Lap

FREEDOM = 4.0  # of the t errors
INFORMATION = (FREEDOM + 1.0) / (FREEDOM + 3.0)  # of one lap about its run, in units of 1/s^2
EFFECT_SDS = (5.0, 3.0, 0.3)  # percent: first lap, second lap, fade per lap
USUAL_SCALE, LEAST_SCALE = 0.7, 1e-3  # percent: the prior's s, worth one lap; and what s never falls below
FAR_OFF = 4.0  # scales above its run: a spoiled lap
NO_LAP = 100.0  # percent on the log scale: further than that from the session's usual lap is not a lap
MOST_P, LEAST_GAP = 0.05, 0.05  # a spoiled-lap rate differs: two-sided p below, and shares at least this far apart
_PASSES = 30
ALL_FLAGGED, NO_USABLE, UNPAIRED = "all laps flagged", "no usable lap", "unpaired"


@dataclass(frozen=True, slots=True)
class RunValue:
    """One run: `value` is 100 ln(seconds) at lap 4 with standard error `se`, both in percent.

    laps  : laps it rests on;  hours : session's start to run's start, None = not known
    """

    driver: str
    session: str
    run: str
    variant: str
    value: float
    se: float
    laps: int
    hours: float | None
    condition: str | None = None
    others: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class RobustFit:
    """values (R,) at lap 4; effects (3,): first lap, second lap, fade per lap; scale s; residuals (n,). In percent."""

    values: Array
    effects: Array
    scale: float
    residuals: Array


@dataclass(frozen=True, slots=True, eq=False)
class LapValues:
    """Every run value that enters the second stage, and what did not.

    left_out : runs by reason;  flagged : flagged laps per variant in runs that were not spoiled
    tallies  : (driver, session, variant) -> (laps flagged or far off, laps), where that driver drove two variants
    """

    runs: tuple[RunValue, ...]
    left_out: Mapping[str, int]
    flagged: Mapping[str, int]
    tallies: Mapping[tuple[str, str, str], tuple[int, int]]
    scale: float


def run_values(evidence: Evidence) -> LapValues:
    """Robust values of all runs that can be compared; empty when there are none. Never NaN."""
    left_out: Counter[str] = Counter()
    runs = []
    for _, group in groupby(evidence.laps, key=lambda lap: (lap.driver, lap.session, lap.run)):
        laps = list(group)
        reasons = {reason for lap in laps for reason in lap.spoiled}
        if reasons:
            left_out[min(reasons)] += 1
        else:
            runs.append(laps)
    driven = _variants_driven(laps[0] for laps in runs)
    in_play = [laps for laps in runs if len(driven[laps[0].driver, laps[0].session]) > 1]
    for laps in runs:
        if len(driven[laps[0].driver, laps[0].session]) == 1:
            left_out[ALL_FLAGGED if all(lap.flag for lap in laps) else UNPAIRED] += 1
    found, tallies, scale = _values(in_play, _clocks(evidence), left_out)
    paired = _variants_driven(found)
    kept = tuple(value for value in found if len(paired[value.driver, value.session]) > 1)
    left_out[UNPAIRED] += len(found) - len(kept)
    flagged = Counter(laps[0].variant for laps in runs for lap in laps if lap.flag)
    return LapValues(kept, {reason: n for reason, n in sorted(left_out.items()) if n}, flagged, tallies, scale)


def _variants_driven(rows: Iterable[Lap | RunValue]) -> dict[tuple[str, str], set[str]]:
    found: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    for row in rows:
        found[row.driver, row.session].add(row.variant)
    return found


def _clocks(evidence: Evidence) -> dict[tuple[str, str, str], float]:
    """Hours to the run's start as its slips know it, for runs whose laps carry no clock."""
    return {(m.driver, m.session, m.run): m.clock_min / 60.0 for m in evidence.marks if m.clock_min is not None}


def _values(
    runs: Sequence[Sequence[Lap]], clocks: Mapping[tuple[str, str, str], float], left_out: Counter[str]
) -> tuple[list[RunValue], dict[tuple[str, str, str], tuple[int, int]], float]:
    """Values of the runs with a usable lap, the tallies of spoiled laps, and s; counts the others in `left_out`."""
    laps = [lap for run in runs for lap in run]
    number = np.repeat(np.arange(len(runs)), [len(run) for run in runs])
    y = 100.0 * np.log(np.array([lap.time_s for lap in laps], dtype=float))
    flagged = np.array([bool(lap.flag) for lap in laps], dtype=bool)
    off = np.zeros(len(laps))
    off[~flagged] = _from_usual(y[~flagged], [lap.session for lap in laps if not lap.flag])
    usable = ~flagged & (np.abs(off) <= NO_LAP)
    count = np.bincount(number[usable], minlength=len(runs))
    position = np.cumsum(count > 0) - 1
    counted = np.array([lap.lap for lap in laps], dtype=float)
    fit = robust_fit(y[usable], position[number[usable]], counted[usable])
    spoiled = flagged | (off > NO_LAP)
    spoiled[usable] = fit.residuals > FAR_OFF * fit.scale
    tallies: dict[tuple[str, str, str], tuple[int, int]] = {}
    found = []
    bad = np.bincount(number, spoiled, len(runs)).astype(int)
    for i, run in enumerate(runs):
        first = run[0]
        key = (first.driver, first.session, first.variant)
        before = tallies.get(key, (0, 0))
        tallies[key] = (before[0] + int(bad[i]), before[1] + len(run))
        if not count[i]:
            left_out[ALL_FLAGGED if all(lap.flag for lap in run) else NO_USABLE] += 1
            continue
        se = fit.scale / math.sqrt(count[i] * INFORMATION)
        hours = _hours(run, clocks)
        seat = (first.driver, first.session, first.run, first.variant)
        level = float(fit.values[position[i]])
        found.append(RunValue(*seat, level, se, int(count[i]), hours, first.condition, tuple(sorted(first.others))))
    return found, tallies, fit.scale


def _from_usual(y: Array, sessions: Sequence[str]) -> Array:
    """(n,) distance of each lap from its session's median, the faster of two middle ones."""
    if not len(y):
        return y
    names, number = np.unique(np.array(sessions), return_inverse=True)
    return y - _lower_medians(y, number, len(names))[number]


def _lower_medians(y: Array, group: IntArray, n_groups: int) -> Array:
    """(G,) medians; of two middle values the lower, since spoiled laps are slow. Every group must have a row."""
    order = np.lexsort((y, group))
    sizes = np.bincount(group, minlength=n_groups)
    return y[order][np.cumsum(sizes) - sizes + (sizes - 1) // 2]


def _hours(run: Sequence[Lap], clocks: Mapping[tuple[str, str, str], float]) -> float | None:
    """The start of the first lap with a clock, flagged or not; else what the slips say; else None."""
    for lap in run:
        if lap.clock_s is not None:
            return lap.clock_s / 3600.0
    return clocks.get((run[0].driver, run[0].session, run[0].run))


def robust_fit(y: Array, run: IntArray, lap: Array) -> RobustFit:
    """The first stage by iteratively reweighted least squares, at most 30 passes.

    y (n,) in percent on the log scale;  run (n,) codes 0..R-1, each used;  lap (n,) lap numbers from 1
    """
    n_runs = int(run.max(initial=-1)) + 1
    x = np.column_stack([lap == 1, lap == 2, lap - 4.0]).astype(float)
    effects, scale = np.zeros(3), USUAL_SCALE
    values = _lower_medians(y, run, n_runs) if n_runs else np.zeros(0)
    residuals = y - values[run]
    freedom = max(len(y) - n_runs - 3, 0) + 1.0
    if len(y) > n_runs:
        scale = max(USUAL_SCALE, 1.4826 * float(np.median(np.abs(residuals))))
    for _ in range(_PASSES if n_runs else 0):
        weight = (FREEDOM + 1.0) / (FREEDOM + (residuals / scale) ** 2)
        total = np.bincount(run, weight)
        means = np.column_stack([np.bincount(run, weight * column) / total for column in (*x.T, y)])
        inner, level = x - means[run, :3], y - means[run, 3]
        weighted = inner * weight[:, None]
        prior = np.diag(scale**2 / np.square(EFFECT_SDS))
        effects = np.linalg.solve(weighted.T @ inner + prior, weighted.T @ level)
        before, values = values, means[:, 3] - means[:, :3] @ effects
        residuals = level - inner @ effects
        last, squares = scale, float(weight @ residuals**2)
        scale = max(LEAST_SCALE, math.sqrt((squares + USUAL_SCALE**2) / freedom))
        if max(np.abs(values - before).max(), abs(scale - last)) < 1e-9:
            break
    return RobustFit(values, effects, scale, residuals)


def spoiled_test(found: LapValues, rival: str, control: str) -> tuple[float, float, float, bool]:
    """Shares of laps flagged or far off, rival and control, where a driver drove both; Fisher's two-sided p; differs?"""
    bad, laps = [0, 0], [0, 0]
    for driver, session, variant in found.tallies:
        if variant == rival and (driver, session, control) in found.tallies:
            for side, name in enumerate((rival, control)):
                spoiled, total = found.tallies[driver, session, name]
                bad[side] += spoiled
                laps[side] += total
    if not all(laps):
        return 0.0, 0.0, 1.0, False
    share, share_control = bad[0] / laps[0], bad[1] / laps[1]
    p = fisher_two_sided(bad[0], laps[0], bad[1], laps[1])
    return share, share_control, p, p < MOST_P and abs(share - share_control) >= LEAST_GAP - 1e-12


def fisher_two_sided(bad_a: int, laps_a: int, bad_b: int, laps_b: int) -> float:
    """Fisher's exact p that two shares differ: all tables with the same margins that are no likelier than this one."""
    from scipy.special import gammaln

    def log_choose(n: int, k: Array) -> Array:
        return gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0)

    bad = bad_a + bad_b
    k = np.arange(max(0, bad - laps_b), min(bad, laps_a) + 1, dtype=float)
    log_p = log_choose(laps_a, k) + log_choose(laps_b, bad - k)
    chance = np.exp(log_p - log_p.max())
    here = chance[int(bad_a - k[0])]
    return float(min(1.0, chance[chance <= here * (1.0 + 1e-7)].sum() / chance.sum()))
