"""When a condition class counts as covered. Source: the written cuts, common practice, no source."""

import pytest

from app.evidence.conditions import compared_in
from app.evidence.inputs import Evidence, Goal, Question, Rule, Scale
from app.evidence.preferences import fit_preferences
from app.evidence.ratings import fit_attribute
from app.evidence.rows import Preference
from app.evidence.story import roll_up
from tests.evidence.make import outing


def choices(*asked, condition="dry"):
    question = Question("A", ("A", "B"), {}, Rule(goals=(Goal("preference"),), drivers=2, conditions=("dry",)))
    return Evidence(question, preferences=tuple(Preference(d, s, "A", "B", "B", condition=condition) for d, s in asked))


TWO_BY_TWO = [(d, s) for d in ("D1", "D2") for s in ("S1", "S2")]


ONE_DRIVER = [("D1", "S1"), ("D1", "S2"), ("D1", "S3")]


@pytest.mark.parametrize("asked, enough", [(TWO_BY_TWO, True), (TWO_BY_TWO[:2], False), (ONE_DRIVER, False)])
def test_a_choice_is_a_comparison_by_itself(asked, enough):
    evidence = choices(*asked)
    found = compared_in(fit_preferences(evidence), "B", "A", "dry")
    assert (found.runs, found.enough) == (2 * len(asked), enough)
    assert compared_in(fit_preferences(evidence), "B", "A", "wet").runs == 0


def test_choices_of_another_class_leave_the_gate_closed():
    closed = roll_up(choices(*[(d, f"S{s}") for d in ("D1", "D2", "D3") for s in range(6)], condition="wet")).verdicts[
        0
    ]
    opened = roll_up(choices(*[(d, f"S{s}") for d in ("D1", "D2", "D3") for s in range(6)])).verdicts[0]
    assert (closed.verdict, closed.clause) == ("retest", "conditions")
    assert (opened.verdict, opened.clause) == ("adopt", "gain")


def test_runs_count_only_where_one_driver_drove_both_in_the_class():
    question = Question("A", ("A", "B"), {"grip": Scale()}, Rule(goals=(Goal("grip"),)))
    marks = [
        m
        for s in ("S1", "S2")
        for d in ("D1", "D2")
        for m in outing(d, "A B A", (5, 6, 5), session=s, attribute="grip", car=d)
    ]
    marks += outing("D3", "B B", (6, 6), session="S1", attribute="grip", car="9")
    found = compared_in(fit_attribute(Evidence(question, tuple(marks)), "grip"), "B", "A", "cold carpet")
    assert (found.sessions, dict(found.by_driver), found.runs) == (2, {"D1": 6, "D2": 6}, 12)
    assert found.enough
