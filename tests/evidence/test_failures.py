"""Failures and lives. Sources: our written figures for the examples and tables (to two decimals); scipy.stats for every

probability (gamma, beta, Poisson, a numerical integral for two rates); the lives against R's survival package through the
reference cases, here against scipy and closed forms.
"""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from app.evidence.failures import breaks_less, failure_readings, failure_strand, p_below, unit_in_use, use_needed
from app.evidence.inputs import Evidence, Goal, Question, Rule
from app.evidence.plan_figures import poisson_interval, poisson_rate, success_run
from app.evidence.rows import PREFERENCE, Durability, Exposure, Life
from app.evidence.storing import to_json
from app.evidence.survival import fit_shared_shape, fit_weibull, kaplan_meier, log_rank, median_life
from app.evidence.value_figures import rate_above

LIMIT = Durability(1.0, 1000.0, "laps")


def used(control=None, rival=None, durability: Durability | None = LIMIT, lives=(), **rule) -> Evidence:
    """(failures, laps) of control A and rival B."""
    question = Question("A", ("A", "B"), {}, Rule(goals=(Goal(PREFERENCE),), durability=durability, **rule))
    rows = [Exposure(v, laps=own[1], failures=own[0]) for v, own in (("A", control), ("B", rival)) if own]
    return Evidence(question, exposures=tuple(rows), lives=tuple(lives))


def rival(**given):
    return failure_readings(used(**given))[-1]


@pytest.mark.parametrize(
    "control, new, p_worse, p_below_limit",
    [((1, 2000), (0, 500), 0.35, None), ((1, 2000), (2, 500), 0.92, 0.15), (None, (0, 1000), None, 0.92)],
)
def test_our_written_examples(control, new, p_worse, p_below_limit):
    reading = rival(control=control, rival=new)
    if p_worse is not None:
        assert 1 - reading.p_below_control == pytest.approx(p_worse, abs=0.005)
    if p_below_limit is not None:
        assert reading.p_below_limit == pytest.approx(p_below_limit, abs=0.005)


@pytest.mark.parametrize(
    "failures, wanted",
    [(0, (0.32, 0.85, 1.42)), (1, (1.82, 2.63, 3.41)), (2, (3.15, 4.12, 5.04))],
)
def test_use_at_which_a_probability_is_reached(failures, wanted):
    """Our written table; 3.15 there is 3.1446 rounded up, hence the wider limit. Without the floor of 1.5."""
    for confidence, use in zip((0.8, 0.9, 0.95), wanted, strict=True):
        needed = stats.gamma.ppf(confidence, 0.5 + failures) - 0.5
        assert needed == pytest.approx(use, abs=0.0065)
        assert use_needed(failures, confidence) == pytest.approx(max(1.5, needed))
        assert p_below(failures, needed, 1.0) == pytest.approx(confidence)


@pytest.mark.parametrize("failures, use", [(0, 1.5), (1, 1.82), (2, 3.15), (3, 4.40)])
def test_missing_use_counts_down_to_shown(failures, use):
    """Our written figures, at limits of 1 and of 4 per 1,000 laps."""
    for limit in (1.0, 4.0):
        durability = Durability(limit, 1000.0, "laps")
        unused = rival(rival=(failures, 1.0), durability=durability)
        assert unused.missing + 1.0 == pytest.approx(use / limit * 1000, abs=6.5 / limit)
        done = rival(rival=(failures, 1.0 + unused.missing + 0.01), durability=durability)
        assert (done.state, done.missing) == ("shown", 0.0)
        short = rival(rival=(failures, 0.5 + unused.missing), durability=durability)
        assert short.state != "shown"


def test_where_a_failure_hurts_more_is_asked():
    hurts = Durability(1.0, 1000.0, "laps", hurts=True)
    assert rival(rival=(0, 1500)).state == "shown"
    assert rival(rival=(0, 1500), durability=hurts).state == "shown"  # .95 needs 1.42, the floor is 1.5
    assert rival(rival=(1, 3000)).state == "shown"
    reading = rival(rival=(1, 3000), durability=hurts)
    assert reading.state == "not_shown"
    assert reading.missing == pytest.approx(410, abs=7)  # 3.41 - 3
    assert "one planned look" in reading.sentence


