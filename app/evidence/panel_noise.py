"""What the panel has taught: noise of marks learned over the programme's other questions, with shrinkage.

With three drivers and three sessions the noise SDs of one question come mostly from their priors, but a programme has
many questions and the same drivers. Each other question's posterior of (sigma, driver x session, driver x variant,
session x variant), on its priors' standard-normal scale, is turned back into what its own data said and the sayings are
pooled on the scale of the default priors. How far questions of one panel differ by themselves is `BETWEEN`. The SDs of
the two interactions are never learned smaller than their default: that is the dangerous direction, in which one driver's
liking counts once per run. (Learned smaller from six questions of four drivers on, a quiet panel adopted a gain of one
point in 98 instead of 94 % of programmes by four sessions, and equal parts in 7 instead of 4 % by six; 160 each.)
Source: precision-weighted pooling with a between-study variance, DerSimonian & Laird (1986) idea, from memory.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from app.evidence.findings import NoiseSeen
from app.evidence.layout import PRIORS, Priors
from app.evidence.rows import PanelNoise

BETWEEN = 0.5  # SD between questions of one panel, on the standard-normal scale
LEAST_SPREAD = 0.45  # of the learned prior: one panel's questions never pin a SD down completely
_FAR = 6.0  # standard normals further out than this say no more


def learn(others: Sequence[NoiseSeen], priors: Priors = PRIORS) -> PanelNoise | None:
    """Priors for a question from what the fits of others saw, one entry a question; None where they saw nothing."""
    told = [entry for entry in others if entry.seen]
    drivers = len({driver for entry in told for driver in entry.drivers})
    pooled = [_pooled([saying for entry in told for saying in _sayings(entry, k, priors)]) for k in range(4)]
    if all(spread >= 0.999 for _, spread in pooled):
        return None
    return PanelNoise(
        log_noise=_log_normal(priors.log_noise, *pooled[0]),
        log_driver_session=_log_normal(priors.log_driver_session, *pooled[1]),
        half_driver_variant=_half_normal(priors.half_driver_variant, *pooled[2]),
        half_session_variant=_half_normal(priors.half_session_variant, *pooled[3]),
        questions=len(told),
        drivers=drivers,
    )


def _sayings(entry: NoiseSeen, k: int, priors: Priors) -> Iterator[tuple[float, float]]:
    """(value, precision) of what each attribute's own marks said of SD number k, on the default prior's standard scale."""
    for mean, sd in entry.seen:
        precision = 1.0 / max(sd[k], 0.05) ** 2 - 1.0  # what the marks added to the prior
        if precision > 1e-6:
            said = mean[k] * (precision + 1.0) / precision
            yield _on_default(entry.used, k, said, precision, priors)


def _on_default(used: PanelNoise | None, k: int, said: float, precision: float, priors: Priors) -> tuple[float, float]:
    """The same saying where the fit stood on learned priors: its SD put back on the default prior's standard scale."""
    if used is None:
        return said, precision
    if k < 2:
        (centre, spread), (own_centre, own_spread) = (
            ((priors.log_noise, used.log_noise), (priors.log_driver_session, used.log_driver_session))[k]
        )
        moved = (np.log(own_centre / centre) + own_spread * said) / spread
        return float(moved), precision * (spread / own_spread) ** 2
    scale = (used.half_driver_variant / priors.half_driver_variant, used.half_session_variant / priors.half_session_variant)[k - 2]
    return _of_half(scale * _half(said)), precision  # a half-normal of another scale: the precision is taken as it is


def _pooled(sayings: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean and spread on the standard-normal scale: N(0, 1) times each question's own saying."""
    precision, total = 1.0, 0.0
    for said, own in sayings:
        weight = 1.0 / (1.0 / own + BETWEEN**2)
        precision, total = precision + weight, total + weight * said
    spread = float(np.sqrt(1.0 / precision))
    return total / precision, max(spread, LEAST_SPREAD) if precision > 1.0 + 1e-9 else 1.0


def _half(z: float) -> float:
    """A standard normal as a half-normal of scale 1, quantile for quantile."""
    from scipy.special import ndtr, ndtri

    return float(ndtri(0.5 * (1.0 + np.clip(ndtr(z), 1e-12, 1 - 1e-12))))


def _of_half(value: float) -> float:
    """The inverse of `_half`."""
    from scipy.special import ndtr, ndtri

    return float(np.clip(ndtri(2.0 * ndtr(value) - 1.0), -_FAR, _FAR))


def _log_normal(prior: tuple[float, float], mean: float, spread: float) -> tuple[float, float]:
    return round(float(prior[0] * np.exp(prior[1] * mean)), 4), round(prior[1] * spread, 4)


def _half_normal(scale: float, mean: float, spread: float) -> float:
    """The half-normal whose median is that of the learned SD, shrunk towards the default and never below it."""
    learned = scale * _half(mean) / _half(0.0)
    return round(float(max(scale + (learned - scale) * (1.0 - spread**2), scale)), 4)
