"""The likelihood, its integration and its special cases, each against a second, differently written answer.

The published reference fits are in `test_reference_cases.py`; here: numerical integration and differentiation (scipy),
scipy's own Sobol generator, and invariances.
"""

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import expit
from scipy.stats import qmc

from app.evidence.description import ModelDescription, code, natural_order
from app.evidence.inputs import EvidenceError
from app.evidence.links import FAR, LINKS
from app.evidence.ordinal import fit_ordinal
from app.evidence.points import shifted_sobol4, sobol4
from app.evidence.separation import separating_direction

CDF = {"logit": expit, "probit": stats.norm.cdf, "cloglog": stats.gumbel_l.cdf, "loglog": stats.gumbel_r.cdf}


def simulated(seed=3, drivers=4, runs=12):
    rng = np.random.default_rng(seed)
    driver = np.repeat(np.arange(drivers), runs)
    x = np.tile([0.0, 1.0], drivers * runs // 2)[:, None]
    latent = rng.normal(0, 1, drivers)[driver] + x[:, 0] + rng.logistic(size=len(driver))
    return np.clip(np.floor(latent + 2), 0, 4).astype(int), x, driver


@pytest.mark.parametrize("link", LINKS)
def test_interval_probabilities_and_derivatives(link):
    """Against scipy's distribution functions and central differences."""
    rng = np.random.default_rng(0)
    lower = rng.normal(0, 2, 200)
    upper = lower + rng.uniform(0.3, 3, 200)
    got = LINKS[link](lower, upper)
    assert np.exp(got.logp) == pytest.approx(CDF[link](upper) - CDF[link](lower), rel=1e-9)
    h = 1e-5
    up, down = LINKS[link](lower, upper + h), LINKS[link](lower, upper - h)
    assert got.d_upper == pytest.approx((up.logp - down.logp) / (2 * h), rel=1e-5, abs=1e-6)
    assert got.h_upper == pytest.approx((up.d_upper - down.d_upper) / (2 * h), rel=1e-4, abs=1e-5)
    assert got.h_cross == pytest.approx((up.d_lower - down.d_lower) / (2 * h), rel=1e-4, abs=1e-5)
    low, lowest = LINKS[link](lower + h, upper), LINKS[link](lower - h, upper)
    assert got.d_lower == pytest.approx((low.logp - lowest.logp) / (2 * h), rel=1e-5, abs=1e-6)
    assert got.h_lower == pytest.approx((low.d_lower - lowest.d_lower) / (2 * h), rel=1e-4, abs=1e-5)


@pytest.mark.parametrize("link", LINKS)
def test_far_tails_and_open_ends_stay_finite(link):
    got = LINKS[link](np.array([-FAR, 60.0, -61.0]), np.array([-60.0, FAR, -60.0]))
    assert np.isfinite(np.array(got)).all()
    assert (got.logp <= 0).all()
    assert got.d_lower[0] == got.d_upper[1] == 0.0


def log_likelihood_by_integration(y, x, driver, fit, link):
    """A slow reference: adaptive integration over each driver's effect, nothing shared with the code under test."""
    cuts = np.concatenate([[-np.inf], fit.thresholds, [np.inf]])
    total = 0.0
    for d in np.unique(driver):
        own = driver == d

        def joint(u, own=own):
            eta = x[own] @ fit.fixed + fit.re_sd[0] * u
            p = CDF[link](cuts[y[own] + 1] - eta) - CDF[link](cuts[y[own]] - eta)
            return np.prod(p) * stats.norm.pdf(u)

        total += np.log(integrate.quad(joint, -9, 9, epsabs=1e-14, epsrel=1e-10, limit=200)[0])
    return total


@pytest.mark.parametrize("link", LINKS)
def test_many_nodes_reach_the_exact_integral(link):
    y, x, driver = simulated()
    fit = fit_ordinal(y, x, [driver], link=link, nodes=15)
    assert fit.log_lik == pytest.approx(log_likelihood_by_integration(y, x, driver, fit, link), abs=1e-6)


def test_crossed_factors_with_nothing_in_one_equal_the_one_factor_fit():
    y, x, driver = simulated()
    nothing = np.zeros(len(y), dtype=int)
    one, two = fit_ordinal(y, x, [driver]), fit_ordinal(y, x, [driver, nothing])
    assert two.log_lik == pytest.approx(one.log_lik, abs=1e-4)
    assert two.fixed == pytest.approx(one.fixed, abs=1e-3)


def test_reversing_the_scale_changes_signs_only():
    y, x, driver = simulated()
    up, down = fit_ordinal(y, x, [driver]), fit_ordinal(y.max() - y, x, [driver])
    assert down.fixed == pytest.approx(-up.fixed, abs=1e-5)
    assert down.thresholds[::-1] == pytest.approx(-up.thresholds, abs=1e-5)
    assert down.re_sd == pytest.approx(up.re_sd, abs=1e-5)


@pytest.mark.parametrize("link", LINKS)
def test_a_column_in_other_units_changes_its_coefficient_only(link):
    """Minutes since start against hours, both moved by a constant: a shift goes into the thresholds, no more."""
    y, x, driver = simulated()
    minutes = np.random.default_rng(2).uniform(0, 240, len(y))
    a = fit_ordinal(y, np.column_stack([x, minutes]), [driver], link=link)
    b = fit_ordinal(y, np.column_stack([x, minutes / 60 + 5]), [driver], link=link)
    assert b.log_lik == pytest.approx(a.log_lik, abs=1e-7)
    assert b.fixed == pytest.approx(a.fixed * [1, 60], rel=1e-4, abs=1e-6)
    assert b.fixed_se == pytest.approx(a.fixed_se * [1, 60], rel=1e-4)
    assert b.thresholds == pytest.approx(a.thresholds + 5 * b.fixed[1], abs=1e-4)


@pytest.mark.parametrize(
    "y, x, separated, complete",
    [
        ([0, 0, 1, 1], [0, 0, 1, 1], True, True),
        ([0, 1, 1, 1], [0, 0, 1, 1], True, False),
        ([0, 1, 0, 1], [0, 0, 1, 1], False, False),
        ([0, 1, 2, 0, 1, 2], [0, 0, 0, 1, 1, 1], False, False),
        ([0, 1, 1, 2, 1, 2], [0, 0, 0, 1, 1, 1], True, False),  # 0 only without, 2 only with: beta and theta run off
    ],
)
def test_separation(y, x, separated, complete):
    """Albert & Anderson (1984), from memory: no overlap = complete, overlap on a boundary only = quasi-complete."""
    direction, strict = separating_direction(np.array(y), np.array(x, dtype=float)[:, None])
    assert (direction is not None, strict) == (separated, complete)


def test_a_separated_fit_reports_no_effect_that_looks_finite():
    fit = fit_ordinal([0, 0, 1, 1, 1, 1], np.array([[0.0], [0], [0], [1], [1], [1]]), [[0, 1, 0, 1, 0, 1]])
    assert fit.separated
    assert fit.diverging == (0,)
    assert fit.fixed.size == fit.fixed_se.size == 0


def test_an_aliased_column_is_dropped_and_named():
    y, x, driver = simulated()
    fit = fit_ordinal(y, np.column_stack([x, 1 - x, np.ones(len(y))]), [driver])
    assert fit.aliased == (1, 2)
    assert fit.fixed.shape == (1,)


@pytest.mark.parametrize("bad", [{"link": "cauchit"}, {"nodes": 5}, {"y": [0, 2, 2, 0]}, {"x": [[np.nan]] * 4}])
def test_what_the_fitter_refuses(bad):
    y, x, groups = bad.pop("y", [0, 1, 1, 0]), bad.pop("x", [[0.0], [1.0], [0.0], [1.0]]), []
    with pytest.raises(ValueError, match="`"):
        fit_ordinal(y, np.array(x), groups, **bad)


def test_natural_order_and_coding():
    assert natural_order(["S10", "S2", "10", "9"]) == ("9", "10", "S2", "S10")
    table = {"y": ["2", "10", "2"], "v": ["b10", "b2", "b9"], "t": ["1.5", "2", "0"], "d": ["x", "y", "x"]}
    coded = code(table, ModelDescription("y", ("v", "t", "v:t"), ("d", "d:v"), numeric=("t",)))
    assert coded.columns == ("vb9", "vb10", "t", "vb9:t", "vb10:t")
    assert coded.thresholds == ("2|10",)
    assert coded.levels[1] == ("x:b9", "x:b10", "y:b2")
    assert coded.x[0].tolist() == [0.0, 1.0, 1.5, 0.0, 1.5]
    with pytest.raises(EvidenceError, match="no such column"):
        code(table, ModelDescription("missing"))


def test_sobol_points_are_sobols():
    """Source: scipy.stats.qmc (Joe & Kuo direction numbers), unscrambled."""
    assert np.array_equal(sobol4(128), qmc.Sobol(4, scramble=False).random(128))
    moved = shifted_sobol4(48)
    assert ((moved > 0) & (moved < 1)).all()
