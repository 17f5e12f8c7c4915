"""Rank tests and closed forms for planning. Sources: scipy.stats; full enumeration written here; the reference cases hold

the published examples (Conover, Hollander & Wolfe, Siegel, Fisher, NIST).
"""

from itertools import permutations, product

import numpy as np
import pytest
from scipy import integrate, stats

from app.evidence import plan_figures as plans
from app.evidence import value_figures as worth
from app.evidence.agreement import agreement, durbin, friedman, sign_flip, skillings_mack
from app.evidence.inputs import Evidence, Goal, Mark, Question, Rule
from app.evidence.refusals import EvidenceError
from app.evidence.scales import Scale
from tests.evidence.runners import with_table
from tests.evidence.test_reference_cases import differences


@pytest.mark.parametrize("seed, shape", [(1, (4, 3)), (2, (8, 5)), (3, (3, 4))])
def test_friedman_against_scipy(seed, shape):
    table = np.random.default_rng(seed).integers(1, 6, shape).astype(float)  # with ties
    test, wanted = friedman(table), stats.friedmanchisquare(*table.T)
    assert (test.chi2, test.p) == pytest.approx((wanted.statistic, wanted.pvalue))
    assert test.w == pytest.approx(test.chi2 / (shape[0] * (shape[1] - 1)))


@pytest.mark.parametrize(
    "table", [[[1, 2, 3], [1, 3, 2], [2, 1, 3]], [[1, 1, 2], [3, 1, 2], [1, 2, 2], [4, 5, 6]], [[1, 2], [3, 4], [6, 5]]]
)
def test_exact_p_against_enumeration(table):
    ranks = stats.rankdata(table, axis=1)
    centre = ranks.sum() / ranks.shape[1]
    seen = ((ranks.sum(axis=0) - centre) ** 2).sum()
    ways = [((np.sum(orders, axis=0) - centre) ** 2).sum() >= seen - 1e-9 for orders in product(*(permutations(row) for row in ranks))]
    assert friedman(np.array(table)).p_exact == pytest.approx(np.mean(ways))


def test_tables_without_order_and_with_one_order():
    none = friedman(np.ones((3, 4)))
    assert (none.chi2, none.p, none.w, none.p_exact) == (0.0, 1.0, 0.0, pytest.approx(1.0))
    alike = friedman(np.tile([1.0, 2.0, 3.0], (4, 1)))
    assert (alike.w, alike.f, alike.p_f) == (1.0, None, None)
    assert alike.p_exact == pytest.approx(6 / 6**4)
    assert friedman(np.random.default_rng(1).normal(size=(12, 6))).p_exact is None  # too many orders
    with pytest.raises(EvidenceError, match="two drivers"):
        friedman(np.ones((1, 3)))


@pytest.mark.parametrize("values", [[1.5, -0.5, 2.0, 0.0, 1.0], [0.1, 0.2, 0.3], [-1.0, -2.0, 0.5, 0.5]])
def test_sign_flip_against_scipy(values):
    def total(x, axis):
        return x.sum(axis=axis)

    for alternative, found in (("greater", sign_flip(values).p_greater), ("two-sided", None)):
        wanted = stats.permutation_test(
            (np.array(values),), total, permutation_type="samples", n_resamples=np.inf, alternative=alternative
        )
        if found is not None:
            assert found == pytest.approx(wanted.pvalue)
        else:
            assert sign_flip(values).p_two_sided == pytest.approx(wanted.pvalue)
    with pytest.raises(EvidenceError, match="1 to 20"):
        sign_flip([1.0] * 21)


def test_skillings_mack_is_friedman_on_a_full_table():
    table = np.array([[3.0, 1, 2, 4], [4, 2, 1, 3], [3, 2, 1, 4], [4, 1, 3, 2]])
    assert skillings_mack(table).chi2 == pytest.approx(friedman(table).chi2)
    assert skillings_mack(np.vstack([table, [5.0, np.nan, np.nan, np.nan]])).chi2 == pytest.approx(friedman(table).chi2)


