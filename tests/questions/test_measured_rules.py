"""Rules on what is measured: lap time and preference as goal or must, durability, fewer failures as the fact."""

import pytest

from app.db import transaction
from app.errors import Refused
from app.evidence import inputs, rows
from app.questions import commands, queries
from app.questions.forms import RuleForm
from app.questions.rules import DeclaredRule, DurabilityRule, FactRule, GoalRule, MustRule, check_rule
from tests import fixture
from tests.measurements.steps import look
from tests.pages import text_of

WHOLE = DeclaredRule(
    goals=(GoalRule(3, 0.6), GoalRule(0, 0.4, "lap_time")),
    musts=(MustRule(4, 50), MustRule(0, 20, "preference")),
    worthwhile_hundredths=50, worthwhile_percent_hundredths=25, fact_failures=True,
    durability=DurabilityRule(0.5, 1000, "impacts", True),
)  # fmt: skip


def test_a_rule_comes_back_from_its_stored_form():
    assert DeclaredRule.read(WHOLE.stored()) == WHOLE


def test_a_rule_stored_before_there_were_measures_still_reads():
    stored = {"kind": "gain", "goals": [{"attribute_id": 3, "weight": 1.0}], "musts": [{"attribute_id": 4, "margin_hundredths": 50}],
              "secondary": [], "worthwhile_hundredths": 50, "drivers": 3, "brackets": 1, "sessions": 2, "conditions": [],
              "blind_percent": 0, "fact": None}  # fmt: skip
    assert DeclaredRule.read(stored) == DeclaredRule(goals=(GoalRule(3),), musts=(MustRule(4, 50),), worthwhile_hundredths=50)


def test_a_measured_rule_passes_the_check():
    check_rule(WHOLE, [3, 4], ["t40", "t45"])
    check_rule(DeclaredRule(goals=(GoalRule(0, measure="lap_time"),)), [], ["t40", "t45"])
    check_rule(DeclaredRule(kind="no_worse", musts=(MustRule(0, 10, "lap_time"),), fact_failures=True), [], ["t40", "t45"])


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (DeclaredRule(goals=(GoalRule(0, measure="mass"),)), "not of this programme"),
        (DeclaredRule(goals=(GoalRule(0),)), "not of this programme"),
        (DeclaredRule(goals=(GoalRule(0, 0.5, "lap_time"), GoalRule(0, 0.5, "lap_time"))), "the same attribute"),
        (DeclaredRule(goals=(GoalRule(0, 1.0, "lap_time"),), musts=(MustRule(0, 10, "lap_time"),)), "can't also be a must"),
        (DeclaredRule(goals=(GoalRule(3),), musts=(MustRule(0, 0, "lap_time"),)), "margin is more than nothing"),
        (DeclaredRule(goals=(GoalRule(3),), worthwhile_percent_hundredths=0), "worthwhile difference is more"),
        (DeclaredRule(goals=(GoalRule(3),), durability=DurabilityRule(0.0)), "failure rate is more than nothing"),
        (DeclaredRule(goals=(GoalRule(3),), durability=DurabilityRule(1.0, 0)), "per so many"),
        (DeclaredRule(goals=(GoalRule(3),), durability=DurabilityRule(1.0, 10, "days")), "per so many"),
        (DeclaredRule(kind="no_worse"), "needs its declared fact"),
    ],
)
def test_a_measured_rule_that_decides_nothing_is_refused(rule, words):
    with pytest.raises(Refused, match=words):
        check_rule(rule, [3, 4], ["t40", "t45"])


def test_the_form_shows_a_rule_and_reads_it_back():
    form = RuleForm().show(WHOLE)
    choices = [("3", "Precision"), ("4", "Landing"), ("lap_time", "Lap time"), ("preference", "Forced preference")]
    form.submitted = True
    form.offer(goal=choices, goal_second=choices, musts=choices)
    assert form.errors == []
    shown = form.rule()
    assert (shown.goals, shown.durability, shown.fact_failures) == (WHOLE.goals, WHOLE.durability, True)
    assert shown.worthwhile_percent_hundredths == 25


