"""The rest of a day that went otherwise: what was driven stays, half-driven brackets are closed first."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

from app.planning.brackets import Test, name_of
from app.planning.day import Before, Build, Day, Hours, Lack, Lead, TyreSet


class Done(NamedTuple):
    """A run that was driven and is whole. test: None for a control."""

    driver: str
    car: str
    build: Build
    test: Test | None
    tyres: str = ""
    end_min: float = 0.0
    pack: str = ""


def rest_of_day(day: Day, done: Sequence[Done], *, now: float, minutes_left: float | None = None, broken: Collection[str] = (),
                gone: Collection[str] = (), out_cars: Collection[str] = ()) -> Day:  # fmt: skip
    """The day that is left to plan, at minute `now` of the booking.

    minutes_left : minutes that can still be driven in, None = to the tear-down as booked;  broken : names of pieces
    gone, out_cars : drivers and cars that are out for the rest of the day
    """
    end = min(day.end, now + minutes_left) if minutes_left is not None else day.end
    hours = Hours(max(end, now), set_up=now, warm_up=0.0, breaks=0.0, tear_down=0.0)
    left = _lacks_left(day, done)
    return replace(
        day, hours=hours,
        drivers=tuple(d for d in day.drivers if d.name not in gone),
        cars=tuple(car for car in day.cars if car not in out_cars),
        pieces=tuple(p for p in day.pieces if p.name not in broken),
        tyres=tuple(_worn(t, done) for t in day.tyres),
        questions=tuple(q._replace(lacks=tuple(k for k in left[q.label] if k.driver not in gone)) for q in day.questions),
        leads=tuple(lead for lead in _leads(day, done) if lead.driver not in gone and lead.car not in out_cars),
        before=(*day.before, *_orders(done)), busy=_busy(done),
    )  # fmt: skip


def _busy(done: Sequence[Done]) -> dict[str, float]:
    """Car, driver and pack -> the minute at which its last run ended, or will."""
    found: dict[str, float] = {}
    for run in done:
        for name in filter(None, (run.car, run.driver, run.pack)):
            found[name] = max(found.get(name, run.end_min), run.end_min)
    return found


def _worn(tyres: TyreSet, done: Sequence[Done]) -> TyreSet:
    return tyres._replace(runs=tyres.runs + sum(run.tyres == tyres.name for run in done))


def _orders(done: Sequence[Done]) -> list[Before]:
    own: dict[str, list[str]] = {}
    for run in done:
        if run.test is not None:
            own.setdefault(run.driver, []).append(name_of(run.test))
    return [Before(driver, "today", tuple(tests)) for driver, tests in own.items()]


def _lacks_left(day: Day, done: Sequence[Done]) -> dict[str, list[Lack]]:
    """What each question lacks after what was driven: closed brackets are taken off, and so are those that a lead closes."""
    times: dict[tuple[str, Test], int] = {}
    for driver, test in closed(done, day):
        times[driver, test] = times.get((driver, test), 0) + 1
    for lead in _leads(day, done):
        for test in lead.open_tests:
            times[lead.driver, test] = times.get((lead.driver, test), 0) + 1
    found: dict[str, list[Lack]] = {}
    for question in day.questions:
        found[question.label] = []
        for lack in question.lacks:
            rest = lack.brackets - times.get((lack.driver, (question.label, lack.variant)), 0)
            if rest > 0:
                found[question.label].append(lack._replace(brackets=rest))
    return found


def closed(done: Sequence[Done], day: Day) -> list[tuple[str, Test]]:
    """(driver, test) of every test between two runs of its control by the same driver in the same car."""
    found = []
    for k, run in enumerate(done):
        if run.test is None:
            continue
        control = day.question(run.test[0]).control.build

        def is_control(other: Done, run: Done = run, control: Build = control) -> bool:
            return (other.driver, other.car, other.build) == (run.driver, run.car, control)

        if any(map(is_control, done[:k])) and any(map(is_control, done[k + 1 :])):
            found.append((run.driver, run.test))
    return found


def _leads(day: Day, done: Sequence[Done]) -> list[Lead]:
    """What can go on where it stopped: a driver's tests since their last control, and the control last driven by a car."""
    found = []
    for driver, car in dict.fromkeys((run.driver, run.car) for run in done):
        own = [run for run in done if (run.driver, run.car) == (driver, car)]
        since: list[Done] = []
        while own and own[-1].test is not None:
            since.insert(0, own.pop())
        tests = tuple(run.test for run in since if run.test is not None)
        if own and tests:
            found.append(Lead(car, driver, own[-1].build, tests, own[-1].tyres))
        elif own and [run for run in done if run.car == car][-1] is own[-1]:
            found.append(Lead(car, driver, own[-1].build, (), own[-1].tyres))
    return found
