"""The report on concerns: counts in order, ages, and growth with exact intervals.

Expected limits (Clopper & Pearson): 0 of 29 goes up to 1 - .025^(1/29) = 11.9 %; 2 of 14 is 1.8 to 42.8 % (binomial tables,
from memory).
"""

import math
from datetime import timedelta

import pytest

from app import clock
from app.concerns import loop_commands, loop_queries
from app.concerns.models import CauseClass, CloseKind, Danger
from app.concerns.rules import ShowRule
from app.db import transaction
from app.feedback.queries import hidden_sessions
from app.incidents.words import Happened
from app.proving import report_queries, report_rules, rules
from app.proving.queries import prove
from tests import make
from tests.concerns.make_concerns import concern
from tests.pages import text_of
from tests.proving import steps


def test_pareto_is_ordered_with_its_cumulative_share():
    lines = report_rules.pareto([("RHP", True, True),
                                 ("FST", True, False), ("RHP", False, False), ("RHC", True, False), ("RHP", True, False)])  # fmt: skip
    assert [(line.name, line.n, line.standing, line.blockers, round(line.share, 2)) for line in lines] == [
        ("RHP", 3, 2, 1, 0.6), ("FST", 1, 1, 0, 0.8), ("RHC", 1, 1, 0, 1.0),
    ]  # fmt: skip
    assert report_rules.pareto([]) == []


def test_growth_compares_each_revision_with_the_exposed_one_before(db):
    p = steps.pin(db)
    steps.hit(db, p, p.thin_pieces[0], 5)
    for _ in range(5):
        steps.hit(db, p, p.thin_pieces[1], damage=("bent",))
    steps.hit(db, p, p.thick_pieces[0], 29)
    lineage = [row for row in report_queries.list_lineage(db, p.team.id) if row.part_id == p.part_id]
    first, second = report_queries.grow(db, steps.RULE, lineage, ())
    assert (first.label, first.counted.failed, first.counted.n, first.told) == ("RHP-p25 r1", 5, 10, "the first that was exposed")
    assert (second.counted.failed, second.counted.n, second.told) == (0, 29, "shown to break less than RHP-p25 r1")
    assert second.p == pytest.approx(math.comb(10, 5) / math.comb(39, 5))  # Fisher's exact test, one-sided
    assert report_rules.growth_words(steps.RULE, [first, second]) == "Shown to have got better with RHP-p30 r1."


def test_equal_revisions_are_not_said_to_be_equal():
    count = rules.Count(12)
    lines = report_rules.growth(steps.RULE, [("r1", 1, count), ("r2", 2, rules.Count(0)), ("r3", 3, count)])
    assert [line.told for line in lines] == ["the first that was exposed", "never exposed", "no difference shown against r1"]
    assert "that is not the same as no better" in report_rules.growth_words(steps.RULE, lines)


def test_small_steps_are_judged_first_against_last_too():
    """3 of 12, 1 of 11, 0 of 31: no step is shown, first against last is, P = C(12,3)/C(43,3) (Fisher's exact test)."""
    counts = [rules.Count(9, filed=3), rules.Count(10, filed=1), rules.Count(31)]
    lines = report_rules.growth(steps.RULE, [(f"r{n}", n, count) for n, count in enumerate(counts, 1)])
    assert math.comb(12, 3) / math.comb(43, 3) == pytest.approx(0.018, abs=0.0005)
    assert report_rules.growth_words(steps.RULE, lines) == (
        "No revision is shown to break less than the one before it: that is not the same as no better. First against last: "
        "r1 failed 3 of 12, r3 0 of 31 board hits: shown to break less (one-sided P = 0.018).")  # fmt: skip


def test_a_break_in_another_kind_of_hit_is_no_share_of_this_one(db):
    """One crack on a board says nothing of flat landings on the old revision; on the fixed one it counts against the cure."""
    p = steps.pin(db, rule=ShowRule("flat landing", 10.0))
    steps.hit(db, p, p.thin_pieces[1], damage=("bent",))
    steps.hit(db, p, p.thin_pieces[0], 4, kind=Happened.FLAT)
    steps.hit(db, p, p.thick_pieces[0], 10, kind=Happened.FLAT)
    steps.hit(db, p, p.thick_pieces[1], damage=("bent",))
    loop = loop_queries.load_loop(db, p.concern_id)
    found = prove(db, loop, steps.row(db, p), p.thick, (), {})
    assert (found.before.failed, found.before.n) == (0, 4)
    assert (found.proof.counted.failed, found.proof.counted.n) == (1, 11)
    lineage = [row for row in report_queries.list_lineage(db, p.team.id) if row.part_id == p.part_id]
    assert [line.counted.failed for line in report_queries.grow(db, loop.rule, lineage, ())] == [0, 0]
    assert [line.counted.failed for line in report_queries.grow(db, ShowRule("lap", 1.0), lineage, ())] == [0, 0]  # bench, not laps


def test_a_double_is_counted_once_under_the_concern_that_goes_on(db, browser):
    p = steps.pin(db)
    steps.hit(db, p, p.thin_pieces[1], damage=("bent",))  # drafts a concern of its own
    steps.close(db, p, CloseKind.SAME_AS, concern_id=p.concern_id + 1, same_as_id=p.concern_id)
    shown = text_of(browser.as_(p.team.RT).get(f"/programmes/{p.team.id}/concerns/report", max_queries=12).text)
    assert "1 concern closed as the same as another, or as another part’s, is counted under the one that goes on." in shown
    assert "Concerns by part; n = 2" in shown


def test_the_page_orders_parts_causes_and_blockers(db, browser):
    p = steps.pin(db)
    steps.hit(db, p, p.thin_pieces[0], 12)
    for _ in range(2):
        steps.hit(db, p, p.thin_pieces[1], damage=("bent",))
    steps.hit(db, p, p.thick_pieces[0], 29)
    with transaction(db):
        loop_commands.note_cause(db, p.concern_id, by=p.team.RT, version=0, cause=CauseClass.DESIGN, words="Too thin for a nose hit.")
    with clock.at(clock.now() - timedelta(days=40)):
        concern(db, p.team.AQ, "Pack swells when charged cold.", danger=Danger.CRITICAL, severity=9)
    page = browser.as_(p.team.RT).get(f"/programmes/{p.team.id}/concerns/report?part={p.part_id}", max_queries=12)
    shown = text_of(page.text)
    for words in ("2 open blockers", "40", "Concerns by part", "RHP Rear outer hinge pin", "no part named", "design", "not known yet",
                  "1.8 to 42.8", "0.0 to 11.9",
                  "no difference shown against RHP-p25 r1 (one-sided P = 0.101)", "Fisher’s exact test"):  # fmt: skip
        assert words in shown, words
    assert shown.index("C-05") < shown.index("C-02")  # the oldest first
    for exposure in ("run", "lap", "minute", "any impact", "nonsense"):
        browser.as_(p.team.RT).get(f"/programmes/{p.team.id}/concerns/report?exposure={exposure}&part=x", max_queries=12)


def test_the_report_without_a_concern_says_what_to_do_first(db, browser):
    team = make.programme(db)
    page = browser.as_(team.AQ).get(f"/programmes/{team.id}/concerns/report", max_queries=12)
    assert "No concern yet, so there is nothing to report." in text_of(page.text)
    assert hidden_sessions(db, team.AQ) == []
