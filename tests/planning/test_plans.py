"""Every plan keeps every rule, whatever the day is like.

Source of the rules: our written acceptance of planning; the judge is `days.broken_rules`, which shares nothing with the
search. Days are drawn by Hypothesis.
"""

import time
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.planning.brackets import Style, runs_of
from app.planning.check import check_plan
from app.planning.day import Chance, Day, Driver, Hours, Pack, Piece, TyreSet
from app.planning.plan import BALANCED, FEW_CHANGES, WISHES
from app.planning.search import alternatives, plan_day
from tests.planning.days import TEAM, broken_rules, day, question


@st.composite
def days(draw) -> Day:
    n, cars, people = draw(st.integers(1, 4)), draw(st.integers(1, 3)), draw(st.integers(1, 4))
    team, names = TEAM[:people], tuple(f"car {k + 1}" for k in range(cars))
    asked = tuple(
        question(k, draw(st.integers(1, 3)), n, draw(st.lists(st.sampled_from(team), min_size=1, unique=True)),
                 fit_only=draw(st.booleans()) and draw(st.booleans()), brackets=draw(st.integers(1, 2)),
                 decide_by=draw(st.none() | st.dates(date(2026, 1, 1), date(2026, 12, 31))))
        for k in range(n)
    )  # fmt: skip
    who = tuple(
        Driver(name, tuple(draw(st.sets(st.sampled_from(names)))), draw(st.sampled_from([0.0, 7.0, 15.0])),
               draw(st.none() | st.integers(0, 9)))
        for name in team
    )  # fmt: skip
    tyres = tuple(TyreSet(f"set {k}", draw(st.integers(0, 9)), draw(st.integers(4, 20))) for k in range(draw(st.integers(0, 3))))
    packs = tuple(Pack(f"pack {k}", draw(st.sampled_from([20.0, 45.0]))) for k in range(draw(st.integers(0, 3))))
    pieces = tuple(
        Piece(f"{part} {level} #{k + 1}", part, level)
        for part in draw(st.sets(st.sampled_from([f"P{k}" for k in range(n)])))
        for level in "0123"
        for k in range(draw(st.integers(0, 2)))
    )
    change = {f"P{k}": draw(st.sampled_from([0.0, 6.0, 12.0])) for k in range(n)}
    hours = Hours(draw(st.integers(60, 400)), breaks=draw(st.sampled_from([0.0, 15.0])))
    return Day(hours, names, who, asked, change_min=change, tyres=tyres, packs=packs, pieces=pieces)


@settings(max_examples=150, deadline=None)
@given(days(), st.sampled_from(WISHES))
def test_no_plan_breaks_a_rule(some_day, wish):
    plan = plan_day(some_day, wish, steps=40)
    assert broken_rules(some_day, plan.lines) == []
    wanted = sum(k.brackets for q in some_day.questions for k in q.lacks)
    each = {q.label: 2 if q.fit_only else 1 for q in some_day.questions}
    placed = sum(1 / each[line.test[0]] for line in plan.lines if line.test)
    assert placed + len(plan.left_out) == pytest.approx(wanted), "what is not planned is left out with its reason"
    assert all(left.why for left in plan.left_out)


@settings(max_examples=25, deadline=None)
@given(days(), st.integers(1, 5))
def test_the_same_day_and_seed_give_the_same_plan(some_day, seed):
    first, again = (plan_day(some_day, BALANCED, seed=seed, steps=60) for _ in range(2))
    assert first == again


def test_check_value_34():
    """Hall 240 min -> 150 min -> 12 runs a car; A-B-A-C-A = 5 runs = 60 min."""
    hours = Hours(240)
    assert hours.available == 150
    assert runs_of(2, Style.SINGLE) == 5
    assert runs_of(2, Style.SINGLE) * day().cycle == 60
    one = plan_day(day(4, rivals=2, drivers=1, cars=1))
    assert len(one.lines) == 11, "five tests between controls; a twelfth run would close nothing"
    assert one.minutes_used == {"car 1": 132}
    assert one.slack == 18
    assert one.lines[5].start - one.lines[4].start in (12, 27), "the break of 15 min stands near the middle"
    assert one.lines[-1].start == 65 + 10 * 12 + 15


def test_one_question_in_three_cars_is_the_acceptance_day():
    """Three drivers, each A-B-A-C-A in their own car: 15 runs, 60 min a car, the order of B and C turned over."""
    plan = plan_day(day())
    assert len(plan.lines) == 15
    assert plan.minutes_used == {"car 1": 60, "car 2": 60, "car 3": 60}
    orders = {c.tests for c in plan.chains}
    assert len(orders) == 2, "B before C for some, C before B for others"
    assert plan.imbalance.position == 2
    assert plan.left_out == ()


