"""The cumulative-link mixed model with priors: a nested Laplace approximation over four noise SDs.

The latent scale is the rating scale itself, in marks, so margins need no translation. With noise e ~ N(0, sigma^2):

    y* = mu + beta_variant + driver + session + (driver, session) + gamma (hours - 0.5) + g + h + e
    a mark of category k means tau_(k-1) < y* <= tau_k; the middle threshold is pinned at the middle of the scale

g (driver x variant) and h (session x variant) keep a variant's gain from being counted once per run where it is one
opinion of one driver, or of one day. Given the four SDs z = (sigma, driver x session, g, h) the posterior is
log-concave, so Newton with step halving always arrives; the SDs are integrated over 16 + 32 fixed points, all in one
batch. Results are mixtures of normals: tail probabilities are exact sums, nothing is sampled.
Source: Rue, Martino & Chopin (2009) for the nesting (from memory); priors and point counts: ours, see `PRIORS`.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from app.evidence.fitted import Joint
from app.evidence.inputs import Scale
from app.evidence.layout import PRIORS, Layout, Priors, RatingRows, lay_out
from app.evidence.links import FAR, LINKS, Array, Interval
from app.evidence.mixture import Mixture
from app.evidence.points import shifted_sobol4

_FIRST, _SECOND = 16, 32
OUTLOOK_NOISE = 1.1  # a mark in whole steps tells a little less than its latent value; our default, from simulation
_MAX_NEWTON = 60


@dataclass(frozen=True, slots=True)
class RatingPosterior:
    """Posterior of differences against the control, in marks of the modelled value (a distance for 'ideal_zero').

    population : per rival, for a driver and a session like these;  panel : per rival, these drivers
    own        : [rival][driver], that driver's own effect;  between : {(i, j)} rival i minus rival j, i < j, population
    within     : {(rival, class)} population difference in that condition class;  depends : its part beyond the mean class
    z_mean, z_sd : (4,) posterior of the noise SDs on their standard-normal scale, for what the panel teaches
    joint      : the whole posterior, for asking what more runs would show (drivers are named by the caller)
    """

    population: tuple[Mixture, ...]
    panel: tuple[Mixture, ...]
    own: tuple[tuple[Mixture, ...], ...]
    between: dict[tuple[int, int], Mixture]
    within: dict[tuple[int, int], Mixture]
    depends: dict[tuple[int, int], Mixture]
    z_mean: Array
    z_sd: Array
    joint: Joint
    effective_points: float


def fit_ratings(
    rows: RatingRows,
    scale: Scale,
    *,
    priors: Priors = PRIORS,
    link: str = "probit",
    points: tuple[int, int] | None = None,
) -> RatingPosterior:
    """Posterior differences of every rival against the control; never NaN, whatever the rows (also with none).

    `points` = number of integration points in the two rounds; (16, 32) unless a test wants more.
    """
    first, second = points or (_FIRST, _SECOND)
    layout = lay_out(rows, scale, priors)
    uniform = fixed_points(first + second)
    z0 = np.zeros((1, 4))
    start, _, _ = _modes(layout, rows, scale, priors, link, z0, layout.mean[None, :])
    z1 = normal(uniform[:first])
    mode1, evidence1, hessian1 = _modes(layout, rows, scale, priors, link, z1, start)
    centre, spread = matched(z1, evidence1)
    z2 = centre + spread * normal(uniform[first:])
    mode2, evidence2, hessian2 = _modes(layout, rows, scale, priors, link, z2, start)
    z = np.vstack([z1, z2])
    log_prior = -0.5 * (z * z).sum(axis=1)
    log_second = -0.5 * (((z - centre) / spread) ** 2).sum(axis=1) - np.log(spread).sum()
    log_proposal = np.logaddexp(np.log(first) + log_prior, np.log(second) + log_second)
    log_weight = np.concatenate([evidence1, evidence2]) + log_prior - log_proposal
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    modes, hessians = np.vstack([mode1, mode2]), np.concatenate([hessian1, hessian2])
    return _summarise(layout, rows, scale, priors, z, weights, modes, hessians)


@lru_cache(maxsize=4)
def fixed_points(n: int) -> Array:
    points = shifted_sobol4(n)
    points.flags.writeable = False
    return points


def normal(uniform: Array) -> Array:
    from scipy.special import ndtri

    return ndtri(uniform)


def matched(z: Array, log_evidence: Array) -> tuple[Array, Array]:
    """Centre and spread of the second round: the first round's moments, never too narrow or too wide."""
    weights = np.exp(log_evidence - log_evidence.max())
    weights /= weights.sum()
    centre = weights @ z
    variance = np.clip(weights @ (z - centre) ** 2, 0.08, 1.2)
    return centre, 1.15 * np.sqrt(variance)


