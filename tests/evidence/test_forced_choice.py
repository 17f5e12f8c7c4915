"""Forced choices against the tables of least correct answers and a reference library's exact binomial test."""

from fractions import Fraction

import pytest
from scipy.stats import binomtest

from app.evidence import forced_choice as choice


@pytest.mark.parametrize(("trials", "least"), zip((5, 6, 7, 8, 9, 10, 12), (4, 5, 5, 6, 6, 7, 8), strict=True))
def test_triangle_least_correct(trials, least):
    """Check value 10: binomial with chance 1/3 at 5 %."""
    assert choice.least_right(trials, choice.TRIANGLE) == least


@pytest.mark.parametrize(("trials", "least"), zip((5, 6, 7, 8, 10), (5, 6, 7, 7, 9), strict=True))
def test_paired_one_sided(trials, least):
    """Check value 11."""
    assert choice.least_right(trials, choice.PAIR) == least


@pytest.mark.parametrize(("trials", "least"), zip((6, 7, 8, 10), (6, 7, 8, 9), strict=True))
def test_paired_two_sided(trials, least):
    """Check value 11."""
    assert choice.least_right(trials, choice.PAIR, sides=2) == least


@pytest.mark.parametrize(("drivers", "best"), [(3, 0.125), (4, 0.0625)])
def test_three_or_four_drivers_prove_nothing_by_pairs(drivers, best):
    """Check value 12."""
    assert choice.tail(drivers, drivers, choice.PAIR) == best
    assert choice.least_right(drivers, choice.PAIR) is choice.least_right(drivers, choice.PAIR, sides=2) is None
    shown = choice.paired(drivers, drivers, variant="t45", asked="steers more", sides=1)
    assert not shown.shown
    assert f"With {drivers} trials no answer can reach 5 %" in shown.sentence


def test_five_of_six_is_felt_and_four_of_six_is_not_shown():
    """Scenario 31."""
    felt, not_shown = choice.triangle(5, 6), choice.triangle(4, 6)
    assert felt.p == pytest.approx(13 / 729)
    assert "P = 0.018: difference can be felt" in felt.sentence
    assert not_shown.p == pytest.approx(73 / 729)
    assert "P = 0.10: a difference is not shown" in not_shown.sentence
    assert "no difference" not in not_shown.sentence


def test_nine_of_twelve_guesses_among_three():
    """Scenario 30."""
    assert choice.guess_test(9, 12, 3) == pytest.approx(0.0039, abs=0.0001)
    assert choice.guess_test(0, 0, 3) is None


@pytest.mark.parametrize("trials", [1, 2, 5, 11, 30])
def test_every_count_against_the_reference_library(trials):
    """scipy.stats.binomtest, exact."""
    for right in range(trials + 1):
        for chance in (Fraction(1, 2), Fraction(1, 3), Fraction(1, 4)):
            expected = binomtest(right, trials, float(chance), alternative="greater").pvalue
            assert choice.tail(right, trials, chance) == pytest.approx(expected)
        assert choice.two_sided(right, trials) == pytest.approx(binomtest(right, trials, 0.5).pvalue)


@pytest.mark.parametrize(
    ("right", "trials", "chance"), [(4, 3, Fraction(1, 3)), (-1, 3, Fraction(1, 3)), (1, 3, Fraction(1)), (1, 3, Fraction(0))]
)
def test_impossible_counts_are_refused(right, trials, chance):
    with pytest.raises(ValueError, match=r"can't be|is none"):
        choice.tail(right, trials, chance)


def test_no_trial_shows_nothing():
    assert choice.triangle(0, 0).sentence == choice.paired(0, 0, variant="t45", asked="x", sides=2).sentence == "No trial was answered."