def test_a_control_serves_two_questions_of_one_build():
    """A-B-A-D-A: five runs for a test of each of two questions, not six."""
    plan = plan_day(day(2, rivals=1, drivers=1, cars=1))
    assert len(plan.lines) == 5
    middle = plan.lines[2]
    assert middle.role == "control"
    assert {q for q, _ in middle.serves} == {"Q-00", "Q-01"}


def test_changes_longer_than_the_turnround_cost_time():
    """A pin takes 12 min: 5 beyond the turnround of 7; an arm takes 6 and costs nothing."""
    pin = plan_day(day(rivals=1, drivers=1, cars=1, change_min={"P0": 12.0}))
    arm = plan_day(day(rivals=1, drivers=1, cars=1, change_min={"P0": 6.0}))
    assert [line.start for line in pin.lines] == [65, 82, 99]
    assert [line.start for line in arm.lines] == [65, 77, 89]


def test_fewer_changes_or_better_balance_are_two_plans():
    plans = alternatives(day(1, rivals=2, drivers=3, cars=1, booked=330, change_min={"P0": 12.0}))
    by = {plan.wish: plan for plan in plans}
    balanced, few = by["better balance"], by["fewer changes"]
    assert few.changes < balanced.changes
    assert few.imbalance.total > balanced.imbalance.total or few.tests > balanced.tests


def test_what_a_plan_is_expected_to_settle_comes_from_the_outlook():
    outlook = (Chance("v1", ("AQ", "MS"), 2, 0.20), Chance("v1", ("AQ", "MS"), 4, 0.26), Chance("v1", ("AQ",), 2, 0.05))
    asked = (question(0, 1, 1, ("AQ", "MS"), outlook=outlook),)
    plan = plan_day(day(asked=asked, drivers=2, cars=2))
    assert plan.settles == 0.20
    assert plan.settles_per_hour == pytest.approx(0.20 / 4)
    assert plan_day(day()).settles is None


def test_a_fit_only_question_goes_there_and_back():
    asked = (question(0, 1, 1, ("AQ", "MS"), fit_only=True),)
    plan = plan_day(day(asked=asked, drivers=2, cars=2))
    orders = {d: [line.role[0] for line in plan.lines if line.driver == d] for d in ("AQ", "MS")}
    assert sorted(orders.values()) == [["c", "t", "t", "c"], ["t", "c", "c", "t"]]


def test_the_most_urgent_question_is_planned_first():
    late, soon = (question(k, 1, 2, TEAM[:3], decide_by=date(2026, 6 - k, 1)) for k in range(2))
    plan = plan_day(day(asked=(late, soon), cars=1, booked=90 + 9 * 12))
    assert {line.test[0] for line in plan.lines if line.test} == {soon.label}
    assert {left.question for left in plan.left_out} == {late.label}


def test_the_design_check_names_what_a_plan_can_not_tell_apart():
    """A bar that always comes with the pin is an alias; a plan of brackets is none."""
    sound = check_plan(day(), plan_day(day(booked=480)).lines)
    assert [c.reading.aliased if hasattr(c.reading, "aliased") else False for c in sound] == [False, False]
    assert not any("late" in s or "always" in s for c in sound for s in c.blocked)
    one = day(rivals=1, drivers=1, cars=1)
    told = check_plan(one, plan_day(one).lines)
    assert any("one driver" in sentence for sentence in told[0].blocked)
    lines = plan_day(day(rivals=1)).lines
    first = [line for line in lines if line.role == "control" and line.start == 65] + [line for line in lines if line.role == "test"]
    assert any("always driven after the control" in s for s in check_plan(day(rivals=1), first)[0].blocked)


def test_by_turns_the_drivers_of_a_car_share_its_builds():
    plan = plan_day(day(rivals=1, drivers=3, cars=1), FEW_CHANGES)
    assert [line.role for line in plan.lines] == ["control"] * 3 + ["test"] * 3 + ["control"] * 3
    assert plan.changes == 2


@pytest.mark.parametrize(("questions", "booked", "most_s"), [(6, 90 + 10 * 12, 1.0), (12, 90 + 20 * 12, 5.0)])
def test_time_to_a_plan(questions, booked, most_s):
    """Our aim: 6 questions, 4 drivers, 3 cars, 30 runs in 1 s of CPU; 12 questions, 60 runs in 5 s; all alternatives together."""
    asked = day(questions, drivers=4, booked=booked)
    began = time.process_time()
    plans = alternatives(asked)
    took = time.process_time() - began
    assert max(len(plan.lines) for plan in plans) >= (booked - 90) / 12 * 3 - 4
    assert took < most_s
