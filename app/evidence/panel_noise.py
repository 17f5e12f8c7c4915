"""What the panel has taught: noise of marks learned over the programme's other questions, with shrinkage.

With three drivers and three sessions the noise SDs of one question come mostly from their priors, but a programme has
many questions and the same drivers. Each other question's posterior of (sigma, driver x session, driver x variant,
session x variant), on the priors' standard-normal scale, is turned back into what its own data said and the sayings are
pooled. How far questions of one panel differ by themselves is `BETWEEN`. The SDs of the two interactions are never
learned smaller than their default before there are six questions and four drivers: that is the dangerous direction, in
which one driver's liking counts once per run. Source: precision-weighted pooling with a between-study variance,
DerSimonian & Laird (1986) idea, from memory; the limits are ours.
"""

from collections.abc import Sequence

import numpy as np

from app.evidence.layout import PRIORS, Priors
from app.evidence.rows import PanelNoise

BETWEEN = 0.5  # SD between questions of one panel, on the standard-normal scale
LEAST_SPREAD = 0.45  # of the learned prior: one panel's questions never pin a SD down completely
ENOUGH_QUESTIONS, ENOUGH_DRIVERS = 6, 4
Seen = tuple[tuple[float, ...], tuple[float, ...]]
"""(mean, SD) of the four noise SDs' posterior on the standard-normal scale; see `nested.RatingPosterior.z_mean`."""


def learn(seen: Sequence[Seen], drivers: int, priors: Priors = PRIORS) -> PanelNoise | None:
    """Priors for a question from the fits of others under the default priors; None where nothing was seen.

    seen : one per fitted attribute of the other questions;  drivers : how many different ones drove in them
    """
    pooled = [_pooled([(mean[k], sd[k]) for mean, sd in seen]) for k in range(4)]
    if not seen or all(spread >= 0.999 for _, spread in pooled):
        return None
    enough = len(seen) >= ENOUGH_QUESTIONS and drivers >= ENOUGH_DRIVERS
    return PanelNoise(
        log_noise=_log_normal(priors.log_noise, *pooled[0]),
        log_driver_session=_log_normal(priors.log_driver_session, *pooled[1]),
        half_driver_variant=_half_normal(priors.half_driver_variant, *pooled[2], enough=enough),
        half_session_variant=_half_normal(priors.half_session_variant, *pooled[3], enough=enough),
        questions=len(seen),
        drivers=drivers,
    )


def _pooled(seen: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean and spread on the standard-normal scale: N(0, 1) times each question's own saying."""
    precision, total = 1.0, 0.0
    for mean, sd in seen:
        own = 1.0 / max(sd, 0.05) ** 2 - 1.0  # what the data added to the prior
        if own <= 1e-6:
            continue
        said = mean * (own + 1.0) / own
        weight = 1.0 / (1.0 / own + BETWEEN**2)
        precision, total = precision + weight, total + weight * said
    spread = float(np.sqrt(1.0 / precision))
    return total / precision, max(spread, LEAST_SPREAD) if precision > 1.0 + 1e-9 else 1.0


def _log_normal(prior: tuple[float, float], mean: float, spread: float) -> tuple[float, float]:
    return round(float(prior[0] * np.exp(prior[1] * mean)), 4), round(prior[1] * spread, 4)


def _half_normal(scale: float, mean: float, spread: float, *, enough: bool) -> float:
    """The half-normal whose median is that of the learned SD; below the default only with enough to learn from."""
    from scipy.special import ndtr, ndtri

    learned = scale * float(ndtri(0.5 * (1.0 + ndtr(mean))) / ndtri(0.75))
    shrunk = scale + (learned - scale) * (1.0 - spread**2)
    return round(float(max(shrunk, 0.5 * scale) if enough else max(shrunk, scale)), 4)
