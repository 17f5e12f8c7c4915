"""Forced preferences. Sources: a second implementation by weighted draws from the prior, written here from the definition;

1,024 instead of 48 points; symmetry; scipy's bounded search for the plain likelihoods (the reference cases check those
against R as well).
"""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from app.evidence.inputs import Evidence, Goal, Must, Question, Rule
from app.evidence.mixture import Mixture
from app.evidence.paired_comparison import Comparison, bradley_terry, davidson, why_no_estimate
from app.evidence.preferences import fit_preferences, preference_strand
from app.evidence.refusals import EvidenceError
from app.evidence.rows import PREFERENCE, Preference
from app.evidence.storing import to_json


def evidence(*rows: tuple[str, str, str, str, str | None], variants=("A", "B"), **rule) -> Evidence:
    question = Question("A", variants, {}, Rule(goals=(Goal(PREFERENCE),), **rule))
    return Evidence(question, preferences=tuple(Preference(*row) for row in rows))


def one_driver(preferred: str, variants=("A", "B")) -> Evidence:
    """'BBA-': one choice a session between B and A, - = no preference."""
    return evidence(*(("D1", f"S{i}", "B", "A", None if v == "-" else v) for i, v in enumerate(preferred)), variants=variants)


def figures(mixture: Mixture) -> tuple[float, float, float, float]:
    return mixture.mean, mixture.sd, mixture.p_above(0.0), mixture.p_above(0.5)


def draws(n: int):
    """Of the prior as methods and docstring state it: s, t, SD of g, SD of h."""
    rng = np.random.default_rng(11)
    s = np.exp(0.4 * rng.normal(size=n))
    t, by_driver, by_session = (np.abs(sd * rng.normal(size=n)) for sd in (0.3, 0.5, 0.3))
    return rng, s, t, by_driver, by_session


@pytest.mark.parametrize("preferred", ["B", "BBB", "BA", "B--", "BBBBBB", "BBBBA-", "AAAAAAAAAAAA"])
def test_one_driver_against_brute_force(preferred):
    n = 400_000
    rng, s, t, by_driver, by_session = draws(n)
    beta, g = rng.normal(size=n), by_driver * rng.normal(size=n)
    noise = np.hypot(s, by_session)  # one choice a session: h is more noise
    share = {"B": stats.norm.cdf((beta + g - t) / noise), "A": stats.norm.cdf((-beta - g - t) / noise)}
    share["-"] = 1 - share["A"] - share["B"]
    weight = np.prod([share[v] for v in preferred], axis=0)
    weight /= weight.sum()
    mean = weight @ beta
    wanted = mean, np.sqrt(weight @ (beta - mean) ** 2), weight @ (beta > 0), weight @ (beta > 0.5)
    found = figures(fit_preferences(one_driver(preferred)).population["B"])
    assert found[0] == pytest.approx(wanted[0], abs=0.03)
    assert found[1] == pytest.approx(wanted[1], rel=0.07)
    assert found[2:] == pytest.approx(wanted[2:], abs=0.015)


def test_three_variants_two_drivers_against_brute_force():
    chosen = [
        ("D1", "S1", "B", "A", "B"), ("D1", "S1", "C", "A", "A"), ("D1", "S1", "B", "C", "B"),
        ("D2", "S1", "B", "A", "B"), ("D2", "S1", "C", "B", None), ("D1", "S2", "C", "A", "C"), ("D2", "S2", "A", "B", "B"),
    ]  # fmt: skip
    n = 600_000
    rng, s, t, by_driver, by_session = draws(n)
    value = {v: rng.normal(size=n) if v != "A" else np.zeros(n) for v in "ABC"}
    part = {
        (who, v): sd / np.sqrt(2) * rng.normal(size=n)
        for sd, levels in ((by_driver, ("D1", "D2")), (by_session, ("S1", "S2")))
        for who in levels
        for v in "ABC"
    }
    weight = np.ones(n)
    for driver, session, a, b, preferred in chosen:
        d = sum(sign * (value[v] + part[driver, v] + part[session, v]) for sign, v in ((1, a), (-1, b)))
        first, second = stats.norm.cdf((d - t) / s), stats.norm.cdf((-d - t) / s)
        weight *= first if preferred == a else second if preferred == b else 1 - first - second
    weight /= weight.sum()
    fit = fit_preferences(evidence(*chosen, variants=("A", "B", "C")))
    for found, wanted in (
        (fit.population["B"], value["B"]),
        (fit.population["C"], value["C"]),
        (fit.between["B", "C"], value["B"] - value["C"]),
        (fit.own["B", "D1"], value["B"] + part["D1", "B"] - part["D1", "A"]),
    ):
        assert found.mean == pytest.approx(weight @ wanted, abs=0.03)
        assert found.p_above(0.0) == pytest.approx(weight @ (wanted > 0), abs=0.015)
    assert fit.runs == Counter(B=5, A=5, C=4)
    assert [row.variant for row in fit.fitted].count("B") == 4  # one of B against C went to B, one to nobody


