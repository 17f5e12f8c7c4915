"""Rates, aims and plain words against closed forms and published intervals."""

import json

import pytest
from scipy.stats import binomtest

from app.trials import limits
from app.trials.report import Rate, percent, read_report
from app.trials.world import World
from tests.evidence.conftest import OWN_CASES
from tests.evidence.test_reference_cases import METHODS, method_key
from tests.trials.conftest import outcomes, result_file


@pytest.mark.parametrize(("k", "n", "low", "high"), [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611)])
def test_the_interval_is_wilsons(k, n, low, high):
    """Newcombe (1998), Statistics in Medicine 17, 857-872, table I, method 3, from memory; and scipy's binomtest."""
    computed = binomtest(k, n).proportion_ci(0.95, method="wilson")
    assert (Rate(k, n).low, Rate(k, n).high) == pytest.approx((computed.low, computed.high), abs=1e-6)
    assert Rate(k, n).low == pytest.approx(low, abs=5e-5)
    assert Rate(k, n).high == pytest.approx(high, abs=5e-5)


@pytest.mark.parametrize("n", [1, 12, 400])
def test_nothing_counted_is_not_nothing_possible(n):
    """Never a bound of zero width; mirror images of each other."""
    assert Rate(0, n).low == 0
    assert 0 < Rate(0, n).high == pytest.approx(1 - Rate(n, n).low)
    assert Rate(n, n).high == 1


def test_percent_tells_small_shares_apart():
    assert [percent(x) for x in (0.0, 0.0275, 0.05, 0.0999, 0.1, 0.478, 1.0)] == ["0", "2.8", "5", "10", "10", "48", "100"]


def test_an_aim_is_missed_only_beyond_the_error_of_its_own_n(tmp_path):
    """Equal parts, hoped for at most 5 %: 6 of 100 is within error, 15 of 100 is not (Wilson from 9.3 %)."""
    states = {}
    for adopted in (4, 6, 15):
        stored = read_report(result_file(tmp_path, {"equal-d3": outcomes(100, adopt=adopted)}))
        states[adopted] = stored.find("equal-d3").aims[0].state
    assert states == {4: "met", 6: "within error", 15: "missed"}


def test_a_decided_programme_stays_decided(tmp_path):
    stored = read_report(result_file(tmp_path, {"equal-d3": outcomes(10, adopt=2, reject=3, look=4)}))
    cell = stored.find("equal-d3")
    assert [r.k for r in cell.adopted] == [0, 2, 2]
    assert [r.k for r in cell.rejected] == [0, 3, 3]
    assert cell.retest == Rate(5, 10)


def test_flags_of_the_order_are_counted_over_the_looks_that_were_read(tmp_path):
    late, equal = outcomes(10), outcomes(10, reject=4)
    for outcome in late[:9]:
        outcome.flags = [[], *[["late_only"]] * 5]
    stored = read_report(result_file(tmp_path, {"late-d3": late, "equal-d3": equal}))
    assert stored.order_flags == (Rate(9, 10), Rate(0, 10))
    assert read_report(result_file(tmp_path, {"equal-d3": equal})).order_flags is None


def test_coverage_is_counted_against_the_truth(tmp_path):
    """Of two programmes, intervals -.5..+.5 hold a truth of 0 at each look; mean error is that of the means."""
    at = [{"handling": (0.1, -0.5, 0.5), "lap_time": (0.2, 0.1, 0.3)}] * 6
    stored = read_report(result_file(tmp_path, {"equal-d3": outcomes(2, intervals=at)}))
    shown = {(i.criterion, i.sessions): i for i in stored.intervals}
    assert shown["handling", 2].covered == Rate(2, 2)
    assert shown["lap time", 6].covered == Rate(0, 2)
    assert shown["handling", 4].bias == 0.1
    assert shown["handling", 4].width == 1.0


def test_a_reference_case_that_is_named_is_run_by_the_tests():
    """The page claims no more than `tests/evidence/test_reference_cases.py` computes and compares."""
    named = [case for reference in limits.REFERENCES for case in reference.cases]
    stored = {case: OWN_CASES / case / "expected.json" for case in named}
    assert [case for case, path in stored.items() if not path.exists()] == []
    assert [case for case, path in stored.items() if method_key(json.loads(path.read_text())) not in METHODS] == []
    assert len(set(named)) == len(named)


def test_every_setting_that_is_told_is_one_of_the_world():
    assert [name for name, _, _ in limits.SETTINGS if not hasattr(World(), name)] == []
