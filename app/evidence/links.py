"""log P(lower < noise <= upper) and its first and second derivatives, for the links of a cumulative model.

Everything is computed on the log scale, so that a mark far from where the model expects it stays finite. Open ends are
passed as +-`FAR`, not as infinities: the derivatives there are then exactly 0 without special cases.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
FAR = 1e5  # beyond this many noise SDs nothing changes; squared it still fits a double with room


class Interval(NamedTuple):
    """All arrays have the shape of the bounds; d and h are first and second derivatives of `logp`."""

    logp: Array
    d_upper: Array
    d_lower: Array
    h_upper: Array
    h_lower: Array
    h_cross: Array


def probit(lower: Array, upper: Array) -> Interval:
    """Standard normal noise. lower < upper elementwise. Differences are taken in the tail where they are accurate."""
    from scipy.special import log_ndtr

    flip = lower + upper > 0.0
    low = np.where(flip, -upper, lower)
    high = np.where(flip, -lower, upper)
    log_high = log_ndtr(high)
    with np.errstate(under="ignore"):
        logp = log_high + _log1mexp(log_high - log_ndtr(low))
        half_log_2pi = 0.9189385332046727
        d_upper = np.exp(-0.5 * upper * upper - half_log_2pi - logp)
        d_lower = -np.exp(-0.5 * lower * lower - half_log_2pi - logp)
        return Interval(
            logp, d_upper, d_lower, -d_upper * (upper + d_upper), -d_lower * (lower + d_lower), -d_upper * d_lower
        )


def logit(lower: Array, upper: Array) -> Interval:
    """Standard logistic noise. lower < upper elementwise."""
    with np.errstate(under="ignore", over="ignore"):
        log_below, log_above = -np.logaddexp(0.0, -upper), -np.logaddexp(0.0, lower)
        logp = log_below + log_above + _log1mexp(upper - lower)
        log_f_upper = log_below - np.logaddexp(0.0, upper)
        log_f_lower = log_above - np.logaddexp(0.0, -lower)
        d_upper, d_lower = np.exp(log_f_upper - logp), -np.exp(log_f_lower - logp)
        slope_upper = -np.tanh(0.5 * upper)  # f'/f of the logistic density
        slope_lower = -np.tanh(0.5 * lower)
        return Interval(
            logp,
            d_upper,
            d_lower,
            d_upper * (slope_upper - d_upper),
            d_lower * (slope_lower - d_lower),
            -d_upper * d_lower,
        )


def cloglog(lower: Array, upper: Array) -> Interval:
    """Gumbel-minimum noise, F(x) = 1 - exp(-exp(x)). lower < upper elementwise. For reference fits only."""
    with np.errstate(under="ignore", over="ignore"):
        low, high = np.exp(np.minimum(lower, 700.0)), np.exp(np.minimum(upper, 700.0))
        logp = -low + _log1mexp(high - low)
        d_upper, d_lower = np.exp(upper - high - logp), -np.exp(lower - low - logp)
        return Interval(
            logp,
            d_upper,
            d_lower,
            d_upper * (1.0 - high - d_upper),
            d_lower * (1.0 - low - d_lower),
            -d_upper * d_lower,
        )


def loglog(lower: Array, upper: Array) -> Interval:
    """Gumbel-maximum noise, F(x) = exp(-exp(-x)): the mirror image of `cloglog`. For reference fits only."""
    mirror = cloglog(-upper, -lower)
    return Interval(mirror.logp, -mirror.d_lower, -mirror.d_upper, mirror.h_lower, mirror.h_upper, mirror.h_cross)


def _log1mexp(x: Array) -> Array:
    """log(1 - exp(-x)) for x > 0, accurate at both ends."""
    small = x < 0.6931471805599453
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(small, np.log(-np.expm1(-x)), np.log1p(-np.exp(-x)))


LINKS: dict[str, Callable[[Array, Array], Interval]] = {
    "logit": logit,
    "probit": probit,
    "cloglog": cloglog,
    "loglog": loglog,
}
