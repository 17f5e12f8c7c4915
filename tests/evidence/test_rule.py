"""The rule, the condition check, the index of goals, disagreements, and what the panel has taught.

Sources: closed forms of the normal distribution (scipy.stats.norm); a one-way random-effects identity by hand. Cuts and
thresholds: common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from app.evidence.conditions import condition_reading
from app.evidence.criteria import deciding, goal_index, margin_of, measures, unit_of
from app.evidence.findings import NoiseSeen
from app.evidence.inputs import Evidence, Goal, Must, Question, Rule, Scale
from app.evidence.layout import PRIORS
from app.evidence.mixture import Mixture
from app.evidence.panel_noise import learn
from app.evidence.ratings import fit_attribute
from app.evidence.results import CLAUSES
from app.evidence.rows import LAP_TIME, PanelNoise
from app.evidence.rule import WORDS, Chances, gain_clauses, no_worse_clauses
from app.evidence.story import fit_all, noise_seen, roll_up
from tests.evidence.make import pair_question, programme


def normal(mean, sd):
    return Mixture(np.ones(1), np.array([float(mean)]), np.array([float(sd)]))


@pytest.mark.parametrize(
    ("goal", "must", "depends", "clause"),
    [
        ((1.0, 0.4), (0.0, 0.5), False, "gain"),  # P(goal > 0) .994, P(must > -.5) .84
        ((1.0, 0.4), (-0.3, 0.3), False, "large_gain" if norm.sf(1, 1, 0.4) >= 0.96 else "must_not_shown"),
        ((4.0, 1.0), (-0.35, 0.35), False, "large_gain"),  # P(goal > W) .9987; musts .67 and .968
        ((1.0, 0.4), (-1.5, 0.4), False, "gain_with_harm"),
        ((0.2, 0.6), (-1.5, 0.4), False, "harm"),
        ((-1.0, 0.5), (0.0, 0.3), False, "loss"),
        ((0.3, 0.4), (0.0, 0.3), False, "futility"),  # P(goal > W) .040
        ((0.5, 0.6), (0.0, 0.3), False, "gain_not_shown"),
        ((0.3, 0.4), (0.0, 0.3), True, "conditions"),
        ((0.2, 0.6), (-1.5, 0.4), True, "harm"),
    ],
)
def test_the_clause_follows_from_the_probabilities(goal, must, depends, clause):
    chances = Chances.of(normal(*goal), {"calm": (normal(*must), 0.5)})
    assert gain_clauses(chances, 0.96, depends).tolist() == [clause]
    assert clause in CLAUSES


def test_chances_are_those_of_the_normal_distribution():
    chances = Chances.of(normal(0.7, 0.5), {"calm": (normal(-0.1, 0.4), 0.5)})
    assert chances.better[0] == pytest.approx(norm.sf(0, 0.7, 0.5), abs=1e-12)
    assert chances.worthwhile[0] == pytest.approx(norm.sf(1, 0.7, 0.5), abs=1e-12)
    assert chances.held[0, 0] == pytest.approx(norm.sf(-0.5, -0.1, 0.4), abs=1e-12)
    assert chances.held_twice[0, 0] == pytest.approx(norm.sf(-1.0, -0.1, 0.4), abs=1e-12)


@pytest.mark.parametrize(
    ("must", "better", "clause"),
    [(0.2, True, "no_worse"), (0.0, False, "loss"), (0.0, None, "gain_not_shown"), (-2.0, True, "harm"), (-0.3, True, "must_not_shown")],
)
def test_no_worse_is_enough(must, better, clause):
    chances = Chances.of(None, {"calm": (normal(must, 0.35), 0.5)})
    assert no_worse_clauses(chances, better).tolist() == [clause]


def test_every_clause_of_the_rule_has_a_word():
    assert set(WORDS) <= set(CLAUSES)
    assert set(WORDS.values()) == {"adopt", "reject", "retest", "setting"}


def test_two_equal_ratings_claim_no_more_than_one():
    """Correlation 1 between ratings of one run: the index of two equal ratings is as sure as either of them."""
    scales = {"a": Scale(), "b": Scale()}
    question = Question("A", ("A", "B"), scales, Rule(goals=(Goal("a", 0.5), Goal("b", 0.5))))
    index = goal_index(question, {"a": normal(0.6, 0.4), "b": normal(0.6, 0.4)})
    assert (index.mean, index.sd) == pytest.approx((1.2, 0.8))
    assert index.p_above(0) == pytest.approx(norm.sf(0, 0.6, 0.4))


def test_laps_join_the_index_in_quadrature():
    question = Question("A", ("A", "B"), {"a": Scale()}, Rule(goals=(Goal("a", 0.5), Goal(LAP_TIME, 0.5))))
    index = goal_index(question, {"a": normal(0.5, 0.4), LAP_TIME: normal(0.3, 0.18)})
    assert index.mean == pytest.approx(0.5 * 0.5 / 0.5 + 0.5 * 0.3 / 0.3)
    assert index.sd == pytest.approx(np.hypot(0.5 * 0.4 / 0.5, 0.5 * 0.18 / 0.3))


def test_units_margins_and_names():
    question = Question("A", ("A", "B"), {"a": Scale(), "z": Scale(-5, 5, 1, "ideal_zero")},
                        Rule(goals=(Goal("a"),), musts=(Must(LAP_TIME), Must("z", 2.0))))  # fmt: skip
    assert deciding(question) == ("a", LAP_TIME, "z")
    assert [unit_of(question, c) for c in ("a", LAP_TIME, "z", "preference")] == ["points", "percent", "marks nearer ideal", "points"]
    assert (margin_of(question, "a"), margin_of(question, LAP_TIME), margin_of(question, "z")) == (None, 0.3, 2.0)


def weathered(effect_dry, effect_wet, seed=5):
    """Three drivers, six sessions, three in either class; the rival's truth differs by class."""
    found = []
    for index, (name, effect) in enumerate((("dry", effect_dry), ("wet", effect_wet))):
        marks = programme(np.random.default_rng(seed + index), sessions=3, effects=(0.0, effect), absent=0, lost=0,
                          driver_variant_sd=0.1)  # fmt: skip
        found += [replace(m, session=f"{name}{m.session}", run=f"{name}{m.run}", condition=name) for m in marks]
    return found


