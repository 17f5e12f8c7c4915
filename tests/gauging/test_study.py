"""Gauge studies. Outside: F-grr-aiag-10x3x3 by the reference runner; here a second way to the sums, and simulated gauges."""

import numpy as np
import pytest

from app.gauging.study import Trial, can_see, crossed_study, what_is_missing


def simulated(seed=3, *, gauge=0.1, operator=0.0, piece=1.0, shape=(3, 10, 3)):
    rng = np.random.default_rng(seed)
    of_operator, of_piece = rng.normal(0, operator, shape[0]), rng.normal(5, piece, shape[1])
    return [Trial(f"O{a}", f"#{b}", str(k), float(of_operator[a] + of_piece[b] + rng.normal(0, gauge)))
            for a in range(shape[0]) for b in range(shape[1]) for k in range(shape[2])]  # fmt: skip


def test_sums_of_squares_by_least_squares_on_dummies():
    """A second implementation: residual sums of nested regressions."""
    trials = simulated(operator=0.3)
    found = crossed_study(trials)
    y = np.array([t.value for t in trials])

    def dummies(key):
        names = sorted({key(t) for t in trials})
        return np.array([[key(t) == name for name in names] for t in trials], float)

    def left(*blocks):
        x = np.hstack([np.ones((len(y), 1)), *blocks])
        return float(((y - x @ np.linalg.lstsq(x, y, rcond=None)[0]) ** 2).sum())

    a, b, ab = dummies(lambda t: t.operator), dummies(lambda t: t.piece), dummies(lambda t: (t.operator, t.piece))
    assert found.ss["operator"] == pytest.approx(left() - left(a))
    assert found.ss["piece"] == pytest.approx(left() - left(b))
    assert found.ss["interaction"] == pytest.approx(left(a, b) - left(ab))
    assert found.ss["repeatability"] == pytest.approx(left(ab))


def test_a_simulated_gauge_is_found_again():
    """Mean over 60 studies: repeat SD .1, operators' SD .2, pieces' SD 1."""
    studies = [crossed_study(simulated(seed, gauge=0.1, operator=0.2)).full for seed in range(60)]
    assert np.mean([s.repeatability for s in studies]) == pytest.approx(0.01, rel=0.1)
    assert np.mean([s.operator for s in studies]) == pytest.approx(0.04, rel=0.5)
    assert np.mean([s.piece for s in studies]) == pytest.approx(1.0, rel=0.3)


@pytest.mark.parametrize(
    ("gauge", "word", "begins"),
    [(0.01, "yes", "Yes, this gauge can see that limit"), (0.05, "with care", "With care"), (0.3, "no", "No, this gauge can't see")],
)
def test_can_this_gauge_see_that_limit(gauge, word, begins):
    found = can_see(crossed_study(simulated(gauge=gauge)), 4.0, 6.0, "mm")
    assert found.word == word
    assert found.sentence.startswith(begins)
    assert "stays inconclusive" in found.sentence


def test_one_limit_is_answered_by_the_way_to_it_and_none_not_at_all():
    study = crossed_study(simulated())
    assert can_see(study, None, 6.0).share == pytest.approx(3 * study.used.sd_gauge / abs(6.0 - study.mean))
    assert can_see(study, None, None) is None


@pytest.mark.parametrize(
    ("trials", "said"),
    [
        ([Trial("A", "1", "1", 1.0)], "at least two of each"),
        ([Trial(o, p, "1", 1.0) for o in "AB" for p in "12"], "at least twice"),
        ([Trial(o, p, k, 1.0) for o in "AB" for p in "12" for k in "12"][:-1], "B on 2: 1 of 2"),
    ],
)
def test_what_is_no_crossed_study_is_refused_and_says_why(trials, said):
    assert said in what_is_missing(trials)
    with pytest.raises(ValueError, match=r"at least|of 2"):
        crossed_study(trials)


def test_a_gauge_without_any_error_is_no_fault():
    trials = [Trial(o, p, k, float(p)) for o in "AB" for p in "123" for k in "12"]
    found = crossed_study(trials)
    assert found.used.gauge == 0
    assert found.used.categories == float("inf")
    assert can_see(found, 0.0, 4.0).word == "yes"
