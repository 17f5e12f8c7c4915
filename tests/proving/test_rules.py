"""The bound, what is still missing, and that nothing ever closes as cured unless the exact bound holds.

Published figures: least tests without a failure for 95 % confidence (success run, ln .05 / ln R): R .9 29, .95 59, .99 299; with
one, two and three failures at R .9: 46, 61, 76 (binomial sampling plans as in handbook tables; reference case E-binomial-plan-basic).
"""

import csv
import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.concerns.rules import ShowRule
from app.incidents.exposures import FiledUse, IncidentFact, RunUse
from app.measurements.rules import SessionFact
from app.proving import rules
from app.proving.rules import Count, Judged, Proof
from tests.evidence.conftest import OWN_CASES

BOARD = ShowRule("board hit", 10.0)
OPEN, CLOSED = SessionFact(1, "S-01", "open"), SessionFact(2, "S-02", "closed")


def fact(number, hits=1, *, damage=(), kind="board hit, nose", cause="unknown", session=None, piece=1):
    return IncidentFact(number, number, session, 7, piece, kind, hits, damage, cause)


def at_most(failed: int, n: int, share: Fraction) -> Fraction:
    """P of at most `failed` failures in n, exactly: the bound holds where this is at most .05."""
    return sum((math.comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(failed + 1)), Fraction(0))


@pytest.mark.parametrize("per_100, needed", [(10, 29), (5, 59), (1, 299), (20, 14)])
def test_clean_ones_needed_without_a_failure(per_100, needed):
    assert rules.clean_needed(ShowRule("board hit", per_100), 0) == needed


@pytest.mark.parametrize("failed, n", [(0, 29), (1, 46), (2, 61), (3, 76)])
def test_a_failure_raises_the_number_needed(failed, n):
    """Not the rule of three, which would say 30 without a failure and nothing of the rest."""
    assert rules.clean_needed(BOARD, failed) == n - failed


@pytest.mark.parametrize("n, percent", [(5, 45.1), (12, 22.1), (30, 9.5), (59, 4.95), (100, 2.95)])
def test_the_bound_without_a_failure_is_that_of_the_job(n, percent):
    """Job check value 13."""
    assert 100 * rules.upper_bound(BOARD, n, 0) == pytest.approx(percent, abs=0.05)


def rows_of(case):
    with (OWN_CASES / case / "expected_table.csv").open() as table:
        return list(csv.DictReader(table))


def test_the_number_needed_is_that_of_the_binomial_plan():
    """Reference case E-binomial-plan-basic, its rows at 95 % confidence: R .9 and .95 with 0 to 3 failures."""
    rows = [row for row in rows_of("E-binomial-plan-basic") if float(row["confidence"]) == 0.95]
    assert len(rows) == 8
    for row in rows:
        rule, failed = ShowRule("board hit", round(100 - 100 * float(row["reliability"]), 6)), int(row["failures"])
        assert rules.clean_needed(rule, failed) + failed == int(row["n"]), row


def test_the_interval_of_a_revision_is_clopper_and_pearsons():
    """Reference case E-clopper-pearson."""
    for row in rows_of("E-clopper-pearson"):
        failed, n = int(row["failures"]), int(row["n"])
        found = rules.interval(BOARD, Count(n - failed, filed=failed))
        assert found == pytest.approx((failed / n, float(row["lower95"]), float(row["upper95"])), rel=1e-6, abs=1e-6)
    assert rules.interval(BOARD, Count(0)) is None


def test_minutes_have_the_exact_poisson_bound():
    """Chi-square tables: .95 with 2 degrees 5.991, with 4 degrees 9.488; half of it is the mean (Garwood 1936)."""
    minutes = ShowRule("minute", 1.0)
    assert rules.clean_needed(minutes, 0) == pytest.approx(299.57, abs=0.01)
    assert rules.upper_bound(minutes, 300, 1) == pytest.approx(9.488 / 2 / 300, rel=1e-4)
    assert Proof(minutes, "r2", Count(299.0)).missing == 1


