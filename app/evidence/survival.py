"""Lives of pieces, some of them not over yet: Weibull shape and scale, the Kaplan-Meier curve, the log-rank test.

Fits and curves are scipy's; ours are the errors it does not give (Wald on the log scale from the observed information;
Greenwood with log-log limits) and the fit of several groups with one shape. Amounts are in the caller's unit of use.
Sources: Meeker & Escobar (1998), Kalbfleisch & Prentice (1980), from memory; checked against R's survival package in
the reference cases.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.evidence.links import Array

_MOST_SHAPE = 1e4  # steeper than this, all pieces fail at the same amount and the shape means nothing


@dataclass(frozen=True, slots=True, eq=False)
class Weibull:
    """Maximum likelihood of P(life > t) = exp(-(t / scale)^shape); covariance (2, 2) of (ln shape, ln scale)."""

    n: int
    failures: int
    shape: float
    scale: float
    log_lik: float
    covariance: Array

    @property
    def mean(self) -> float:
        return self.scale * math.gamma(1.0 + 1.0 / self.shape)

    def shape_limits(self, confidence: float) -> tuple[float, float]:
        return _log_limits(math.log(self.shape), self.covariance[0, 0], confidence)

    def scale_limits(self, confidence: float) -> tuple[float, float]:
        return _log_limits(math.log(self.scale), self.covariance[1, 1], confidence)

    def life(self, share: float, confidence: float) -> tuple[float, float, float]:
        """By which amount a share has failed (B10: share .1), with its limits."""
        position = math.log(-math.log1p(-share))
        log_life = math.log(self.scale) + position / self.shape
        gradient = np.array([-position / self.shape, 1.0])
        return math.exp(log_life), *_log_limits(log_life, float(gradient @ self.covariance @ gradient), confidence)


def _log_limits(log_value: float, variance: float, confidence: float) -> tuple[float, float]:
    from scipy.special import ndtri

    half = float(ndtri(0.5 * (1.0 + confidence))) * math.sqrt(variance)
    return math.exp(log_value - half), math.exp(min(log_value + half, 700.0))


def fit_weibull(amounts: Sequence[float], failed: Sequence[bool]) -> Weibull | None:
    """Shape and scale; None with fewer than two failures, or where all fail at the largest amount seen (no finite shape)."""
    from scipy import optimize, stats

    t, d = np.asarray(amounts, dtype=float), np.asarray(failed, dtype=bool)
    if d.sum() < 2 or (t[d] == t.max()).all():
        return None
    unit = float(np.exp(np.log(t[d]).mean()))  # fit near 1 so that the unit of use changes nothing
    data = stats.CensoredData.right_censored(t / unit, ~d)

    def tight(f, start, args, disp):
        return optimize.fmin(f, start, args=args, disp=disp, xtol=1e-10, ftol=1e-14, maxiter=2000, maxfun=4000)

    shape, _, scale = stats.weibull_min.fit(data, 1.0, floc=0, scale=1.0, optimizer=tight)
    if not (math.isfinite(shape) and 0 < shape < _MOST_SHAPE and math.isfinite(scale)):
        return None
    w = shape * np.log(t / unit / scale)
    u = np.exp(w)
    log_lik = float((d * (math.log(shape) + w - np.log(t)) - u).sum())
    # second derivatives of the log-likelihood in (ln shape, ln scale)
    cross = -shape * ((d - u).sum() - (u * w).sum())
    information = -np.array([[((d - u) * w - u * w * w).sum(), cross], [cross, -(shape**2) * u.sum()]])
    return Weibull(len(t), int(d.sum()), float(shape), float(scale) * unit, log_lik, np.linalg.inv(information))


@dataclass(frozen=True, slots=True)
class SharedShape:
    """Two groups with one Weibull shape. log_life_ratio : ln(scale of the second / scale of the first);

    chi2 : likelihood ratio against one scale for both, 1 df
    """

    shape: float
    log_life_ratio: float
    se_log_life_ratio: float
    log_lik: float
    chi2: float


def fit_shared_shape(
    first: tuple[Sequence[float], Sequence[bool]], second: tuple[Sequence[float], Sequence[bool]]
) -> SharedShape | None:
    """None where a group has no failure or no finite shape exists. Each group is (amounts, failed)."""
    from scipy.optimize import brentq

    groups = [(np.asarray(t, dtype=float), np.asarray(d, dtype=bool)) for t, d in (first, second)]
    together = fit_weibull([*first[0], *second[0]], [*first[1], *second[1]])
    if together is None or any(not d.any() for _, d in groups):
        return None

    def slope(log_shape: float) -> float:
        """Derivative of the profile log-likelihood in the shape (each scale at its best), times the shape."""
        shape, total = math.exp(log_shape), 0.0
        for t, d in groups:
            power = np.exp(shape * np.log(t / t.max()))
            total += d.sum() / shape + np.log(t / t.max())[d].sum() - d.sum() * (power @ np.log(t / t.max())) / power.sum()
        return shape * total

    low, high = math.log(together.shape) - 3.0, math.log(together.shape) + 3.0
    if slope(low) <= 0 or slope(high) >= 0:
        return None
    shape = math.exp(brentq(slope, low, high, xtol=1e-13))
    log_scales, log_lik, information = _at_shape(groups, shape)
    covariance = np.linalg.inv(information)
    variance = covariance[1, 1] + covariance[2, 2] - 2.0 * covariance[1, 2]
    chi2 = 2.0 * (log_lik - together.log_lik)
    return SharedShape(shape, log_scales[1] - log_scales[0], math.sqrt(variance), log_lik, chi2)


def _at_shape(groups: Sequence[tuple[Array, Array]], shape: float) -> tuple[list[float], float, Array]:
    """Each group's best ln scale at one shape, the log-likelihood, and the information in (ln shape, ln scales)."""
    information, log_lik, log_scales = np.zeros((len(groups) + 1,) * 2), 0.0, []
    for g, (t, d) in enumerate(groups):
        log_scale = math.log(t.max()) + math.log(np.exp(shape * np.log(t / t.max())).sum() / d.sum()) / shape
        w = shape * (np.log(t) - log_scale)
        u = np.exp(w)
        log_lik += float((d * (math.log(shape) + w - np.log(t)) - u).sum())
        log_scales.append(log_scale)
        information[0, 0] -= ((d - u) * w - u * w * w).sum()
        information[0, g + 1] = information[g + 1, 0] = shape * ((d - u).sum() - (u * w).sum())
        information[g + 1, g + 1] = shape**2 * u.sum()
    return log_scales, log_lik, information


