"""Coarse alarms on few programmes of rated questions; the full measurement is the campaign's, told on the trust page.

Bounds: the goals we set ourselves, common practice, no source. Each test allows what binomial error can do with its own
n at one false alarm in 200 (exact, Clopper & Pearson 1934), so a rule that is a little off passes and a broken one can't.
"""

import pytest
from scipy.stats import binom

from app.trials.cells import all_cells
from app.trials.reading import read_programme

N = 40


@pytest.fixture(scope="module")
def adopted():
    """Cell -> programmes of N adopted within six sessions, seed 11 (not the campaign's)."""
    cells = all_cells()
    return {name: sum(read_programme(cells[name], 11, i).looks[-1][0] == "adopt" for i in range(N))
            for name in ("rated-equal-d3", "rated-better1-d3")}  # fmt: skip


def test_equal_parts_are_seldom_adopted(adopted):
    """At most 5 % in truth: with n = 40 an alarm from 7 on."""
    assert binom.sf(adopted["rated-equal-d3"] - 1, N, 0.05) >= 0.005, adopted


def test_a_gain_of_a_point_is_mostly_found(adopted):
    """At least 58 % in truth (fewer musts than the goal's own question, so rather more): an alarm below 16 of 40."""
    assert binom.cdf(adopted["rated-better1-d3"], N, 0.58) >= 0.005, adopted