def _noise_sds(z: Array, r: float, priors: Priors, n_variants: int) -> tuple[Array, Array, Array, Array]:
    """(H,) each: sigma, driver x session, driver x variant, session x variant, in marks."""
    from scipy.special import ndtr

    noise = r * priors.log_noise[0] * np.exp(priors.log_noise[1] * z[:, 0])
    cell = r * priors.log_driver_session[0] * np.exp(priors.log_driver_session[1] * z[:, 1])
    half = normal(0.5 * (1.0 + np.clip(ndtr(z[:, 2:]), 1e-12, 1 - 1e-12)))
    share = (
        1.0 if n_variants == 2 else np.sqrt(0.5)
    )  # more variants: one deviation per level, so the difference has this SD
    by_driver = np.maximum(share * r * priors.half_driver_variant * half[:, 0], 1e-3 * r)
    by_session = np.maximum(share * r * priors.half_session_variant * half[:, 1], 1e-3 * r)
    return noise, cell, by_driver, by_session


def _curvatures(rows: Interval) -> Array:
    """(H, 6 n): second derivatives by upper², lower², upper x lower, upper x eta, lower x eta, eta²."""
    up, low, cross = rows.h_upper, rows.h_lower, rows.h_cross
    return np.concatenate([up, low, cross, -(up + cross), -(low + cross), up + 2.0 * cross + low], axis=1)


def _prior_precisions(layout: Layout, rows: RatingRows, scale: Scale, priors: Priors, z: Array) -> tuple[Array, Array]:
    """sigma (H,) and the precisions (H, P) of all coefficients but the thresholds."""
    r = scale.unit_r
    noise, cell, by_driver, by_session = _noise_sds(z, r, priors, rows.n_variants)
    mu = 1.5 * r if scale.kind == "ideal_zero" else priors.mu * r
    fixed = {"mu": mu, "beta": priors.beta * r, "driver": priors.driver * r, "session": priors.session * r}
    fixed["drift"] = priors.drift_per_hour * r
    fixed |= {f"kappa{level}": priors.condition * np.sqrt(0.5) * r for level in range(rows.n_conditions)}
    varying = {"cell": cell, "g": by_driver, "h": by_session}
    precision = np.empty((len(z), layout.x.shape[1]))
    for name, first, count in layout.kinds:
        sd = varying[name] if name in varying else np.full(len(z), fixed.get(name, priors.beta * r))
        precision[:, first : first + count] = (sd**-2.0)[:, None]
    return noise, precision


