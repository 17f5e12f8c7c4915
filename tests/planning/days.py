"""Days to plan, and a second judge of a plan: written from the rules alone, it shares nothing with the search."""

from collections.abc import Sequence
from datetime import date
from itertools import pairwise

from app.planning.day import Chance, Day, Driver, Hours, Lack, Line, OpenQuestion, Variant

TEAM = ("AQ", "MS", "DH", "PL", "SK", "RT")


def question(number: int, rivals: int, parts: int, drivers: Sequence[str], *, fit_only: bool = False, brackets: int = 1,
             decide_by: date | None = None, outlook: tuple[Chance, ...] = ()) -> OpenQuestion:  # fmt: skip
    """Asks about part P<number>; every build names the level of all `parts` parts, 0 being the control's."""
    base = tuple((f"P{k}", "0") for k in range(parts))
    builds = [Variant(f"v{r}", tuple((p, str(r) if p == f"P{number}" else v) for p, v in base)) for r in range(1, rivals + 1)]
    lacks = tuple(Lack(d, v.code, brackets) for v in builds for d in drivers)
    return OpenQuestion(f"Q-{number:02d}", Variant("ctl", base), tuple(builds), lacks, decide_by, fit_only=fit_only, outlook=outlook)


def day(questions: int = 1, *, rivals: int = 2, drivers: int = 3, cars: int = 3, booked: float = 240.0, **more) -> Day:
    """240 min booked of which 150 are for running, 12 min a run, changes within the turnround."""
    team = TEAM[:drivers]
    asked = more.pop("asked", None) or tuple(question(k, rivals, questions, team) for k in range(questions))
    who = more.pop("who", None) or tuple(Driver(name) for name in team)
    return Day(Hours(booked), tuple(f"car {k + 1}" for k in range(cars)), who, asked, **more)


def broken_rules(day: Day, lines: Sequence[Line]) -> list[str]:
    """Every rule of the trade that a run card breaks, in words; [] when it is sound."""
    told = []
    told += _time(day, lines)
    told += _one_place(day, lines)
    told += _rests(day, lines)
    told += _tyres(day, lines)
    told += _packs(day, lines)
    told += _pieces(day, lines)
    return told + _brackets(day, lines)


def _time(day: Day, lines: Sequence[Line]) -> list[str]:
    begin, end = day.hours.set_up + day.hours.warm_up, day.hours.booked - day.hours.tear_down
    return [f"{line} outside {begin} to {end}" for line in lines
            if line.start < begin - 1e-6 or line.start + day.run_min + day.turnround_min > end + 1e-6]  # fmt: skip


def _one_place(day: Day, lines: Sequence[Line]) -> list[str]:
    """A car and a driver do one thing at a time, and a car is changed over between two builds."""
    told = []
    for car in day.cars:
        own = sorted((line for line in lines if line.car == car), key=lambda line: line.start)
        for a, b in pairwise(own):
            differing = [p for p in {*dict(a.build), *dict(b.build)} if dict(a.build).get(p) != dict(b.build).get(p)]
            needed = max(day.turnround_min, sum(day.change_min.get(p, 0.0) for p in differing))
            if b.start < a.start + day.run_min + needed - 1e-6:
                told.append(f"{car}: {b.start} is too soon after {a.start} for {differing}")
    for line in lines:
        if not next(d for d in day.drivers if d.name == line.driver).may_drive(line.car):
            told.append(f"{line.driver} may not drive {line.car}")
    return told


def _rests(day: Day, lines: Sequence[Line]) -> list[str]:
    told = []
    for driver in day.drivers:
        own = sorted(line.start for line in lines if line.driver == driver.name)
        told += [f"{driver.name} rests too little before {b}" for a, b in pairwise(own)
                 if b < a + day.run_min + max(driver.rest_min, day.turnround_min) - 1e-6]  # fmt: skip
        if driver.most_runs is not None and len(own) > driver.most_runs:
            told.append(f"{driver.name} drives {len(own)} runs")
    return told


def _tyres(day: Day, lines: Sequence[Line]) -> list[str]:
    told = []
    for tyres in day.tyres:
        own = [line for line in lines if line.tyres == tyres.name]
        if len(own) > max(tyres.limit - tyres.runs, 0):
            told.append(f"{tyres.name} is run {len(own)} times, {tyres.limit - tyres.runs} were left")
        told += [f"{tyres.name} on two cars at {a.start}" for a in own for b in own
                 if a is not b and a.car != b.car and abs(a.start - b.start) < day.run_min - 1e-6]  # fmt: skip
    if day.tyres:
        told += [f"no tyres at {line.start}" for line in lines if not line.tyres]
        for test in (line for line in lines if line.test):
            beside = [line.tyres for line in lines if line.chain == test.chain and line.role == "control"]
            told += [f"tyres differ within the bracket of {test.test}"] if set(beside) - {test.tyres} else []
    return told


def _packs(day: Day, lines: Sequence[Line]) -> list[str]:
    told = [f"no pack at {line.start}" for line in lines if day.packs and not line.pack]
    for pack in day.packs:
        own = sorted(line.start for line in lines if line.pack == pack.name)
        told += [f"{pack.name} still charges at {b}" for a, b in pairwise(own)
                 if b < a + day.run_min + pack.charging_min - 1e-6]  # fmt: skip
    return told


def _pieces(day: Day, lines: Sequence[Line]) -> list[str]:
    """At any moment no more cars carry a level than there are pieces of it, and the named pieces are what the build says."""
    told = []
    known = {p.name: (p.part, p.level) for p in day.pieces}
    limited = {p.part for p in day.pieces}
    for line in lines:
        wanted = sorted((part, level) for part, level in line.build if part in limited)
        if sorted(known[name] for name in line.pieces) != wanted:
            told.append(f"{line.start} {line.car} carries {line.pieces} for {wanted}")
    for a in lines:
        for b in lines:
            if a.car < b.car and abs(a.start - b.start) < day.run_min - 1e-6 and set(a.pieces) & set(b.pieces):
                told.append(f"{set(a.pieces) & set(b.pieces)} in two places at {a.start}")
    return told


def _brackets(day: Day, lines: Sequence[Line]) -> list[str]:
    """Each test stands between two runs of its question's control build, same driver, same car; fit-only ones are even."""
    told = []
    for question in day.questions:
        control = question.control.build
        for rival in question.rivals:
            for driver in day.drivers:
                own = [line for line in lines if line.driver == driver.name]
                tests = [line for line in own if line.test == (question.label, rival.code)]
                for line in tests:
                    same = [other.start for other in own if other.car == line.car and other.build == control]
                    open_ = not any(s < line.start for s in same) or not any(s > line.start for s in same)
                    if open_ and not question.fit_only and not line.led:
                        told.append(f"{question.label} {rival.code} of {driver.name} at {line.start} is not bracketed")
                if question.fit_only and tests:
                    beside = [line for line in own if line.role == "control" and (question.label, rival.code) in line.serves]
                    if len(beside) != len(tests):
                        told.append(f"{question.label}: {len(tests)} tests of {driver.name} have {len(beside)} controls")
    return told