def declared(db, w, rule):
    with transaction(db):
        commands.declare_rule(db, w.question_id, by=w.team.RT, rule=rule, reason="laps are timed from now on")
    return look(db, w).question.rule


def test_the_evidence_asks_for_what_was_declared(db):
    w = fixture.s03(db)
    precision, landing = w.season.attributes["Steering precision"], w.season.attributes["Jump and landing stability"]
    found = declared(db, w, DeclaredRule(
        goals=(GoalRule(precision, 0.6), GoalRule(0, 0.4, "lap_time")),
        musts=(MustRule(landing, 50), MustRule(0, 20, "preference")), worthwhile_hundredths=50, worthwhile_percent_hundredths=25,
        durability=DurabilityRule(0.5, 1000, "impacts", True)))  # fmt: skip
    assert found.goals == (inputs.Goal("Steering precision", 0.6), inputs.Goal("lap_time", 0.4))
    assert found.musts == (inputs.Must("Jump and landing stability", 0.5), inputs.Must("preference", 0.2))
    assert found.worthwhile_percent == 0.25
    assert found.durability == rows.Durability(0.5, 1000, "impacts", True)
    assert found.fact_failures is False


def test_a_question_of_lap_time_alone_still_watches_the_ratings(db):
    w = fixture.s03(db)
    found = declared(db, w, DeclaredRule(goals=(GoalRule(0, 1.0, "lap_time"),)))
    assert found.goals == (inputs.Goal("lap_time"),)
    assert "Steering precision" in found.secondary
    assert len(look(db, w).marks) == 15


def test_fewer_failures_is_the_fact(db):
    w = fixture.s03(db)
    found = declared(db, w, DeclaredRule(kind="no_worse", musts=(MustRule(0, None, "lap_time"),), fact_failures=True))
    assert (found.fact_failures, found.fact, found.musts) == (True, None, (inputs.Must("lap_time", None),))
    both = DeclaredRule(kind="no_worse", musts=(MustRule(0, None, "lap_time"),), fact_failures=True,
                        fact=FactRule("mass", "g", "lower", {"t40": 12.4, "t45": 13.9, "t50": 15.5}))  # fmt: skip
    assert declared(db, w, both).fact.values["t45"] == 13.9


def test_a_measured_rule_is_declared_on_the_page(db, browser):
    w = fixture.s03(db)
    path = w.path(f"/questions/{w.question_id}/rule")
    page = browser.as_(w.team.RT).get(path, max_queries=12)
    assert "Forced preference" in page.text
    typed = {
        "kind": "gain", "goal": "lap_time", "worthwhile": "0.5", "worthwhile_percent": "0,3", "musts": ["preference"], "margin": "0.5",
        "drivers": "3", "brackets": "1", "sessions": "2", "blind_percent": "0", "fact_better": "lower", "durability_rate": "0.5",
        "durability_per": "1000", "durability_unit": "laps", "reason": "the timing loop works now",
    }  # fmt: skip
    refused = text_of(browser.post(path, {**typed, "durability_rate": "0"}, status=422).text)
    assert "A highest failure rate is more than nothing" in refused
    browser.post(path, typed)
    db.rollback()
    kept = DeclaredRule.read(queries.get_question(db, w.team.id, w.question_id).rules[-1].declared)
    assert kept.goals == (GoalRule(0, 1.0, "lap_time"),)
    assert kept.musts == (MustRule(0, 50, "preference"),)
    assert kept.durability == DurabilityRule(0.5, 1000.0, "laps", False)
    shown = text_of(browser.get(path).text)
    assert "W of lap time 0.3 %; at most 0.5 failures per 1000 laps" in shown
    assert "Lap time" in text_of(browser.get(w.path(f"/questions/{w.question_id}"), max_queries=12).text)
