"""The linear mixed model without priors; its published data sets are run by `test_reference_cases.py`.

Sources: analysis of variance of balanced groups and least squares (closed forms), scipy's multivariate normal density.
"""

import math

import numpy as np
import pytest
from scipy import stats

from app.evidence.linear_mixed import fit_linear
from tests.evidence.runners_laps import with_derived

GROUPS = np.repeat(np.arange(8), 5)


def balanced(seed=3, spread=1.5):
    rng = np.random.default_rng(seed)
    return 10.0 + spread * rng.standard_normal(8)[GROUPS] + rng.standard_normal(40)


def one(n=40):
    return np.ones((n, 1))


def test_balanced_groups_give_the_analysis_of_variance():
    """Textbook: residual^2 = MS within, between^2 = (MS between - MS within) / 5, se(mean)^2 = MS between / 40."""
    y = balanced()
    means = y.reshape(8, 5).mean(axis=1)
    within, between = ((y - means[GROUPS]) ** 2).sum() / 32, 5 * means.var(ddof=1)
    fit = fit_linear(y, one(), [GROUPS])
    assert fit.fixed[0] == pytest.approx(y.mean())
    assert fit.residual_sd**2 == pytest.approx(within, rel=1e-5)
    assert fit.re_sd[0][0] ** 2 == pytest.approx((between - within) / 5, rel=1e-5)
    assert fit.fixed_se[0] ** 2 == pytest.approx(between / 40, rel=1e-5)
    shrunk = (between - within) / between * (means - y.mean())
    assert fit.re_modes[0][:, 0] == pytest.approx(shrunk, rel=1e-4)


def crossed(seed=4):
    rng = np.random.default_rng(seed)
    a, b, t = rng.integers(0, 5, 60), rng.integers(0, 4, 60), rng.uniform(0, 3, 60)
    y = 3 + 0.5 * t + rng.normal(0, 1.2, 5)[a] + (0.6 * rng.normal(0, 1, 5))[a] * t + rng.normal(0, 0.8, 4)[b]
    return y + rng.normal(0, 0.7, 60), np.column_stack([np.ones(60), t]), a, b, t


def log_density(y, x, fixed, blocks, residual):
    """Source: scipy; the covariance is built from the model's definition, blocks (group, basis, covariance)."""
    whole = residual**2 * np.eye(len(y))
    for group, basis, covariance in blocks:
        whole += (group[:, None] == group[None, :]) * (basis @ covariance @ basis.T)
    return stats.multivariate_normal.logpdf(y, x @ fixed, whole), whole


@pytest.mark.parametrize("reml", [False, True])
def test_the_likelihood_and_its_peak(reml):
    y, x, a, b, t = crossed()
    fit = fit_linear(y, x, [a, b], slopes=[t, None], reml=reml)
    sloped = np.column_stack([np.ones(60), t])

    def log_lik(scale_a, slope, scale_b, residual):
        sd = fit.re_sd[0] * np.array([scale_a, slope])
        blocks = [(a, sloped, np.outer(sd, sd) * fit.re_cor[0]), (b, np.ones((60, 1)), np.array([[(scale_b * fit.re_sd[1][0]) ** 2]]))]
        value, whole = log_density(y, x, fit.fixed, blocks, residual * fit.residual_sd)
        if not reml:
            return value
        return value - 0.5 * np.linalg.slogdet(x.T @ np.linalg.solve(whole, x))[1] + 0.5 * x.shape[1] * math.log(2 * math.pi)

    peak = log_lik(1, 1, 1, 1)
    assert fit.log_lik == pytest.approx(peak, abs=1e-8)
    assert fit.criterion == pytest.approx(-2 * peak, abs=1e-7)
    for i in range(4):
        for factor in (0.97, 1.03):
            assert log_lik(*(factor if i == k else 1 for k in range(4))) < peak + 1e-9


def test_without_groups_it_is_least_squares():
    y, x, *_ = crossed()
    fit = fit_linear(y, x)
    line = stats.linregress(x[:, 1], y)
    assert (fit.fixed[1], fit.fixed_se[1]) == pytest.approx((line.slope, line.stderr))
    assert fit.t == pytest.approx(fit.fixed / fit.fixed_se)


def test_a_factor_without_spread_is_exactly_zero():
    y = np.tile([1.0, 2.0, 3.0, 4.0, 5.0], 8)  # all groups have one mean
    fit = fit_linear(y, one(), [GROUPS])
    assert fit.re_sd[0][0] == 0.0
    assert fit.singular
    assert fit.residual_sd == pytest.approx(y.std(ddof=1))
    assert not fit_linear(balanced(), one(), [GROUPS]).singular


def test_units_row_order_and_level_names():
    y, x, a, b, _ = crossed()
    fit = fit_linear(y, x, [a, b])
    order = np.random.default_rng(1).permutation(60)
    again = fit_linear(1000 * y[order], x[order], [4 - a[order], b[order]])
    assert again.fixed == pytest.approx(1000 * fit.fixed, rel=1e-4)
    assert again.re_sd[0] == pytest.approx(1000 * fit.re_sd[0], rel=1e-3)
    assert again.re_modes[0][::-1] == pytest.approx(1000 * fit.re_modes[0], rel=1e-3, abs=1e-2)


def test_an_interaction_is_a_factor_of_its_own():
    """Crossed intercepts with 'a:b' as a third factor: three SDs, and no worse a likelihood than without it."""
    y, x, a, b, _ = crossed()
    both = np.unique(a * 4 + b, return_inverse=True)[1]
    fit = fit_linear(y, x, [a, b, both], reml=False)
    assert len(fit.re_sd) == 3
    assert fit.log_lik >= fit_linear(y, x, [a, b], reml=False).log_lik - 1e-7


@pytest.mark.parametrize(
    "y, x, groups, told",
    [
        ([1.0, 2.0, np.nan], np.ones((3, 1)), [], "finite"),
        ([1.0, 2.0, 3.0], np.ones((3, 2)), [], "full rank"),
        ([1.0, 2.0, 3.0], np.eye(3), [], "fewer columns"),
        ([1.0, 2.0, 3.0], np.ones((3, 1)), [[0, 1]], "one level per row"),
    ],
)
def test_what_cannot_be_fitted_is_refused(y, x, groups, told):
    with pytest.raises(ValueError, match=told):
        fit_linear(y, x, groups)


def test_derived_columns():
    """By hand."""
    table = with_derived({"t": ["1", "20.0"], "lap": ["1", "4"]}, "y = log(t); lap0 = lap - 1; h = lap / 4")
    assert [float(v) for v in table["y"]] == pytest.approx([0.0, math.log(20)])
    assert ([float(v) for v in table["lap0"]], [float(v) for v in table["h"]]) == ([0.0, 3.0], [0.25, 1.0])