def _modes(
    layout: Layout, rows: RatingRows, scale: Scale, priors: Priors, link: str, z: Array, start: Array
) -> tuple[Array, Array, Array]:
    """At points z (H, 4): joint modes (H, S), log evidence (H,) up to a constant, negative Hessians (H, S, S)."""
    noise, precision = _prior_precisions(layout, rows, scale, priors, z)
    free, size, h = layout.upper.shape[1], len(layout.mean), len(z)
    prior = np.zeros((h, size, size))
    prior[:, :free, :free] = layout.precision
    diagonal = np.arange(free, size)
    prior[:, diagonal, diagonal] = precision
    values = np.broadcast_to(start, (h, size)).copy()
    log_post, interval = _log_posterior(layout, link, noise, prior, values)
    for _ in range(_MAX_NEWTON):
        hessian, gradient = _derivatives(layout, interval, noise, prior, values)
        step = np.linalg.solve(hessian, gradient[..., None])[..., 0]
        decrement = (step * gradient).sum(axis=1)
        if (decrement < 1e-10).all():
            break
        trial, trial_interval = _log_posterior(layout, link, noise, prior, values + step)
        while (worse := trial < log_post - 1e-9).any():
            step[worse] *= 0.5
            if np.abs(step[worse]).max() < 1e-12:
                break
            trial, trial_interval = _log_posterior(layout, link, noise, prior, values + step)
        gained = np.abs(trial - log_post).max()
        values, log_post, interval = values + step, trial, trial_interval
        if gained < 1e-12:  # rounding, not the model, now sets the limit
            break
    log_det = np.linalg.slogdet(hessian)[1]
    return values, log_post + 0.5 * np.log(precision).sum(axis=1) - 0.5 * log_det, hessian


def _log_posterior(layout: Layout, link: str, noise: Array, prior: Array, values: Array) -> tuple[Array, Interval]:
    """(H,) log posterior, -inf where the bounds of a used category would cross, and the rows' derivatives (H, n)."""
    free = layout.upper.shape[1]
    thresholds, coefficients = values[:, :free], values[:, free:]
    eta = coefficients @ layout.x.T
    upper = (layout.base_upper + thresholds @ layout.upper.T - eta) / noise[:, None]
    lower = (layout.base_lower + thresholds @ layout.lower.T - eta) / noise[:, None]
    upper[:, layout.open_upper] = FAR
    lower[:, layout.open_lower] = -FAR
    crossed = (upper <= lower).any(axis=1)  # of categories in use; an unused one may shrink to nothing
    upper[crossed], lower[crossed] = 1.0, -1.0
    interval = LINKS[link](lower, upper)
    off = values - layout.mean
    log_prior = -0.5 * (off * (prior @ off[..., None])[..., 0]).sum(axis=1)
    return np.where(crossed, -np.inf, interval.logp.sum(axis=1) + log_prior), interval


def _derivatives(layout: Layout, interval: Interval, noise: Array, prior: Array, values: Array) -> tuple[Array, Array]:
    """Negative Hessian (H, S, S) and gradient (H, S) of the log posterior."""
    inverse = 1.0 / noise[:, None]
    up, low = interval.d_upper * inverse, interval.d_lower * inverse
    gradient = np.concatenate([up @ layout.upper + low @ layout.lower, -(up + low) @ layout.x], axis=1)
    gradient -= (prior @ (values - layout.mean)[..., None])[..., 0]
    hessian = prior.copy()
    if len(layout.gather):
        parts = (_curvatures(interval)[:, layout.gather] * layout.coefficient) * (inverse * inverse)
        sums = np.add.reduceat(parts, layout.starts, axis=1)
        hessian[:, layout.target_row, layout.target_column] -= sums
        off = layout.target_row != layout.target_column
        hessian[:, layout.target_column[off], layout.target_row[off]] -= sums[:, off]
    return hessian, gradient