@given(failed=st.integers(0, 6), clean=st.integers(0, 400), percent=st.sampled_from([1, 2, 5, 10, 20, 50]))
def test_it_never_holds_unless_the_exact_bound_does(failed, clean, percent):
    """Judged by exact fractions: at the limit itself, so few failures must be as rare as 5 %."""
    proof = Proof(ShowRule("board hit", float(percent)), "r2", Count(clean, filed=failed))
    exact = at_most(failed, clean + failed, Fraction(percent, 100)) <= Fraction(1, 20) if clean + failed else False
    assert proof.holds == exact
    assert proof.holds == (proof.missing == 0)
    if not proof.holds:
        missing = Proof(proof.rule, "r2", Count(clean + proof.missing, filed=failed))
        one_less = Proof(proof.rule, "r2", Count(clean + proof.missing - 1, filed=failed))
        assert missing.holds
        assert not one_less.holds
        assert missing.bound <= percent / 100 + 1e-12


@given(hits=st.lists(st.tuples(st.integers(1, 30), st.booleans()), max_size=12), extra=st.booleans())
def test_one_more_failure_never_helps(hits, extra):
    facts = [fact(number, hits=n, damage=("bent",) if broke else ()) for number, (n, broke) in enumerate(hits, 1)]
    before = Proof(BOARD, "r2", rules.count(BOARD, facts))
    broke = fact(99, damage=("bent",), kind="board hit, side" if extra else "flat landing")
    after = Proof(BOARD, "r2", rules.count(BOARD, [*facts, broke]))
    assert after.needed > before.needed
    assert after.bound >= before.bound
    assert before.holds or not after.holds


def test_what_counts_as_clean():
    facts = [
        fact(1, 10), fact(2, 5, session=CLOSED), fact(3, 7, session=OPEN), fact(4, 4, kind="flat landing"), fact(5, 3, piece=9),
        fact(6, damage=("bent",), session=OPEN), fact(7, 2, damage=("cracked",), cause="accident beyond design"),
        fact(8, damage=("bent",)), fact(8, damage=("bent",), piece=2),
    ]  # fmt: skip
    found = rules.count(BOARD, facts, judged={8: Judged(False, "struck by a fork lift", 1)}, shows_nothing={9})
    assert (found.clean, found.waiting, found.left_out) == (10 + 5 + 1, 7, 3)
    assert [f.label for f in found.failures] == ["I-06"]
    assert [f.label for f in found.other] == ["I-07", "I-08"]


def test_a_failure_of_any_kind_on_the_fixed_revision_is_a_recurrence():
    """The rule counts board hits; the pin bent on a flat landing all the same."""
    found = rules.count(BOARD, [fact(1, 28), fact(2, damage=("bent",), kind="flat landing")])
    assert (found.clean, found.failed, found.n) == (28, 1, 29)
    assert not Proof(BOARD, "r2", found).holds


def run(number, laps, minutes, *, session=2, closed=True, piece=1):
    return RunUse(number, f"R-{number:02d}", session, piece, 7, laps, minutes, closed)


@pytest.mark.parametrize("exposure, clean, waiting", [("run", 2, 1), ("lap", 24, 12), ("minute", 10.0, 5.0)])
def test_runs_laps_and_minutes_are_counted_once(exposure, clean, waiting):
    runs = [run(1, 12, 5.0), run(1, 12, 5.0, piece=2), run(2, 12, 5.0), run(3, 12, 5.0, session=1, closed=False)]
    found = rules.count(ShowRule(exposure, 1.0), [], runs)
    assert (found.clean, found.waiting, found.failed) == (clean, waiting, 0)


def test_a_table_of_use_stands_in_for_its_session():
    filed = [FiledUse(2, "S-02", 300, 120.0, 0, 1, "")]
    found = rules.count(ShowRule("lap", 1.0), [fact(1, damage=("bent",), session=CLOSED)], [run(1, 12, 5.0)], filed)
    assert (found.clean, found.failed) == (299, 1)
    assert rules.count(ShowRule("minute", 1.0), [], [run(1, 12, 5.0)], filed).clean == 120.0


def test_minutes_are_compared_by_the_conditional_test():
    """6 failures in 100 minutes against 0 in 100: P = .5^6."""
    minutes = ShowRule("minute", 1.0)
    p = rules.less_p(minutes, Count(100.0, filed=6), Count(100.0))
    assert p == pytest.approx(0.5**6)
    assert rules.less_p(minutes, Count(0.0), Count(100.0)) is None


def test_p_in_words():
    assert [rules.p_words(p) for p in (0.0004, 0.0156, 0.28)] == ["< 0.001", "0.016", "0.28"]