@pytest.mark.parametrize(
    "use, passes", [(1.5, (0.69, 0.47, 0.22, 0.05)), (3.0, (0.83, 0.56, 0.20, 0.02)), (5.0, (0.96, 0.76, 0.27, 0.01))]
)
def test_how_often_a_part_passes(use, passes):
    """Our written table, by the Poisson probability of every number of failures; rates .25, .5, 1 and 2 x the limit."""
    shown = [k for k in range(12) if rival(rival=(k, use * 1000)).state == "shown"]
    for times, share in zip((0.25, 0.5, 1.0, 2.0), passes, strict=True):
        assert stats.poisson.pmf(shown, use * times).sum() == pytest.approx(share, abs=0.006)


def test_missions_without_failure():
    """Our written table: n = ln(1 - C) / ln R, and -ln(1 - C) without a prior."""
    assert [success_run(0.8, r)[1] for r in (0.8, 0.9, 0.95)] == [8, 16, 32]
    assert [success_run(0.9, r)[1] for r in (0.9, 0.95)] == [22, 45]
    assert success_run(0.9, 0.8)[1] == 11
    assert [-math.log1p(-c) for c in (0.8, 0.9, 0.95)] == pytest.approx([1.61, 2.30, 3.00], abs=0.006)


@pytest.mark.parametrize("a1, t1, a0, t0, times", [(2.5, 1.0, 1.5, 2.5, 1.0), (2.5, 1.0, 1.5, 2.5, 2.0), (0.5, 0.2, 4.5, 3.0, 1.0)])
def test_two_rates_against_an_integral(a1, t1, a0, t0, times):
    def inner(rate: float) -> float:
        return stats.gamma.pdf(rate, a0, scale=1 / t0) * stats.gamma.sf(times * rate, a1, scale=1 / t1)

    wanted = integrate.quad(inner, 0, 60, points=[0.05, 0.5, 2.0, 5.0], limit=400)[0]
    assert rate_above(a1, t1, a0, t0, times) == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize(
    "control, new, durability, state",
    [
        (None, (2, 400), LIMIT, "failed"),
        (None, (1, 100), LIMIT, "not_shown"),  # one failure never rejects
        ((0, 5000), (2, 2500), LIMIT, "failed"),  # by the control: more than twice as often
        ((0, 5000), (1, 400), LIMIT, "not_shown"),
        (None, (5, 100), None, "no_limit"),
    ],
)
def test_state(control, new, durability, state):
    reading = rival(control=control, rival=new, durability=durability)
    assert reading.state == state
    if state == "failed":
        above = 1 - reading.p_below_limit
        assert max(above, reading.p_twice_control or 0.0) >= 0.85


def test_the_fact_of_breaking_less():
    assert breaks_less(used((2, 500), (0, 3000)), "B") is True
    assert breaks_less(used((1, 500), (0, 30_000)), "B") is None  # the control failed once: nothing to be better than
    assert breaks_less(used((0, 3000), (2, 500)), "B") is False
    assert breaks_less(used((0, 3000), (1, 100)), "B") is None
    assert breaks_less(used((2, 1000), (2, 1000)), "B") is None
    assert breaks_less(used((2, 500), None), "B") is None
    assert breaks_less(used(), "B") is None
    assert breaks_less(used((2, 500), (0, 3000)), "A") is None


