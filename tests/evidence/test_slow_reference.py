"""The nested Laplace fit against a long Markov chain on the same model, written a second time from its definition.

The chain draws everything: latent marks, coefficients, thresholds, four SDs (data augmentation after Albert & Chib
1993, from memory; random-walk Metropolis for thresholds and SDs). It shares only the table of priors with the code.
"""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from app.evidence.inputs import Scale
from app.evidence.layout import PRIORS, RatingRows
from app.evidence.nested import fit_ratings


def small_programme(seed, effect, level=6.3):
    """3 drivers, 2 variants, 3 sessions, four runs each in ABBA or BAAB."""
    rng = np.random.default_rng(seed)
    cells = [(d, s, k) for s in range(3) for d in range(3) for k in range(4)]
    driver, session, slot = (np.array(column) for column in zip(*cells, strict=True))
    variant = np.array([[0, 1, 1, 0][k] if (d + s) % 2 == 0 else [1, 0, 0, 1][k] for d, s, k in cells])
    latent = level + effect * variant + rng.normal(0, 0.8, 3)[driver] + 0.2 * rng.normal(size=3)[driver] * variant
    y = np.clip(np.round(latent + rng.normal(0, 0.8, len(cells))), 1, 10).astype(np.int64) - 1
    return RatingRows(y, variant, driver, session, slot * 0.3, np.zeros((len(cells), 0)), 2, 3, 3)


def design_matrix(rows):
    """Columns mu, beta, drift, 3 drivers, 3 sessions, 9 cells, 3 g, 3 h; and which SD governs each column."""
    n = len(rows.y)
    half = rows.variant - 0.5
    columns, owner = [np.ones(n), rows.variant.astype(float), rows.hours - 0.5], ["mu", "beta", "drift"]
    for d in range(3):
        columns += [(rows.driver == d) * 1.0, (rows.driver == d) * half]
        owner += ["driver", "g"]
    for s in range(3):
        columns += [(rows.session == s) * 1.0, (rows.session == s) * half]
        owner += ["session", "h"]
    for d in range(3):
        columns += [((rows.driver == d) & (rows.session == s)) * 1.0 for s in range(3)]
        owner += ["cell"] * 3
    return np.column_stack(columns), np.array(owner)


def sds_of(z):
    """The four SDs at standard normal z, by the priors as written: two log-normal, two half-normal."""
    half = np.abs(ndtri(0.5 * (1 + np.clip(ndtr(z[2:]), 1e-9, 1 - 1e-9))))
    return {
        "noise": PRIORS.log_noise[0] * np.exp(PRIORS.log_noise[1] * z[0]),
        "cell": PRIORS.log_driver_session[0] * np.exp(PRIORS.log_driver_session[1] * z[1]),
        "g": PRIORS.half_driver_variant * half[0],
        "h": PRIORS.half_session_variant * half[1],
    }


def chain(rows, draws, seed):
    """Draws of beta, shape (draws,), after a tenth of them as warm-up."""
    rng = np.random.default_rng(seed)
    x, owner = design_matrix(rows)
    n, p = x.shape
    fixed = {"mu": PRIORS.mu, "beta": PRIORS.beta, "drift": PRIORS.drift_per_hour}
    fixed |= {"driver": PRIORS.driver, "session": PRIORS.session}
    mean = np.where(owner == "mu", 6.0, 0.0)
    z, spacing, coefficients = np.zeros(4), np.ones(8), mean.copy()

    def bounds(spacing):
        cuts = np.concatenate(
            [[-np.inf], 5.5 - np.cumsum(spacing[3::-1])[::-1], [5.5], 5.5 + np.cumsum(spacing[4:]), [np.inf]]
        )
        return cuts[rows.y], cuts[rows.y + 1]

    def log_chance(eta, noise, spacing):
        low, high = bounds(spacing)
        return np.log(np.maximum(ndtr((high - eta) / noise) - ndtr((low - eta) / noise), 1e-300)).sum()

    kept = np.empty(draws)
    for i in range(-draws // 10, draws):
        sds = sds_of(z)
        eta = x @ coefficients
        low, high = bounds(spacing)
        a, b = ndtr((low - eta) / sds["noise"]), ndtr((high - eta) / sds["noise"])
        latent = eta + sds["noise"] * ndtri(np.clip(a + rng.random(n) * (b - a), 1e-12, 1 - 1e-12))
        prior = np.array([fixed[o] if o in fixed else max(sds[o], 1e-3) for o in owner]) ** -2.0
        precision = x.T @ x / sds["noise"] ** 2 + np.diag(prior)
        factor = np.linalg.cholesky(precision)
        centre = np.linalg.solve(precision, x.T @ latent / sds["noise"] ** 2 + prior * mean)
        coefficients = centre + np.linalg.solve(factor.T, rng.standard_normal(p))
        eta = x @ coefficients
        current = log_chance(eta, sds["noise"], spacing)
        for block in range(4):  # two spacings at a time
            trial = spacing.copy()
            trial[2 * block : 2 * block + 2] += 0.25 * rng.standard_normal(2)
            if (trial <= 0).any():
                continue
            proposed = log_chance(eta, sds["noise"], trial)
            change = ((spacing - 1) ** 2 - (trial - 1) ** 2).sum() / (2 * PRIORS.spacing**2)
            if np.log(rng.random()) < proposed - current + change:
                spacing, current = trial, proposed
        for k, name in enumerate(("noise", "cell", "g", "h")):
            trial_z = z.copy()
            trial_z[k] += 0.9 * rng.standard_normal()
            old, new = max(sds[name], 1e-3), max(sds_of(trial_z)[name], 1e-3)
            if k == 0:
                gain = log_chance(eta, new, spacing) - current
            else:
                own = coefficients[owner == name]
                gain = len(own) * np.log(old / new) + (own @ own) * (old**-2 - new**-2) / 2
            if np.log(rng.random()) < gain + (z[k] ** 2 - trial_z[k] ** 2) / 2:
                z = trial_z
                sds = sds_of(z)
        if i >= 0:
            kept[i] = coefficients[1]
    return kept


@pytest.mark.parametrize(
    "seed, effect, level", [(1, 0.0, 6.3), (2, 1.0, 8.3)], ids=["equal", "one point, near the top"]
)
def test_against_a_long_chain(seed, effect, level):
    """|P - P(chain)| at most .04 each, .02 on average: our written goals are .04 and .015, the chain errs too."""
    rows = small_programme(seed, effect, level)
    fit = fit_ratings(rows, Scale()).population[0]
    draws = chain(rows, 12_000, seed=seed)
    assert fit.mean == pytest.approx(draws.mean(), abs=0.05)
    assert fit.sd == pytest.approx(draws.std(), rel=0.08)
    gaps = [abs(fit.p_above(at) - (draws > at).mean()) for at in (-0.5, 0.0, 0.5)]
    assert max(gaps) <= 0.04
    assert sum(gaps) / 3 <= 0.02