def test_durbin_wants_a_balanced_plan():
    table = np.array([[1.0, 2, np.nan], [np.nan, 1, 2], [2, np.nan, 1]])
    assert durbin(table).together == 1
    with pytest.raises(EvidenceError, match="not balanced"):
        durbin(np.array([[1.0, 2, np.nan], [1, 2, 3]]))


def marked(table: dict[str, dict[str, list[float]]], scale: Scale) -> Evidence:
    question = Question("A", ("A", "B", "C"), {"grip": scale}, Rule(goals=(Goal("grip"),)))
    marks = [
        Mark(driver, "S1", f"{driver}-{v}-{k}", v, "grip", value)
        for driver, own in table.items()
        for v, values in own.items()
        for k, value in enumerate(values)
    ]
    return Evidence(question, tuple(marks))


def test_agreement_ranks_means_of_drivers_who_rated_all():
    table = {"D1": {"A": [5, 6], "B": [7], "C": [8]}, "D2": {"A": [4], "B": [5], "C": [9]}, "D3": {"A": [6], "B": [8]}}
    found = agreement(marked(table, Scale()), "grip")
    assert (found.drivers, found.w) == (2, 1.0)
    assert found.chi2 == pytest.approx(4.0)  # W b (k - 1)
    assert found.p == pytest.approx(1 / 6, abs=1e-6)
    assert "2 drivers rank 3 variants alike" in found.sentence


def test_agreement_on_what_everybody_rated_when_nobody_rated_all():
    table = {"D1": {"A": [5], "B": [7]}, "D2": {"A": [5], "B": [4], "C": [9]}, "D3": {"A": [1], "B": [2]}}
    found = agreement(marked(table, Scale()), "grip")
    assert (found.drivers, found.w) == (3, pytest.approx(1 / 9, abs=1e-6))


def test_agreement_takes_distances_from_ideal():
    bipolar = Scale(-4, 4, 1, "ideal_zero")
    found = agreement(marked({"D1": {"A": [-3], "B": [1]}, "D2": {"A": [3], "B": [-1]}}, bipolar), "grip")
    assert found.w == 1.0


@pytest.mark.parametrize("table", [{}, {"D1": {"A": [5], "B": [6]}}, {"D1": {"A": [5]}, "D2": {"A": [6]}}])
def test_no_agreement_without_two_drivers_and_two_variants(table):
    assert agreement(marked(table, Scale()), "grip") is None


@pytest.mark.parametrize("confidence, reliability, failures", [(0.8, 0.9, 2), (0.95, 0.6, 0), (0.5, 0.01, 0), (0.99, 0.995, 1)])
def test_binomial_plan_is_the_smallest(confidence, reliability, failures):
    n, reached = plans.binomial_plan(confidence, reliability, failures)
    assert reached == pytest.approx(1 - stats.binom.cdf(failures, n, 1 - reliability))
    assert reached >= confidence
    assert n == failures + 1 or 1 - stats.binom.cdf(failures, n - 1, 1 - reliability) < confidence
    with pytest.raises(EvidenceError, match="share"):
        plans.success_run(1.0, 0.9)


def test_share_limits_against_scipy():
    for k, n in ((0, 5), (2, 9), (9, 9)):
        test = stats.binomtest(k, n)
        assert plans.clopper_pearson(k, n, 0.9) == pytest.approx(tuple(test.proportion_ci(0.9, "exact")))
        assert plans.wilson(k, n, 0.9) == pytest.approx(tuple(test.proportion_ci(0.9, "wilson")), abs=1e-12)