def test_better_here_and_worse_there_becomes_a_setting():
    evidence = Evidence(pair_question(Scale(), drivers=2), tuple(weathered(2.0, -2.0)))
    reading = condition_reading(evidence.question, "B", fit_attribute(evidence, "grip"))
    assert (reading.state, reading.better_in, reading.worse_in) == ("depends", ("dry",), ("wet",))
    verdict = roll_up(evidence).verdicts[0]
    assert (verdict.verdict, verdict.clause) == ("setting", "conditions")


def test_the_mean_over_classes_is_the_population_effect():
    evidence = Evidence(pair_question(Scale()), tuple(weathered(1.0, 0.0)))
    fit = fit_attribute(evidence, "grip")
    inside = [fit.within["B", name].mean for name in ("dry", "wet")]
    assert np.mean(inside) == pytest.approx(fit.population["B"].mean, abs=1e-9)
    assert fit.depends["B"]["dry"].mean == pytest.approx(-fit.depends["B"]["wet"].mean, abs=1e-9)


def test_one_class_or_thin_classes_add_no_term():
    marks = [replace(m, condition="dry" if m.session != "S0" else "wet") for m in programme(np.random.default_rng(1), sessions=3)]
    fit = fit_attribute(Evidence(pair_question(Scale()), tuple(marks)), "grip")
    assert fit.within == {}
    plain = [replace(m, condition=None) for m in marks]
    same = fit_attribute(Evidence(pair_question(Scale()), tuple(plain)), "grip")
    assert same.population["B"].mean == fit.population["B"].mean


def test_measures_have_a_line_per_criterion_and_the_index():
    question = Question("A", ("A", "B"), {"grip": Scale(), "calm": Scale()}, Rule(goals=(Goal("grip", 0.6), Goal("calm", 0.4))))
    evidence = Evidence(question, tuple(programme(np.random.default_rng(2), attributes=("grip", "calm"))))
    found = measures(question, fit_all(evidence), {}, {})
    assert [m.criterion for m in found] == ["grip", "calm", "goal_index"]
    assert found[-1].unit == "times W"
    assert all(m.low90 < m.mean < m.high90 and 0 <= m.p_better <= 1 for m in found)


def said(mean, sd, drivers=3, used=None):
    """One question with one attribute, as `Sheet.noise` says it."""
    return NoiseSeen(((tuple(mean), tuple(sd)),), tuple(f"D{d}" for d in range(drivers)), used)



def test_the_panel_teaches_nothing_where_nothing_was_seen():
    assert learn([]) is None
    assert learn([NoiseSeen((), ("D1",))]) is None
    assert learn([said((0.0,) * 4, (1.0,) * 4)]) is None


