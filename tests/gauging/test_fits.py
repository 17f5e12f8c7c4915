"""Fits, stacks and expected effects. Outside: check values 14 to 17, 27, 28 (job's written facts), the F cases, closed forms."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.gauging import effects, iso286, stacks
from app.gauging.clearance import Feature, clearance, measured_play, play_angle


@pytest.mark.parametrize(("nominal", "least", "most"), [(3.0, 2, 18), (2.0, 2, 18), (4.0, 4, 24), (6.0, 4, 24)])
def test_h7_g6_of_small_sizes(nominal, least, most):
    """Check value 28: up to 3 mm 2 to 18 µm, over 3 to 6 mm 4 to 24; 3.0 falls in the first band."""
    hole, shaft = iso286.limits_of("H7", nominal, hole=True), iso286.limits_of("g6", nominal, hole=False)
    assert hole.lower_um - shaft.upper_um == least
    assert hole.upper_um - shaft.lower_um == most


def test_values_say_where_they_come_from():
    assert iso286.limits_of("H7", 4, hole=True).source == "ISO 286-2, read in a public table"
    assert iso286.limits_of("H7", 3, hole=True).source == "ISO 286-2, from memory"
    assert iso286.limits_of("g6", 4, hole=False).source == "ISO 286-2, from memory"


@pytest.mark.parametrize("grade", [5, 6, 7, 8, 9])
@pytest.mark.parametrize("place", [1, 2, 3, 4])
def test_every_grade_is_near_the_standards_formula(grade, place):
    """i = 0.45 D^(1/3) + 0.001 D; the standard rounds to whole µm and a little by hand."""
    assert iso286.GRADES[grade][place] == pytest.approx(iso286.formula_grade_um(grade, place), rel=0.08, abs=0.7)


@pytest.mark.parametrize(
    ("code", "nominal", "hole", "said"),
    [("H7", 40, True, "goes to 30 mm"), ("H7", 0, True, "goes to 30 mm"), ("g6", 4, True, "a hole has a capital one"),
     ("Z9", 4, True, "not in this table"), ("H17", 4, True, "not in this table"), ("seven", 4, True, "no code such as H7"),
     ("", 4, False, "no code such as g6")],
)  # fmt: skip
def test_a_code_that_is_not_here_is_refused_in_words(code, nominal, hole, said):
    with pytest.raises(iso286.UnknownCode, match=said):
        iso286.limits_of(code, nominal, hole=hole)


def test_play_becomes_an_angle():
    """Check value 27: 0.10 mm over 12 mm is 0.48°, over 10 mm 0.57°."""
    assert round(play_angle(0.10, 12), 2) == 0.48
    assert round(play_angle(0.10, 10), 2) == 0.57
    with pytest.raises(ValueError, match="above 0"):
        play_angle(0.1, 0)


def test_simulated_clearance_is_a_sum_of_even_spreads():
    """Variance of a uniform is width²/12; of equal widths the sum is triangular, so its extremes are reached by nothing."""
    found = clearance(Feature(4.0, 4.012), Feature(3.988, 4.0), seed=7)
    assert found.simulated_sd == pytest.approx(math.sqrt(2 * 0.012**2 / 12), rel=0.02)
    assert found.simulated_mean == pytest.approx(0.012, abs=1e-4)
    assert found.least < found.simulated_low < found.simulated_high < found.most
    assert clearance(Feature(4.0, 4.012), Feature(3.988, 4.0), seed=7) == found
    with pytest.raises(ValueError, match="smallest size"):
        clearance(Feature(2, 1), Feature(1, 1))


def test_a_transition_fit_says_how_often_it_interferes():
    """Two equal even spreads over the same sizes: half of the pairs interfere."""
    found = clearance(Feature(5.0, 5.01), Feature(5.0, 5.01))
    assert found.kind == "transition"
    assert found.interferes == pytest.approx(0.5, abs=0.02)


def test_play_of_two_measured_pieces():
    assert measured_play(3.012, 2.994, 0.003, 0.004) == (pytest.approx(0.018), pytest.approx(0.005))


@given(st.lists(st.tuples(st.sampled_from([-1, 1]), st.floats(0, 100), st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=6))
def test_a_stack_keeps_its_order(links):
    found = stacks.stack([stacks.Link("x", *link) for link in links], draws=400)
    slack = 1e-9
    assert found.worst_low - slack <= found.likely[0] <= found.mean <= found.likely[1] <= found.worst_high + slack
    assert found.worst_low - slack <= found.simulated_low <= found.simulated_high <= found.worst_high + slack
    assert 0 <= found.below_zero <= 1


def test_a_stack_without_sense_is_refused():
    with pytest.raises(ValueError, match="at least one part"):
        stacks.stack([])
    with pytest.raises(ValueError, match="housing"):
        stacks.stack([stacks.Link("housing", 1, 2.0, -0.1, 0.1)])


@pytest.mark.parametrize(("before", "after", "stiffness", "strength"), [(3, 4, 3.16, 2.37), (2.5, 3, 2.07, 1.73)])
def test_a_round_pin(before, after, stiffness, strength):
    """Check value 14."""
    assert tuple(round(f, 2) for f in effects.bar_factors(before, after)) == (stiffness, strength)


@pytest.mark.parametrize(("before", "after", "stiffness", "strength"), [(3, 3.5, 1.59, 1.36), (3.5, 4, 1.49, 1.31), (3, 4, 2.37, 1.78)])
def test_a_plate(before, after, stiffness, strength):
    """Check value 15."""
    assert tuple(round(f, 2) for f in effects.plate_factors(before, after)) == (stiffness, strength)


@pytest.mark.parametrize(("before", "after", "factor"), [(1.2, 1.3, 1.38), (1.2, 1.4, 1.85)])
def test_an_anti_roll_bar(before, after, factor):
    """Check value 16."""
    assert round(effects.bar_factors(before, after)[0], 2) == factor


def test_a_larger_coil_is_softer():
    """Check value 17: coil diameter 14 to 16, same wire and turns: 0.67."""
    assert round(effects.spring_factor((1.2, 1.2), (14, 16), (6, 6)), 2) == 0.67
    with pytest.raises(ValueError, match="above 0"):
        effects.spring_factor((0, 1), (1, 1), (1, 1))


def test_a_torsion_rig():
    """Check value 31: 0.5 N·m, 2.5° is 0.20 N·m/°, 1.8° is 0.28, 39 % more."""
    before, after = effects.flex(0.5, 2.5), effects.flex(0.5, 1.8)
    assert (round(before, 2), round(after, 2), round(100 * (after / before - 1))) == (0.20, 0.28, 39)


def test_ackermann_needs_an_angle():
    with pytest.raises(ValueError, match="between 0 and 90"):
        effects.outer_angle_deg(0, 160, 257)