@pytest.mark.parametrize("rows", [10, 24])
def test_48_points_are_enough(rows):
    rng = np.random.default_rng(rows)
    chosen = [(f"D{i % 3}", f"S{i // 6}", "B", "A", ["A", "B", "B", None][rng.integers(4)]) for i in range(rows)]
    few = fit_preferences(evidence(*chosen)).population["B"]
    many = fit_preferences(evidence(*chosen), points=(256, 768)).population["B"]
    assert figures(few)[:2] == pytest.approx(figures(many)[:2], abs=0.03)
    assert figures(few)[2:] == pytest.approx(figures(many)[2:], abs=0.012)


def test_names_swapped_turn_the_sign():
    there = fit_preferences(one_driver("BBBA-")).population["B"]
    back = fit_preferences(one_driver("AAAB-")).population["B"]
    assert (there.mean, there.sd) == pytest.approx((-back.mean, back.sd), abs=1e-9)


def test_the_order_in_which_a_pair_is_named_changes_nothing():
    one = fit_preferences(one_driver("BBA"))
    turned = evidence(*(("D1", f"S{i}", "A", "B", v) for i, v in enumerate("BBA")))
    assert figures(one.population["B"]) == pytest.approx(figures(fit_preferences(turned).population["B"]), abs=1e-9)


def test_a_rival_that_nobody_was_asked_about_keeps_its_prior():
    fit = fit_preferences(one_driver("BBB", variants=("A", "B", "C")))
    assert (fit.population["C"].mean, fit.population["C"].sd) == pytest.approx((0.0, 1.0), abs=1e-6)
    strand = preference_strand(one_driver("BBB", variants=("A", "B", "C")), fit)
    assert list(strand.estimates) == ["B|preference"]


@pytest.mark.parametrize("drivers, sessions", [(1, 1), (4, 6), (6, 12)])
def test_everybody_prefers_the_rival(drivers, sessions):
    """Separation: no finite estimate by maximum likelihood (Ford 1957), a finite one here, and never quite certain."""
    rows = [(f"D{d}", f"S{s}", "B", "A", "B") for d in range(drivers) for s in range(sessions)]
    fit = fit_preferences(evidence(*rows))
    mean, sd, p, _ = figures(fit.population["B"])
    assert 0.4 < mean < 3.0
    assert 0.3 < sd < 1.0
    assert 0.7 < p < 1.0
    assert why_no_estimate([Comparison("B", "A", len(rows), 0)]) == "A never wins"


def test_more_drivers_tell_more_than_more_days_of_one():
    same = fit_preferences(evidence(*(("D1", f"S{i}", "B", "A", "B") for i in range(6)))).population["B"]
    several = fit_preferences(evidence(*((f"D{i}", f"S{i}", "B", "A", "B") for i in range(6)))).population["B"]
    assert several.p_above(0.0) > same.p_above(0.0)


def test_without_choices_the_answer_is_the_prior_and_the_strand_says_so():
    fit = fit_preferences(evidence())
    assert fit.fitted == ()
    assert (fit.population["B"].mean, fit.population["B"].sd) == pytest.approx((0.0, 1.0), abs=1e-6)
    strand = preference_strand(evidence(), fit)
    assert (strand.name, strand.state, strand.estimates) == ("preferences", "no_evidence", {})


