"""Mean, spread, U and the guard band. Outside: acceptance scenario 36 (our written figures); GUM by hand; check values 26 to 33."""

import math
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.gauging.readings import limit_words, state_of, state_sentence, summarise
from app.gauging.standing import Judged, failed_for

PLAY = [0.06, 0.08, 0.07, 0.07, 0.09]


def test_the_gauge_verdict_of_scenario_36():
    """Mean 0.074, U 0.023, 0.097 <= 0.10: pass. u² = .0114²/5 + .01²/12 + .01²; leaving out the resolution gives 0.022."""
    found = summarise(PLAY, resolution=0.01, gauge_u=0.010)
    assert found.n == 5
    assert round(found.mean, 3) == 0.074
    assert round(found.expanded, 3) == 0.023
    assert round(found.mean + found.expanded, 3) == 0.097
    assert state_of(found.mean, None, 0.10, found.expanded) == "pass"
    assert state_sentence(found, None, 0.10, "mm", 3) == "0.074 + 0.023 = 0.097 mm, limits at most 0.1: pass."


def test_the_same_with_a_hundredth_more_is_inconclusive_and_not_pass():
    found = summarise([value + 0.01 for value in PLAY], resolution=0.01, gauge_u=0.010)
    assert round(found.mean + found.expanded, 3) == 0.107
    assert state_of(found.mean, None, 0.10, found.expanded) == "inconclusive"
    told = state_sentence(found, None, 0.10, "mm", 3)
    assert told.startswith("0.084 + 0.023 = 0.107 mm, limits at most 0.1: inconclusive. The limit lies within the uncertainty, ")
    assert "most of which is the gauge's own uncertainty" in told


def test_the_parts_of_the_uncertainty_by_hand():
    """GUM: s/sqrt(n), resolution/sqrt(12), and the certificate's u, added in squares; k = 2."""
    found = summarise([1.0, 2.0, 3.0], resolution=math.sqrt(12), gauge_u=2.0)
    assert found.u_readings == pytest.approx(1 / math.sqrt(3))
    assert found.expanded == pytest.approx(2 * math.sqrt(1 / 3 + 1 + 4))
    one = summarise([4.32], resolution=0.01, gauge_u=0.005)
    assert one.spread is None
    assert one.few
    assert one.expanded == pytest.approx(2 * math.hypot(0.01 / math.sqrt(12), 0.005))


def test_what_can_be_no_reading_is_refused():
    with pytest.raises(ValueError, match="at least one reading"):
        summarise([])
    with pytest.raises(ValueError, match="can't be negative"):
        summarise([1.0], resolution=-1)


@given(st.lists(st.floats(0, 10), min_size=1, max_size=9), st.floats(0, 1), st.floats(0, 1), st.floats(0, 10), st.floats(0.001, 5))
def test_more_uncertainty_never_turns_a_state_into_its_opposite(values, resolution, u, lower, width):
    sharp, vague = summarise(values), summarise(values, resolution=resolution, gauge_u=u)
    states = [state_of(found.mean, lower, lower + width, found.expanded) for found in (sharp, vague)]
    assert vague.expanded >= sharp.expanded
    assert sorted(states) != ["fail", "pass"]


def test_limits_in_words():
    assert limit_words(4.45, 4.55, "mm") == "4.45 to 4.55 mm"
    assert limit_words(None, 0.1) == "at most 0.1"
    assert limit_words(2, None) == "at least 2"
    assert limit_words(None, None) == "no limit"
    assert state_of(1.0, None, None, 0.1) == "information"
    assert "nothing can fail" in state_sentence(summarise([1.0]), None, None, "g", 1)


# --- which runs a failed reading spoils
def at(hour):
    return datetime(2026, 2, 3, hour, tzinfo=UTC)


def judged(hour, state, name="thickness"):
    return Judged(at(hour), hour, name, state, f"{name} {state}")


@pytest.mark.parametrize(
    ("readings", "driven", "spoiled"),
    [
        ([(18, "fail")], 10, True),  # scenario 35: measured afterwards, never before
        ([(9, "pass"), (18, "fail")], 10, True),  # it went out at an unknown moment between
        ([(9, "pass"), (12, "pass"), (18, "fail")], 10, False),  # it was right after that run
        ([(9, "fail"), (18, "pass")], 10, True),
        ([(9, "fail"), (9.5, "pass")], 10, False),
        ([(9, "pass"), (18, "inconclusive")], 10, False),
        ([(9, "inconclusive"), (18, "fail")], 10, True),
        ([(18, "information")], 10, False),
        ([], 10, False),
    ],
)
def test_a_run_is_spoiled_by_the_decisive_readings_around_it(readings, driven, spoiled):
    sets = [Judged(at(0) + timedelta(hours=h), n, "t", state, "") for n, (h, state) in enumerate(readings)]
    assert bool(failed_for(sets, at(driven))) == spoiled


def test_every_characteristic_is_looked_at_by_itself():
    sets = [judged(9, "pass"), judged(18, "pass"), judged(18, "fail", "play")]
    assert [one.characteristic for one in failed_for(sets, at(10))] == ["play"]
    assert len(failed_for([judged(9, "pass"), judged(18, "fail")], None)) == 1