def test_without_a_limit_the_control_is_still_compared():
    """Jeffreys' prior: P from scipy's F distribution, (lambda_1 T_1 / a_1) / (lambda_0 T_0 / a_0) ~ F(2 a_1, 2 a_0)."""
    reading = rival(control=(3, 1000), rival=(1, 2000), durability=None)
    ratio_at_equal = (2000 / 1.5) / (1000 / 3.5)
    assert reading.p_below_control == pytest.approx(stats.f.cdf(ratio_at_equal, 3, 7), abs=1e-6)
    assert (reading.p_below_limit, reading.missing) == (None, None)
    assert rival(control=(1, 100), rival=(0, 0), durability=None).variant == "A"  # never used: no reading


def test_rate_and_its_exact_limits():
    reading = rival(rival=(3, 1500))
    low, high = stats.chi2.ppf(0.05, 6) / 2, stats.chi2.ppf(0.95, 8) / 2
    assert (reading.rate, reading.low90, reading.high90) == pytest.approx((2.0, low / 1.5, high / 1.5), abs=1e-5)
    none = rival(rival=(1, 0))
    assert (none.exposure, none.rate, none.low90) == (0.0, None, None)
    assert poisson_interval(0, 0.9)[0] == 0.0


def test_exact_p_of_a_rate_counts_what_is_as_rare():
    """Source: the definition, summed over scipy's Poisson probabilities."""
    for events, mean in ((0, 2.3), (3, 7.9), (7, 7.0), (15, 7.4)):
        p = stats.poisson.pmf(np.arange(200), mean)
        wanted = p[p <= p[events] * (1 + 1e-7)].sum()
        assert poisson_rate(events, 10.0, expected_rate=mean / 10)[3] == pytest.approx(min(1.0, wanted), rel=1e-9)


def test_unit_and_sums():
    question = Question("A", ("A", "B"), {}, Rule(goals=(Goal(PREFERENCE),)))
    rows = (Exposure("B", minutes=30.0, laps=90.0, failures=1, session="S1"), Exposure("B", minutes=20.0), Exposure("A", minutes=5.0))
    noted = Evidence(question, exposures=rows)
    assert unit_in_use(noted) == "minutes"
    control, new = failure_readings(noted)
    assert (control.variant, new.exposure, new.failures, new.unit) == ("A", 50.0, 1, "minutes")
    declared = Question("A", ("A", "B"), {}, Rule(goals=(Goal(PREFERENCE),), durability=LIMIT))
    assert failure_readings(Evidence(declared, exposures=rows))[-1].exposure == 90.0
    by_pieces = used(lives=[Life("B", "p1", 300, True), Life("B", "p2", 500, False)])
    assert [(r.exposure, r.failures) for r in failure_readings(by_pieces)] == [(800.0, 1)]


def test_sentences_name_what_is_missing():
    told = rival(control=(1, 2000), rival=(0, 500)).sentence
    assert told == (
        "B: 0 failures in 500 laps. Not shown to break less often than 1 per 1,000 laps (probability .84): 1,000 laps "
        "without a failure are missing. Looked at again and again, a part at the limit passes at some look in about half of "
        "programmes. It breaks less often than A with probability .64."
    )
    assert "half of programmes" not in rival(rival=(0, 500), planned_looks=1).sentence


def test_strand():
    noted = used((1, 2000), (0, 500))
    strand = failure_strand(noted, failure_readings(noted))
    assert (strand.name, strand.state) == ("failures", "evidence")
    assert strand.sentence.count("half of programmes") == 1
    assert failure_strand(used(), failure_readings(used())).state == "no_evidence"
    assert to_json(failure_readings(noted))[0]["variant"] == "A"


BEARINGS = [17.88, 28.92, 33, 41.52, 42.12, 45.6, 48.4, 51.84, 51.96, 54.12, 55.56, 67.8]
"""Half of the ball-bearing lives of Lieblein & Zelen (1956), from memory; the whole is a reference case."""