def test_a_quiet_panel_is_learned_quiet_but_not_on_the_interactions():
    """Questions whose sigma was found one prior SD low: the centre falls, the interactions stay at their default."""
    low, sd = (-1.0, -0.5, -1.0, -1.0), (0.5, 0.8, 0.9, 0.9)
    for others in ([said(low, sd)] * 4, [said(low, sd, 4)] * 20):
        noise = learn(others)
        assert noise.log_noise[0] < PRIORS.log_noise[0]
        assert noise.log_noise[1] < PRIORS.log_noise[1]
        assert noise.half_driver_variant == PRIORS.half_driver_variant
        assert noise.half_session_variant == PRIORS.half_session_variant


def test_a_loud_panel_is_learned_loud_everywhere():
    noise = learn([said((1.0, 0.5, 1.0, 1.0), (0.5, 0.8, 0.8, 0.8))] * 3)
    assert noise.log_noise[0] > PRIORS.log_noise[0]
    assert noise.half_driver_variant > PRIORS.half_driver_variant


def test_one_question_alone_says_what_precision_weighting_says():
    """One question with posterior N(-.8, .6^2) on the standard scale: its own saying is -.8 / (1 - .36)."""
    mean, sd, between = -0.8, 0.6, 0.5
    own = 1 / sd**2 - 1
    weight = 1 / (1 / own + between**2)
    expected = weight * mean * (own + 1) / own / (1 + weight)
    noise = learn([said((mean, 0, 0, 0), (sd, 1, 1, 1))])
    assert np.log(noise.log_noise[0] / PRIORS.log_noise[0]) / PRIORS.log_noise[1] == pytest.approx(expected, abs=2e-3)


def test_a_question_fitted_on_learned_priors_says_what_it_would_have_said_on_the_defaults():
    """Its marks alone said sigma = .6 with a log SD of .2; on either prior the posterior is the product of two normals."""

    def posterior(centre, spread):
        own, prior = 1 / 0.2**2, 1 / spread**2
        log_sd = (own * np.log(0.6) + prior * np.log(centre)) / (own + prior)
        return (log_sd - np.log(centre)) / spread, np.sqrt(1 / (own + prior)) / spread

    used = PanelNoise((0.7, 0.25), PRIORS.log_driver_session, 0.8, 0.5, 3, 3)
    found = []
    for prior, learned in ((PRIORS.log_noise, None), (used.log_noise, used)):
        mean, sd = posterior(*prior)
        found.append(learn([said((mean, 0, 0, 0), (sd, 1, 1, 1), used=learned)]).log_noise)
    assert found[0] == pytest.approx(found[1], abs=2e-4)


def test_an_interaction_seen_on_a_wider_prior_is_put_back_on_the_default():
    """The half-normal quantile of 1.6 times the scale: SD .8 at the prior's median reads as the default's quantile of .8."""
    used = PanelNoise(PRIORS.log_noise, PRIORS.log_driver_session, 1.6 * PRIORS.half_driver_variant, PRIORS.half_session_variant, 3, 3)
    wide = learn([said((0, 0, 0.0, 0), (1, 1, 0.6, 1), used=used)] * 4)
    median = 1.6 * norm.ppf(0.75)
    z = norm.ppf(2 * norm.cdf(median) - 1)
    here = learn([said((0, 0, z * (1 - 0.36), 0), (1, 1, 0.6, 1))] * 4)  # the same saying: posterior mean shrunk towards 0
    assert wide.half_driver_variant == pytest.approx(here.half_driver_variant, abs=2e-4)
    assert wide.half_driver_variant > PRIORS.half_driver_variant


def test_the_sheet_says_what_it_saw_and_what_it_stood_on():
    marks = programme(np.random.default_rng(4), sessions=3)
    evidence = Evidence(pair_question(Scale()), tuple(marks))
    plain = roll_up(evidence)
    assert plain.noise.used is None
    assert plain.noise.drivers == ("D0", "D1", "D2")
    assert plain.noise == noise_seen(evidence)
    learned = learn([plain.noise] * 3)
    sheet = roll_up(replace(evidence, panel_noise=learned))
    assert sheet.noise.used == learned
    assert sheet.fingerprint != plain.fingerprint
    assert "learned from 3 other questions and 3 drivers" in sheet.strands[0].sentence
    assert f"{learned.log_noise[0]:.2f} points" in sheet.strands[0].sentence
    assert "learned" not in plain.strands[0].sentence
