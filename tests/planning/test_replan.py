"""A day that goes otherwise. Source: our scenarios 22 and 23, and our written rules of a plan (judge: `days.broken_rules`)."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from app.planning.brackets import Driven, to_recover
from app.planning.day import Day, Piece
from app.planning.plan import BALANCED, WISHES
from app.planning.replan import Done, closed, rest_of_day
from app.planning.search import plan_day
from tests.planning.days import broken_rules, day
from tests.planning.test_plans import days

FIXTURE = {"AQ": ("1", "t40 t45 t40 t50 t40"), "MS": ("2", "t40 t50 t40 t45 t40"), "DH": ("3", "t40 t45 t40 t50 t40")}


def test_scenario_23_day_cut_short():
    """Power fails before the last slot: t45 keeps AQ and DH, t50 keeps MS; three drivers x (control, test, control) to recover."""
    driven = [Driven(d, car, v) for d, (car, order) in FIXTURE.items() for v in order.split()[:4]]
    assert to_recover(driven, "t40") == [
        ("AQ", ("t40", "t50", "t40")), ("MS", ("t40", "t45", "t40")), ("DH", ("t40", "t50", "t40")),
    ]  # fmt: skip
    assert to_recover([Driven(d, car, v) for d, (car, order) in FIXTURE.items() for v in order.split()], "t40") == []


def done_of(lines) -> list[Done]:
    return [Done(line.driver, line.car, line.build, line.test, line.tyres, line.start + 5, line.pack) for line in lines]


def test_scenario_22_a_piece_broke():
    """t50's only piece cracks in the fourth run: the rest of the day closes what is open and drives no t50."""
    pieces = tuple(Piece(f"t{40 + 5 * k} #{n}", "P0", str(k)) for k in range(3) for n in (1, 2, 3))
    whole = day(pieces=pieces)
    plan = plan_day(whole)
    at = 65 + 3 * 12.0
    done = done_of(line for line in plan.lines if line.start < at)
    rest = rest_of_day(whole, done, now=at + 7, broken=[p.name for p in pieces if p.level == "2"])
    again = plan_day(rest)
    assert broken_rules(rest, again.lines) == []
    assert all(line.test != ("Q-00", "v2") for line in again.lines)
    assert {left.variant for left in again.left_out} <= {"v2"}
    assert all("No piece of P0 2" in left.why for left in again.left_out)


def test_an_open_bracket_is_closed_first():
    """AQ drove A-B when the lights went; with 12 min left the one run is the closing control."""
    one = day(rivals=2, drivers=1, cars=1)
    done = done_of(plan_day(one).lines[:2])
    again = plan_day(rest_of_day(one, done, now=100, minutes_left=12))
    assert [(line.role, line.driver, line.start) for line in again.lines] == [("control", "AQ", 100)]
    assert [left.variant for left in again.left_out] == [({"v1", "v2"} - {done[1].test[1]}).pop()]


def test_a_control_just_driven_opens_the_next_bracket():
    one = day(rivals=1, drivers=1, cars=1)
    again = plan_day(rest_of_day(one, done_of(plan_day(one).lines[:1]), now=80))
    assert [line.role for line in again.lines] == ["test", "control"]


def test_a_driver_who_left_drives_no_more():
    whole = day()
    done = done_of(line for line in plan_day(whole).lines if line.start < 65 + 24)
    again = plan_day(rest_of_day(whole, done, now=95, gone=["DH"]))
    assert {line.driver for line in again.lines} == {"AQ", "MS"}
    assert again.left_out == (), "what the driver who left still lacks is asked for another day"


def test_forty_minutes_remain():
    """40 min are three runs a car: 36 min."""
    whole = day(3)
    done = done_of(line for line in plan_day(whole).lines if line.start < 65 + 36)
    rest = rest_of_day(whole, done, now=104, minutes_left=40)
    again = plan_day(rest)
    assert broken_rules(rest, again.lines) == []
    assert max(again.minutes_used.values()) <= 40
    assert again.left_out


def follows(rest: Day, done: list[Done], lines) -> list[str]:
    """What of the new lines comes too soon after what was driven: by car, driver (rest) and pack (charging)."""
    waits = dict.fromkeys(rest.cars, 7.0) | {d.name: max(7.0, d.rest_min) for d in rest.drivers}
    waits |= {p.name: p.charging_min for p in rest.packs}
    ended = {name: max(r.end_min for r in done if name in (r.car, r.driver, r.pack))
             for name in waits if any(name in (r.car, r.driver, r.pack) for r in done)}  # fmt: skip
    return [f"{name} at {line.start}" for line in lines for name in (line.car, line.driver, line.pack)
            if name in ended and line.start < ended[name] + waits[name] - 1e-6]  # fmt: skip


def test_a_car_under_way_waits_for_its_end():
    """Car 1 is out until minute 110: its next run starts a turnround later, the other cars at once."""
    whole = day()
    done = done_of(line for line in plan_day(whole).lines if line.start < 65 + 24)
    late = [run._replace(end_min=110.0) if run.car == "car 1" and run is done[-3] else run for run in done]
    again = plan_day(rest_of_day(whole, late, now=100))
    first = {car: min(line.start for line in again.lines if line.car == car) for car in whole.cars}
    assert first == {"car 1": 117, "car 2": 100, "car 3": 100}


@settings(max_examples=80, deadline=None)
@given(days(), st.sampled_from(WISHES), st.integers(0, 12), st.integers(0, 120), st.booleans(), st.booleans())
def test_no_re_plan_breaks_a_rule(some_day, wish, k, left, break_one, send_one):
    """After any number of runs, whoever is out and whatever broke: the rest is sound and what is open is closed or named."""
    plan = plan_day(some_day, wish, steps=20)
    done = done_of(plan.lines[:k])
    now = max((run.end_min for run in done), default=65.0) + 7
    broken = [some_day.pieces[0].name] if break_one and some_day.pieces else []
    gone = [some_day.drivers[0].name] if send_one else []
    rest = rest_of_day(some_day, done, now=now, minutes_left=left, broken=broken, gone=gone)
    again = plan_day(rest, BALANCED, steps=20)
    assert broken_rules(rest, again.lines) == []
    assert all(line.start >= now - 1e-6 and line.start + rest.cycle <= now + left + 1e-6 for line in again.lines)
    assert not {line.driver for line in again.lines} & set(gone)
    assert follows(rest, done, again.lines) == []
    fit_only = {q.label for q in rest.questions if q.fit_only}
    after = closed([*done, *done_of(again.lines)], some_day)
    for lead in rest.leads:
        for test in lead.open_tests:
            named = [(left_out.question, left_out.variant) for left_out in again.left_out]
            assert (lead.driver, test) in after or test in named or test[0] in fit_only


def test_nothing_driven_is_the_day_itself():
    whole = day()
    assert rest_of_day(whole, [], now=65).questions == replace(whole).questions