def test_weibull_maximises_its_likelihood():
    """Source: scipy's log-density and log-survival; central differences for the information."""
    amounts, failed = BEARINGS, [True] * 9 + [False] * 3
    fit = fit_weibull(amounts, failed)

    def log_lik(log_shape: float, log_scale: float) -> float:
        life = stats.weibull_min(math.exp(log_shape), scale=math.exp(log_scale))
        return sum(life.logpdf(t) if d else life.logsf(t) for t, d in zip(amounts, failed, strict=True))

    best, h = np.log([fit.shape, fit.scale]), 1e-3
    assert fit.log_lik == pytest.approx(log_lik(*best))
    information = np.empty((2, 2))
    for i in range(2):
        step = h * np.eye(2)[i]
        assert log_lik(*(best + step)) < fit.log_lik > log_lik(*(best - step))
        for j in range(2):
            other = h * np.eye(2)[j]
            corners = [(1, 1, 1), (1, -1, -1), (-1, 1, -1), (-1, -1, 1)]
            information[i, j] = -sum(s * log_lik(*(best + a * step + b * other)) for a, b, s in corners) / (4 * h * h)
    assert fit.covariance == pytest.approx(np.linalg.inv(information), rel=1e-3, abs=1e-6)


def test_unit_of_use_changes_no_shape():
    failed = [True] * 9 + [False] * 3
    one, other = (fit_weibull([factor * t for t in BEARINGS], failed) for factor in (1.0, 6e4))
    assert (other.shape, other.scale) == pytest.approx((one.shape, 6e4 * one.scale), rel=1e-7)


@pytest.mark.parametrize(
    "amounts, failed",
    [([5, 5, 5, 5], [True] * 4), ([5, 5, 3], [True, True, False]), ([4], [True]), ([4, 9], [True, False]), ([4, 9], [False] * 2)],
)
def test_no_shape_where_none_is_finite(amounts, failed):
    assert fit_weibull(amounts, failed) is None


def test_curve_where_everything_has_failed():
    """By hand: 3 of 4, 2 of 4 (one censored leaves), then the last."""
    steps = kaplan_meier([2, 4, 5, 8], [True, True, False, True], 0.90)
    assert [(s.amount, s.at_risk, s.share) for s in steps] == [(2, 4, 0.75), (4, 3, 0.5), (8, 1, 0.0)]
    assert (steps[-1].low, steps[-1].high) == (None, None)
    assert median_life(steps)[0] == 4
    wanted = stats.ecdf(stats.CensoredData.right_censored([2, 4, 5, 8], [False, False, True, False]))
    with pytest.warns(RuntimeWarning, match="undefined at some"):  # at the last step, where ours says None
        limits = wanted.sf.confidence_interval(0.90, method="log-log")
    assert steps[1].low == pytest.approx(limits.low.probabilities[1])
    assert steps[1].high == pytest.approx(limits.high.probabilities[1])


def test_comparing_groups_that_cannot_be():
    assert log_rank(([1, 2], [False, False]), ([3], [False])) is None
    assert fit_shared_shape(([1, 2], [False, False]), ([3, 4], [True, True])) is None
    same = log_rank(([3, 5, 7], [True] * 3), ([3, 5, 7], [True] * 3))
    assert (same.chi2, same.p) == pytest.approx((0.0, 1.0), abs=1e-9)


def test_lives_give_shape_and_curve_from_four_failures_on():
    lives = [Life("B", f"p{i}", t, i < 9) for i, t in enumerate(BEARINGS)]
    reading = rival(lives=lives)
    fit = fit_weibull(BEARINGS, [True] * 9 + [False] * 3)
    assert reading.shape == pytest.approx((fit.shape, *fit.shape_limits(0.90)), abs=1e-5)
    assert len(reading.survival) == 9
    assert all(low <= share <= high for _, share, low, high in reading.survival)
    assert "they wear out" in reading.sentence
    few = rival(lives=[*lives[:3], Life("B", "q", 80.0, False)])
    assert (few.shape, few.survival) == (None, ())
    alike = rival(lives=[Life("B", f"p{i}", 50.0, True) for i in range(5)])
    assert alike.shape is None
    assert alike.survival == ((50.0, 0.0, 0.0, 0.0),)