def test_ratio_of_rates_without_events():
    assert plans.poisson_ratio((0, 0), (10.0, 20.0)) == (None, 0.0, None, 1.0)
    ratio, low, high, p = plans.poisson_ratio((3, 0), (10.0, 10.0))
    assert (ratio, high) == (None, None)
    assert low == pytest.approx(0.025 ** (1 / 3) / (1 - 0.025 ** (1 / 3)))
    assert p == pytest.approx(0.25)


def test_full_factorial_has_no_aliases():
    plan = plans.alias_structure("ABC", {})
    assert (plan.runs, plan.defining_words, plan.resolution) == (8, (), None)
    assert set(plan.aliases.values()) == {()}


def test_aliases_against_columns_of_the_plan():
    """By building the plan: two effects are aliased exactly where their columns are equal up to sign."""
    plan = plans.alias_structure("ABCDEF", {"E": "ABC", "F": "BCD"})
    base = np.array(list(product([-1, 1], repeat=4)))
    column = {f: base[:, i] for i, f in enumerate("ABCD")}
    column["E"], column["F"] = base[:, 0] * base[:, 1] * base[:, 2], base[:, 1] * base[:, 2] * base[:, 3]
    effect = {word: np.prod([column[f] for f in word], axis=0) for word in plan.aliases}
    for word, others in plan.aliases.items():
        assert set(others) == {o for o in effect if o != word and abs(effect[o] @ effect[word]) == 16}
    assert plan.resolution == 4


def test_worth_of_data_against_an_integral():
    mean, sd, sigma, n = 0.1, 0.4, 0.9, 5
    found = worth.evsi_normal(mean, sd, sigma, n)

    def gain(posterior_mean: float) -> float:
        return max(posterior_mean, 0.0) * stats.norm.pdf(posterior_mean, mean, found.preposterior_sd)

    assert found.evsi == pytest.approx(integrate.quad(gain, -3, 3, points=[0.0])[0] - max(mean, 0.0), abs=1e-8)
    assert found.posterior_sd == pytest.approx((1 / sd**2 + n / sigma**2) ** -0.5)
    assert worth.best_sample(-2.0, 0.1, 1.0, value=1.0, fixed=5.0, each=1.0) == (0, 0.0)


@pytest.mark.parametrize("difference", [-800.0, -3.0, -1e-3, 0.0, 2e-5, 1e-3, 2.5, 800.0])
def test_latent_superiority_stays_finite_and_mirrors(difference):
    logistic, normal = worth.superior_latent(difference)
    assert logistic + worth.superior_latent(-difference)[0] == pytest.approx(1.0)
    wanted = integrate.quad(lambda x: stats.logistic.pdf(x) * stats.logistic.cdf(x + difference), -60, 60, limit=200)[0]
    assert logistic == pytest.approx(wanted, abs=1e-6)
    assert 0.0 <= normal <= 1.0


def test_beta_superiority_refuses_what_the_sum_cannot():
    with pytest.raises(EvidenceError, match="whole number"):
        worth.superior_beta(1.5, 2, 1, 1)


def test_a_wrong_cell_of_an_expected_table_is_noticed():
    """Source: none needed; a comparison that passes everything is worth nothing."""
    given, wanted = {"count": ["0", "1"]}, {"count": ["0", "1"], "upper": ["3.7", ""]}
    case = {"files": ["input.csv", "table.csv"], "expected": {"table_file": "table.csv", "rows": 2}, "tolerance": {"rel": 1e-6, "abs": 0}}
    expected = with_table(case, [given, wanted])
    right = {"table": [{"count": 0, "upper": 3.7}, {"count": 1, "upper": None}]}
    assert differences(case, expected, right) == []
    assert len(differences(case, expected, {"table": [{"count": 0, "upper": 3.8}, {"count": 1, "upper": 2.0}]})) == 2
    assert len(differences(case, expected, {"table": right["table"][:1]})) == 1
    with pytest.raises(AssertionError, match="has 1 rows"):
        with_table(case, [given, {"count": ["0"], "upper": ["3.7"]}])
