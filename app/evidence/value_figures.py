"""Closed forms for decisions: what perfect or further data are worth, and the probability that one is better than another."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.evidence.refusals import EvidenceError, positive


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def unit_normal_loss(z: float) -> float:
    """L(z) = phi(z) - z (1 - Phi(z)). Source: Raiffa & Schlaifer (1961), from memory."""
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) - z * _phi(-z)


@dataclass(frozen=True, slots=True)
class DataWorth:
    """Adopt pays the true gain, reject pays 0; all in units of the gain."""

    preposterior_sd: float
    posterior_sd: float
    evpi: float
    evsi: float
    p_prior_positive: float


def evsi_normal(prior_mean: float, prior_sd: float, sigma: float, n: int) -> DataWorth:
    """Worth of perfect data and of n more observations with SD sigma, prior and data normal. Source: Raiffa & Schlaifer."""
    positive("prior_sd", prior_sd)
    positive("sigma", sigma)
    positive("n", n)
    moved = prior_sd**2 / math.sqrt(prior_sd**2 + sigma**2 / n)
    return DataWorth(
        moved,
        math.sqrt(prior_sd**2 - moved**2),
        prior_sd * unit_normal_loss(abs(prior_mean) / prior_sd),
        moved * unit_normal_loss(abs(prior_mean) / moved),
        _phi(prior_mean / prior_sd),
    )


def best_sample(
    prior_mean: float, prior_sd: float, sigma: float, *, value: float, fixed: float, each: float, most: int = 1000
) -> tuple[int, float]:
    """The n in 1..most with the highest value x EVSI - fixed - each x n, and that net worth (0, 0.0 if never above 0)."""
    nets = [value * evsi_normal(prior_mean, prior_sd, sigma, n).evsi - fixed - each * n for n in range(1, most + 1)]
    best = max(range(len(nets)), key=nets.__getitem__)
    return (best + 1, nets[best]) if nets[best] > 0 else (0, 0.0)


def superior_normal(mean_1: float, sd_1: float, mean_0: float, sd_0: float) -> float:
    """P(first > second) of two normals."""
    return _phi((mean_1 - mean_0) / math.hypot(sd_1, sd_0))


def superior_weibull(shape: float, scale_1: float, scale_0: float) -> float:
    """P(first lasts longer) for lives of one common Weibull shape."""
    return scale_1**shape / (scale_1**shape + scale_0**shape)


def superior_beta(a_1: int, b_1: int, a_0: int, b_0: int) -> float:
    """P(first share > second) of two beta posteriors; a_1 must be a whole number (a finite sum)."""
    from scipy.special import betaln

    if a_1 != int(a_1) or a_1 < 1:
        raise EvidenceError("a_1", a_1, "The sum needs a whole number of at least 1.")
    i = np.arange(int(a_1))
    return float(np.exp(betaln(a_0 + i, b_1 + b_0) - np.log(b_1 + i) - betaln(1 + i, b_1) - betaln(a_0, b_0)).sum())


def rate_above(a_1: float, t_1: float, a_0: float, t_0: float, times: float = 1.0) -> float:
    """P(first rate > times x second) of gamma posteriors with shape a and rate t: a beta integral, G1 / (G1 + G0) ~ Beta."""
    from scipy.special import betaincc

    return float(betaincc(a_1, a_0, times * t_1 / (t_0 + times * t_1)))


def superior_marks(thresholds: Sequence[float], eta_1: float, eta_0: float) -> tuple[float, float]:
    """P(a mark of the first beats one of the second) in a cumulative-logit model: with ties halved, and strictly."""
    shares = [np.diff([0.0, *(1.0 / (1.0 + np.exp(eta - np.asarray(thresholds)))), 1.0]) for eta in (eta_1, eta_0)]
    below = np.concatenate([[0.0], np.cumsum(shares[1])[:-1]])
    strict = float(shares[0] @ below)
    return strict + 0.5 * float(shares[0] @ shares[1]), strict


def superior_latent(difference: float) -> tuple[float, float]:
    """P(first > second) for independent noise about a latent difference: logistic noise, and standard normal noise."""
    d = abs(difference)
    if d < 1e-4:  # series; the closed form divides 0 by 0
        logistic = 0.5 + d / 6.0
    else:
        gone = math.expm1(-d)  # the closed form with e^-d, so that it never overflows
        logistic = (-gone - d * math.exp(-d)) / gone**2
    logistic = logistic if difference >= 0 else 1.0 - logistic
    return logistic, _phi(difference / math.sqrt(2.0))


def vargha_delaney(first: Sequence[float], second: Sequence[float]) -> float:
    """Share of pairs in which the first is higher, ties halved. Source: Vargha & Delaney (2000), from memory."""
    x, y = np.asarray(first, dtype=float)[:, None], np.asarray(second, dtype=float)[None, :]
    return float(((x > y) + 0.5 * (x == y)).mean())