def _contrasts(layout: Layout, rows: RatingRows) -> tuple[list[tuple[str, int, int]], Array]:
    """Names and coefficient vectors (C, S) of every difference that is reported."""
    free, size = layout.upper.shape[1], len(layout.mean)
    first = {name: free + offset for name, offset, _ in layout.kinds}
    names: list[tuple[str, int, int]] = []
    vectors: list[Array] = []
    for rival in range(1, rows.n_variants):
        population = np.zeros(size)
        population[first["beta"] + rival - 1] = 1.0
        own = np.tile(population, (rows.n_drivers, 1))
        for driver in range(rows.n_drivers):
            if rows.n_variants == 2:
                own[driver, first["g"] + driver] = 1.0
            else:
                own[driver, first["g"] + driver * rows.n_variants + rival] = 1.0
                own[driver, first["g"] + driver * rows.n_variants] = -1.0
        names += [("population", rival, 0), ("panel", rival, 0)]
        vectors += [population, own.mean(axis=0) if rows.n_drivers else population]
        names += [("own", rival, driver) for driver in range(rows.n_drivers)]
        vectors += list(own)
        for other in range(rival + 1, rows.n_variants):
            between = population.copy()
            between[first["beta"] + other - 1] = -1.0
            names.append(("between", rival, other))
            vectors.append(between)
        for level, deviation in enumerate(_class_deviations(rows, first, rival, size)):
            names += [("within", rival, level), ("depends", rival, level)]
            vectors += [population + deviation, deviation]
    return names, np.array(vectors)


def _class_deviations(rows: RatingRows, first: dict[str, int], rival: int, size: int) -> list[Array]:
    """Per condition class, the coefficient vector of what a rival gains there beyond the mean class."""
    found = []
    for level in range(rows.n_conditions):
        vector = np.zeros(size)
        for other in range(rows.n_conditions):
            vector[first[f"kappa{other}"] + rival - 1] = (other == level) - 1.0 / rows.n_conditions
        found.append(vector)
    return found


def _joint(layout: Layout, rows: RatingRows, scale: Scale, priors: Priors, z: Array, weights: Array,
           modes: Array, hessians: Array) -> Joint:  # fmt: skip
    r = scale.unit_r
    noise, cell, _, by_session = _noise_sds(z, r, priors, rows.n_variants)
    session = np.full(len(z), priors.session * r)
    free = layout.upper.shape[1]
    first = {name: free + offset for name, offset, _ in layout.kinds}
    new_run = noise**2 * OUTLOOK_NOISE
    sign = 1.0 if scale.kind == "quality" else -1.0
    names = tuple(str(d) for d in range(rows.n_drivers))
    return Joint(weights, modes, hessians, sign, first, rows.n_variants, names, session, cell, by_session, new_run)


def _summarise(layout: Layout, rows: RatingRows, scale: Scale, priors: Priors, z: Array, weights: Array,
               modes: Array, hessians: Array) -> RatingPosterior:  # fmt: skip
    names, vectors = _contrasts(layout, rows)
    keep = weights > 1e-12  # points without weight need no solve
    z, weights, modes, hessians = z[keep], weights[keep] / weights[keep].sum(), modes[keep], hessians[keep]
    solved = np.linalg.solve(hessians, np.broadcast_to(vectors.T, (len(weights), *vectors.T.shape)))
    variances = np.maximum((vectors.T * solved).sum(axis=1), 1e-12)
    means = modes @ vectors.T
    found = {name: Mixture(weights, means[:, i], np.sqrt(variances[:, i])) for i, name in enumerate(names)}
    rivals = range(1, rows.n_variants)
    z_mean = weights @ z
    return RatingPosterior(
        population=tuple(found["population", rival, 0] for rival in rivals),
        panel=tuple(found["panel", rival, 0] for rival in rivals),
        own=tuple(tuple(found["own", rival, d] for d in range(rows.n_drivers)) for rival in rivals),
        between={(i - 1, j - 1): found["between", i, j] for i in rivals for j in rivals if i < j},
        within={(i - 1, c): found["within", i, c] for i in rivals for c in range(rows.n_conditions)},
        depends={(i - 1, c): found["depends", i, c] for i in rivals for c in range(rows.n_conditions)},
        z_mean=z_mean,
        z_sd=np.sqrt(weights @ (z - z_mean) ** 2),
        joint=_joint(layout, rows, scale, priors, z, weights, modes, hessians),
        effective_points=float(1.0 / (weights**2).sum()),
    )