@dataclass(frozen=True, slots=True)
class Step:
    """The survival curve after the failures at one amount; limits None where the curve has reached 0."""

    amount: float
    at_risk: int
    failures: int
    share: float
    se: float
    low: float | None
    high: float | None


def kaplan_meier(amounts: Sequence[float], failed: Sequence[bool], confidence: float) -> tuple[Step, ...]:
    """One step per amount at which something failed: share still alive, Greenwood error, log-log limits."""
    from scipy import stats
    from scipy.special import ndtri

    t, d = np.asarray(amounts, dtype=float), np.asarray(failed, dtype=bool)
    if not d.any():
        return ()
    curve = stats.ecdf(stats.CensoredData.right_censored(t, ~d)).sf
    z = float(ndtri(0.5 * (1.0 + confidence)))
    steps, greenwood = [], 0.0
    for amount, value in zip(curve.quantiles, curve.probabilities, strict=True):
        events, at_risk = int((t[d] == amount).sum()), int((t >= amount).sum())
        if not events:
            continue
        share = min(1.0, max(0.0, float(value)))
        if at_risk == events:
            steps.append(Step(float(amount), at_risk, events, 0.0, 0.0, None, None))
            continue
        greenwood += events / (at_risk * (at_risk - events))
        half = z * math.sqrt(greenwood) / math.log(share)  # negative: share < 1
        limits = share ** math.exp(-half), share ** math.exp(half)
        steps.append(Step(float(amount), at_risk, events, share, share * math.sqrt(greenwood), *limits))
    return tuple(steps)


def median_life(steps: Sequence[Step]) -> tuple[float | None, float | None, float | None]:
    """The amount at which half have failed, with limits read off the curve's limits; None where it is not reached."""

    def reached(values: Sequence[float | None]) -> float | None:
        return next((s.amount for s, v in zip(steps, values, strict=True) if (v or 0.0) <= 0.5), None)

    return reached([s.share for s in steps]), reached([s.low for s in steps]), reached([s.high for s in steps])


@dataclass(frozen=True, slots=True)
class LogRank:
    """observed and expected failures of the two groups; chi2 with 1 df."""

    chi2: float
    p: float
    observed: tuple[int, int]
    expected: tuple[float, float]


def log_rank(
    first: tuple[Sequence[float], Sequence[bool]], second: tuple[Sequence[float], Sequence[bool]]
) -> LogRank | None:
    """Do two groups last equally long? Each group is (amounts, failed). None where nothing failed."""
    from scipy import stats

    (t1, d1), (t2, d2) = [(np.asarray(t, dtype=float), np.asarray(d, dtype=bool)) for t, d in (first, second)]
    if not (d1.any() or d2.any()):
        return None
    expected = [0.0, 0.0]
    for amount in np.unique([*t1[d1], *t2[d2]]):
        events = (t1[d1] == amount).sum() + (t2[d2] == amount).sum()
        at_risk = [(t1 >= amount).sum(), (t2 >= amount).sum()]
        for g in range(2):
            expected[g] += float(events * at_risk[g] / sum(at_risk))
    test = stats.logrank(stats.CensoredData.right_censored(t1, ~d1), stats.CensoredData.right_censored(t2, ~d2))
    chi2 = float(test.statistic) ** 2
    if not math.isfinite(chi2):  # no failure could have fallen to either group: nothing was tested
        return None
    return LogRank(chi2, float(test.pvalue), (int(d1.sum()), int(d2.sum())), (expected[0], expected[1]))
