"""What does not fit, with the figures. Source: our scenarios 24 and 26, check value 34."""

import pytest

from app.planning.day import Hours
from app.planning.limits import runs_that_fit, too_much, tyres_apart, wanted_of
from tests.planning.days import day


def test_scenario_24_plan_too_big():
    """One car, 15 runs x 12 min = 180 min, available 150: 30 over, 12 fit, drops that keep every control."""
    found = too_much(day(cars=1))
    assert found is not None
    assert (found.runs, found.minutes, found.available, found.over, found.fit) == (15, 180, 150, 30, 12)
    assert found.sentence == (
        "15 runs x 12 min = 180 > 150 min: 30 min over. 12 fit; drop Q-00 v2 with AQ, DH and MS, keep every control: "
        "9 controls and 3 tests."
    )
    tests, with_controls, doubled = found.offers
    assert (tests.runs, len(tests.dropped)) == (12, 3)
    assert (with_controls.runs, len(with_controls.dropped)) == (11, 2)
    assert (doubled.runs, doubled.dropped) == (12, ())
    assert all(offer.minutes <= 150 for offer in found.offers)


def test_what_fits_is_not_refused():
    assert too_much(day(cars=3)) is None
    assert sum(w.runs() for w in wanted_of(day(cars=3))) == 15


@pytest.mark.parametrize(("booked", "fit"), [(240, 12), (89, 0), (90, 0), (102, 1), (330, 20)])
def test_runs_that_fit(booked, fit):
    """(booked - 45 - 20 - 15 - 10) / 12, by hand."""
    assert runs_that_fit(Hours(booked), 12) == fit


def test_nothing_fits_and_it_says_so():
    found = too_much(day(cars=1, booked=102))
    assert found is not None
    assert found.offers == ()
    assert found.sentence.endswith("1 fit, and no bracket closes in them.")


def test_scenario_26_tyres_not_matched():
    """Control on a set with 3 runs, test on one with 9, band 2."""
    assert tyres_apart(3, 9) == "Control on a set with 3 runs, test on a set with 9: more than 2 apart."
    assert tyres_apart(3, 5) == ""
    assert tyres_apart(None, 5) == ""
