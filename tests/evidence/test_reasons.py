"""The reason named is the real one: what a reviewer found wrong once. Sources: none needed, or our written rule."""

from dataclasses import replace

import numpy as np

from app.evidence.design_check import design_of
from app.evidence.design_rows import DesignRow
from app.evidence.inputs import Evidence, Fact, Goal, Must, Question, Rule, Scale
from app.evidence.rows import LAP_TIME, PREFERENCE, Exposure, Preference
from app.evidence.story import roll_up
from tests.evidence.make import pair_question, programme

GAIN = {"effects": (0.0, 2.0), "sessions": 4, "absent": 0, "lost": 0, "driver_variant_sd": 0.1}


def marks(**more):
    return programme(np.random.default_rng(4), **{**GAIN, **more})


def test_a_must_that_one_session_speaks_on_adopts_nothing():
    both = marks(attributes=("grip", "calm"), must_effects=(0.0, 0.0))
    thin = tuple(m for m in both if m.attribute == "grip" or m.session == "S0")
    found = roll_up(Evidence(pair_question(Scale(), musts=(Must("calm", 2.0),), drivers=2), thin)).verdicts[0]
    assert (found.verdict, found.clause) == ("retest", "sessions")
    assert "calm was compared in only 1 session" in found.sentence


def test_choices_of_one_session_adopt_nothing_whatever_else_was_rated():
    question = Question("A", ("A", "B"), {"calm": Scale()}, Rule(goals=(Goal(PREFERENCE),), musts=(Must("calm", 2.0),), drivers=2))
    choices = tuple(Preference(f"D{d}", "S0", "A", "B", "B") for d in range(6))
    rated = tuple(replace(m, attribute="calm") for m in marks(effects=(0.0, 0.0)))
    found = roll_up(Evidence(question, rated, preferences=choices)).verdicts[0]
    assert (found.verdict, found.clause) == ("retest", "sessions")


def test_missing_laps_are_called_missing_laps_and_do_not_save_a_bad_part():
    rule = Rule(goals=(Goal("grip"),), musts=(Must(LAP_TIME, 0.3),), drivers=2)
    question = Question("A", ("A", "B"), {"grip": Scale()}, rule)
    good, bad = (roll_up(Evidence(question, tuple(marks(effects=(0.0, e))))).verdicts[0] for e in (2.0, -2.0))
    assert (good.verdict, good.clause) == ("retest", "thin")
    assert "nothing on lap time compares it with A yet" in good.sentence
    assert good.nearest == "Adopt needs lap time of B and A by one driver in one session."
    assert (bad.verdict, bad.clause) == ("reject", "loss")


def rows(order, minutes=None, others=None, sessions=3):
    return [
        DesignRow(f"D{d}", f"S{s}", f"{s}{d}{k}", v, (minutes or [12.0 * i for i in range(len(order))])[k],
                  (others(v, d, s) if others else ()))
        for s in range(sessions) for d in range(3) for k, v in enumerate(order)
    ]  # fmt: skip


def flags_of(driven):
    reading = design_of(pair_question(Scale()), "B", driven)
    return [(f.kind, f.sentence) for f in reading.flags if f.blocks]


def test_the_part_that_came_along_is_named_at_the_rivals_level():
    ((kind, told),) = flags_of(rows("ABBA", others=lambda v, d, s: (("pin", "new" if v == "B" else "old"),)))
    assert kind == "aliased"
    assert "B always came together with pin=new" in told


def test_a_part_of_three_levels_is_named_as_a_part():
    levels = lambda v, d, s: (("pin", "old" if v == "A" else f"new{(d + s) % 2}"),)  # noqa: E731 - one line beside its twin
    ((kind, told),) = flags_of(rows("ABBA", others=levels))
    assert kind == "aliased"
    assert "another pin" in told


def test_one_run_each_always_in_that_order_is_late_only():
    ((kind, told),) = flags_of(rows("AB"))
    assert kind == "late_only"
    assert "always driven after the control" in told


def test_a_variant_that_nobody_drove_does_not_raise_the_bar():
    question = Question("A", ("A", "B", "C"), {"grip": Scale()}, Rule(goals=(Goal("grip"),), drivers=2))
    sheet = roll_up(Evidence(question, tuple(marks()), exposures=(Exposure("C", laps=10),)))
    (goal,) = [c for c in sheet.criteria if c.variant == "B" and c.role == "goal"]
    assert "0.96" in goal.needs


def test_names_keep_their_capitals_inside_a_sentence():
    question = Question("Hard", ("Hard", "Soft"), {"grip": Scale()}, Rule(goals=(Goal("grip"),), drivers=2))
    renamed = [replace(m, variant={"A": "Hard", "B": "Soft"}[m.variant], others=(("Pin", m.variant),)) for m in marks()]
    found = roll_up(Evidence(question, tuple(renamed))).verdicts[0]
    assert found.clause == "aliased"
    assert "but Soft always came together with Pin=B" in found.sentence


def test_a_fact_of_failures_is_worded_as_such():
    rule = Rule("no_worse", musts=(Must("grip", 0.5),), fact_failures=True, drivers=2)
    question = Question("A", ("A", "B"), {"grip": Scale()}, rule)
    used = (Exposure("A", laps=2000, failures=6), Exposure("B", laps=4000, failures=0))
    found = roll_up(Evidence(question, tuple(marks()), exposures=used)).verdicts[0]
    assert (found.verdict, found.clause) == ("adopt", "no_worse")
    assert "B breaks less often than A" in found.sentence
    unknown = roll_up(Evidence(question, tuple(marks()), exposures=used[:1])).verdicts[0]
    assert unknown.verdict == "retest"
    assert "breaks less often" in unknown.nearest


def test_ignoring_two_ahead_lets_the_best_of_them_stand():
    question = Question("A", ("A", "B", "C"), {"grip": Scale()}, Rule(goals=(Goal("grip"),), drivers=2))
    equal_pair = tuple(programme(np.random.default_rng(6), **{**GAIN, "effects": (0.0, 2.5, 2.5), "sessions": 6}))
    kept = roll_up(Evidence(question, equal_pair)).verdicts
    assert [v.clause for v in kept] == ["two_ahead", "two_ahead"]
    open_rule = replace(question, rule=replace(question.rule, ignored_gates=("two_ahead",)))
    assert [v.verdict for v in roll_up(Evidence(open_rule, equal_pair)).verdicts] == ["adopt", "adopt"]


def test_a_declared_fact_is_named_when_it_is_missing():
    rule = Rule("no_worse", musts=(Must("grip", 0.5),), fact=Fact("mass", {"A": 12.0}, unit="g"), drivers=2)
    found = roll_up(Evidence(Question("A", ("A", "B"), {"grip": Scale()}, rule), tuple(marks()))).verdicts[0]
    assert found.verdict == "retest"
    assert "the declared figure of the control and the rival" in found.nearest
