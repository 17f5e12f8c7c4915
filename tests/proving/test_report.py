"""The report on concerns: counts in order, ages, and growth with exact intervals.

Expected limits (Clopper & Pearson): 0 of 29 goes up to 1 - .025^(1/29) = 11.9 %; 2 of 14 is 1.8 to 42.8 % (binomial tables,
from memory).
"""

import math
from datetime import timedelta

import pytest

from app import clock
from app.concerns import loop_commands
from app.concerns.models import CauseClass, Danger
from app.db import transaction
from app.feedback.queries import hidden_sessions
from app.proving import report_queries, rules
from tests import make
from tests.concerns.make_concerns import concern
from tests.pages import text_of
from tests.proving import steps


def test_pareto_is_ordered_with_its_cumulative_share():
    lines = rules.pareto([("RHP", True, True), ("FST", True, False), ("RHP", False, False), ("RHC", True, False), ("RHP", True, False)])
    assert [(line.name, line.n, line.standing, line.blockers, round(line.share, 2)) for line in lines] == [
        ("RHP", 3, 2, 1, 0.6), ("FST", 1, 1, 0, 0.8), ("RHC", 1, 1, 0, 1.0),
    ]  # fmt: skip
    assert rules.pareto([]) == []


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
    assert rules.growth_words([first, second]) == "Shown to have got better with RHP-p30 r1."


def test_equal_revisions_are_not_said_to_be_equal():
    count = rules.Count(12)
    lines = rules.growth(steps.RULE, [("r1", 1, count), ("r2", 2, rules.Count(0)), ("r3", 3, count)])
    assert [line.told for line in lines] == ["the first that was exposed", "never exposed", "no difference shown against r1"]
    assert "that is not the same as no better" in rules.growth_words(lines)


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
