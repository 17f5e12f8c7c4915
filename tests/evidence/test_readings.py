"""Gauge readings with guard bands. Source: the idea of JCGM 106 and ISO 14253-1, from memory; checked by arithmetic, and

the risk that the guard band is there to hold: with U = 2 sigma a part on the limit passes in 2.3 % (scipy's normal).
"""

import numpy as np
import pytest
from scipy import stats

from app.evidence.inputs import Evidence, Goal, Question, Rule
from app.evidence.readings import gauge_readings, guarded_state, reading_strand
from app.evidence.refusals import EvidenceError
from app.evidence.rows import PREFERENCE, Reading

QUESTION = Question("A", ("A", "B"), {}, Rule(goals=(Goal(PREFERENCE),)))


@pytest.mark.parametrize(
    "value, state",
    [
        (9.79, "fail"), (9.8, "inconclusive"), (9.9, "inconclusive"), (10.0, "inconclusive"), (10.1, "pass"), (11.0, "pass"),
        (11.9, "pass"), (11.95, "inconclusive"), (12.1, "inconclusive"), (12.11, "fail"),
    ],
)  # fmt: skip
def test_guard_band_on_both_sides(value, state):
    """Limits 9.9 to 12.0, U = 0.1: accepted from 10.0, so 10.0 passes; the rows near each border, by arithmetic."""
    lower, upper, u = (9.9, 12.0, 0.1)
    by_hand = "fail" if value < 9.8 - 1e-9 or value > 12.1 + 1e-9 else "pass" if 10.0 - 1e-9 <= value <= 11.9 + 1e-9 else "inconclusive"
    assert guarded_state(value, lower, upper, u) == by_hand
    if value != 10.0:
        assert by_hand == state


def test_on_the_borders_despite_rounding():
    assert guarded_state(0.3, 0.2, None, 0.1) == "pass"  # 0.3 - 0.2 is a hair below 0.1
    assert guarded_state(0.1 + 0.2, None, 0.3, None) == "pass"
    assert guarded_state(0.7 + 0.1, None, 0.7, 0.1) == "inconclusive"


@pytest.mark.parametrize("value, state", [(4.99, "pass"), (5.0, "pass"), (5.01, "fail")])
def test_no_uncertainty_is_simple_acceptance_and_says_so(value, state):
    (reading,) = gauge_readings(Evidence(QUESTION, readings=(Reading("A", "mass", value, "kg", upper=5.0),)))
    assert reading.state == state
    assert "no uncertainty is stated" in reading.sentence
    assert "at most 5 kg" in reading.sentence


def test_a_band_wider_than_the_limits_can_never_pass():
    assert {guarded_state(v, 1.0, 1.1, 0.1) for v in np.arange(0.5, 1.6, 0.01)} == {"fail", "inconclusive"}


def test_risk_of_accepting_a_part_on_the_limit():
    values = stats.norm(5.0, 0.05).ppf((np.arange(4000) + 0.5) / 4000)
    accepted = np.mean([guarded_state(v, None, 5.0, 0.1) == "pass" for v in values])
    assert accepted == pytest.approx(stats.norm.cdf(-2.0), abs=5e-4)


def test_rows_in_order_and_the_strand():
    rows = (
        Reading("B", "camber", -2.0, "°", -2.5, -1.5, 0.1, "p2"),
        Reading("B", "camber", -2.55, "°", -2.5, -1.5, 0.1, "p1"),
        Reading("A", "mass", 5.6, "kg", None, 5.0, 0.1),
        Reading("B", "length", 7.0, "mm"),
    )
    evidence = Evidence(QUESTION, readings=rows)
    readings = gauge_readings(evidence)
    assert [(r.variant, r.characteristic, r.piece, r.state) for r in readings] == [
        ("A", "mass", "", "fail"), ("B", "camber", "p1", "inconclusive"), ("B", "camber", "p2", "pass"), ("B", "length", "", "pass"),
    ]  # fmt: skip
    strand = reading_strand(evidence, readings)
    assert (strand.name, strand.state) == ("readings", "evidence")
    assert "A: 1 reading, 1 outside." in strand.sentence
    assert "B: 3 readings, 2 inside the limits and 1 inconclusive." in strand.sentence
    assert "the limits are taken as they are" in strand.sentence
    assert reading_strand(Evidence(QUESTION), ()).state == "no_evidence"


def test_readings_that_make_no_sense_are_refused():
    with pytest.raises(EvidenceError, match=r"reading\.value"):
        Evidence(QUESTION, readings=(Reading("A", "mass", float("nan")),))
    with pytest.raises(EvidenceError, match=r"reading\.lower"):
        Evidence(QUESTION, readings=(Reading("A", "mass", 1.0, lower=2.0, upper=1.0),))
