"""Capability with its interval. Outside: the NIST case (F-cpk-nist-616), scipy's distributions, simulation of known processes."""

import numpy as np
import pytest
from scipy.stats import nct

from app.gauging.capability import capability, cp_interval, indices, one_sided_interval


def test_five_pieces_say_hardly_anything():
    """Never a bare Cpk on five pieces: an estimate of 1.4 is anything from .4 to 2.4."""
    found = capability([4.49, 4.50, 4.51, 4.50, 4.52], lower=4.45, upper=4.55)
    assert found.few
    assert found.low < 1 < found.high
    assert "95 % interval" in found.words
    assert "n = 5" in found.words
    assert "too few pieces" in found.words


def test_the_interval_of_cp_is_the_chi_squared_one():
    """NIST 6.1.6: Cp sqrt(chi2 / (n − 1)); for n = 30 the factors are .743 and 1.256 by table of chi-squared."""
    low, high = cp_interval(1.0, 30)
    assert low == pytest.approx((16.047 / 29) ** 0.5, abs=1e-4)
    assert high == pytest.approx((45.722 / 29) ** 0.5, abs=1e-4)


@pytest.mark.parametrize(("n", "cpk"), [(5, 0.8), (12, 1.33), (50, 1.0)])
def test_the_one_sided_interval_inverts_the_noncentral_t(n, cpk):
    low, high = one_sided_interval(cpk, n)
    assert nct.cdf(3 * n**0.5 * cpk, n - 1, 3 * n**0.5 * low) == pytest.approx(0.975, abs=1e-6)
    assert nct.cdf(3 * n**0.5 * cpk, n - 1, 3 * n**0.5 * high) == pytest.approx(0.025, abs=1e-6)


@pytest.mark.parametrize("limits", [(None, 13.0), (7.0, 13.0)])
def test_the_interval_covers_a_known_process(limits):
    """1,000 batches of 12 from N(10, 1), true Cpk 1: 95 % of intervals hold it, within their Monte-Carlo error."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(1000):
        found = capability(list(rng.normal(10, 1, 12)), lower=limits[0], upper=limits[1])
        held += found.low <= 1.0 <= found.high
    assert 0.92 <= held / 1000 <= 0.985


def test_words_for_a_good_and_a_bad_process():
    rng = np.random.default_rng(1)
    assert "capable" in capability(list(rng.normal(0, 1, 100)), lower=-6, upper=6).words
    assert "does not hold" in capability(list(rng.normal(0, 1, 100)), lower=-1, upper=1).words


@pytest.mark.parametrize(
    ("values", "more", "said"),
    [([1.0], {"lower": 0.0, "upper": 2.0}, "at least two"), ([1.0, 1.0], {"lower": 0.0, "upper": 2.0}, "spread must be above 0"),
     ([1.0, 2.0], {"lower": None, "upper": None}, "a limit is needed"), ([1.0, 2.0], {"lower": 2.0, "upper": 1.0}, "not below")],
)  # fmt: skip
def test_what_can_not_be_answered_is_refused(values, more, said):
    with pytest.raises(ValueError, match=said):
        capability(values, **more)


def test_one_limit_has_no_cp():
    found = indices(9.0, 1.0, lower=None, upper=12.0)
    assert (found.cp, found.cpl, found.cpk, found.fraction_below) == (None, None, 1.0, 0.0)