def test_six_variants_and_the_same_input_give_the_same_bytes():
    variants = tuple("ABCDEF")
    rng = np.random.default_rng(3)
    rows = []
    for i in range(30):
        a, b = rng.choice(6, 2, replace=False)
        rows.append((f"D{i % 4}", f"S{i // 8}", variants[a], variants[b], [variants[a], variants[b], None][rng.integers(3)]))
    fit = fit_preferences(evidence(*rows, variants=variants))
    assert len(fit.between) == 10
    turned = fit_preferences(evidence(*rows[::-1], variants=variants))
    for pair, mixture in fit.between.items():
        assert mixture.means.tobytes() == turned.between[pair].means.tobytes()


def test_the_sentence_counts_and_the_estimate_uses_the_declared_margin():
    rows = [("D1", "S1", "B", "A", "B"), ("D2", "S1", "B", "A", None), ("D1", "S2", "A", "B", "B"), ("D2", "S2", "B", "A", "A")]
    asked = evidence(*rows, musts=(Must(PREFERENCE, 0.25),))
    fit = fit_preferences(asked)
    strand = preference_strand(asked, fit)
    assert strand.sentence.startswith("B or A, 4 choices: 2 for B, 1 without preference, 1 for A. 2 drivers in 2 sessions")
    estimate = strand.estimates["B|preference"]
    assert (estimate.unit, estimate.n) == ("points", 4)
    assert estimate.p_worse_than_margin == pytest.approx(1 - fit.population["B"].p_above(-0.25), abs=1e-6)
    assert set(strand.driver_estimates) == {"B|preference|D1", "B|preference|D2"}
    assert to_json(strand)["state"] == "evidence"


TABLE = [
    Comparison("A", "B", 5, 2, 3), Comparison("B", "C", 4, 4, 2), Comparison("C", "A", 1, 6, 1), Comparison("A", "D", 2, 3, 4),
]  # fmt: skip


@pytest.mark.parametrize(("n", "told"), [(1, "1 choice"), (3, "3 choices")])
def test_drivers_who_all_had_no_preference_are_told_as_such(n, told):
    asked = evidence(*[(f"D{i}", "S1", "B", "A", None) for i in range(n)])
    assert preference_strand(asked, fit_preferences(asked)).sentence.startswith(f"B or A: {told} without a preference. {n} driver")



def test_plain_likelihoods_against_a_general_search():
    """Source: scipy.optimize on the likelihood written out from Bradley & Terry (1952) and Davidson (1970)."""

    def loss(values, ties: bool) -> float:
        ability = dict(zip("ABCD", [0.0, *values[:3]], strict=True))
        nu = np.exp(values[3]) if ties else 0.0
        total = 0.0
        for c in TABLE:
            a, b = np.exp(ability[c.first]), np.exp(ability[c.second])
            all_of_it = a + b + nu * np.sqrt(a * b)
            total -= c.first_won * np.log(a / all_of_it) + c.second_won * np.log(b / all_of_it)
            total -= c.tied * np.log(nu * np.sqrt(a * b) / all_of_it) if ties else 0.0
        return total

    untied = [replace(c, tied=0.0) for c in TABLE]
    plain, with_ties = bradley_terry(untied), davidson(TABLE)
    best = optimize.minimize(loss, np.zeros(3), args=(False,), tol=1e-12)
    assert [plain.ability[v] for v in "BCD"] == pytest.approx(best.x, abs=1e-4)
    assert -plain.log_lik_kernel == pytest.approx(best.fun, abs=1e-8)
    best = optimize.minimize(loss, np.zeros(4), args=(True,), tol=1e-12)
    assert [*(with_ties.ability[v] for v in "BCD"), with_ties.extra] == pytest.approx(best.x, abs=1e-4)


def test_plain_likelihood_refuses_what_has_no_estimate():
    with pytest.raises(EvidenceError, match="C never wins"):
        bradley_terry([Comparison("A", "B", 2, 2), Comparison("A", "C", 4, 0)])
    with pytest.raises(EvidenceError, match="No maximum-likelihood"):
        bradley_terry([Comparison("A", "B", 1, 2), Comparison("C", "D", 2, 1)])
    with pytest.raises(EvidenceError, match="tied"):
        davidson([Comparison("A", "B", 2, 2)])
