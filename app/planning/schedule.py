"""Chains on the clock: when each run starts, on which tyres and pack, with which pieces. Nothing stands in two places.

Cars run beside each other. A change is made within the turnround; only what takes longer costs time. One tyre set stays
on for a whole chain, so that controls and tests are matched. Every run's turnround must end before the tear-down.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

from app.planning.brackets import Slot, Style, Test, slots
from app.planning.day import Build, Day, Lead, Line, change_minutes, changed

NEVER = float("inf")
EPSILON = 1e-6
NO_BREAK = 6
"""Runs of a car that are driven without a break."""


@dataclass(frozen=True)
class Chain:
    """Tests of one car by one driver, or by several who take turns on each build (`drivers`)."""

    car: str
    drivers: tuple[str, ...]
    control: Build
    tests: tuple[Test, ...]
    style: Style
    turn: int = 0
    lead: Lead | None = None

    @cached_property
    def slots(self) -> list[Slot]:
        opened = self.lead.open_tests if self.lead else ()
        return slots(self.tests, self.style, turn=self.turn, led=self.lead is not None, open_tests=opened)

    @property
    def runs(self) -> int:
        return len(self.slots) * len(self.drivers)


class Refusal(NamedTuple):
    """Why chains can't be put on the clock; `about` is time, tyres, driver, pieces or packs."""

    about: str
    sentence: str


@dataclass(slots=True)
class _Job:
    chain: int
    slot: Slot
    driver: str
    build: Build
    last_of_chain: bool


@dataclass(slots=True)
class _Car:
    """A car as the day goes on."""

    name: str
    jobs: list[_Job]
    break_before: int | None
    at: int = 0
    end: float | None = None
    build: Build | None = None
    tyres: str = ""
    fitted: dict[tuple[str, str], str] = field(default_factory=dict)


class _Start(NamedTuple):
    when: float
    tyres: str
    pack: str
    pieces: tuple[tuple[tuple[str, str], str], ...]


class _Clock:
    def __init__(self, day: Day, chains: Sequence[Chain], builds: dict[Test, Build]) -> None:
        self.day, self.chains = day, chains
        self.cars = [_Car(car, jobs := _jobs(day, chains, builds, car), _break_before(day, jobs, chains)) for car in day.cars]
        self.driver_end = {d.name: day.busy.get(d.name, -NEVER) for d in day.drivers}
        self.rest = {d.name: max(d.rest_min, day.turnround_min) for d in day.drivers}
        self.pack_ready = {p.name: day.busy.get(p.name, -NEVER) + p.charging_min for p in day.packs}
        self.charging = {p.name: p.charging_min for p in day.packs}
        self.tyres_free = {t.name: 0.0 for t in day.tyres}
        self.tyre_runs = {t.name: t.runs for t in day.tyres}
        self.piece_free = {p.name: 0.0 for p in day.pieces}
        self.of_level: dict[tuple[str, str], list[str]] = {}
        for piece in day.pieces:
            self.of_level.setdefault((piece.part, piece.level), []).append(piece.name)
        self.limited = {p.part for p in day.pieces}
        for car in self.cars:  # a chain that goes on has its tyres on already
            lead = chains[car.jobs[0].chain].lead if car.jobs else None
            if lead is not None and lead.tyres == self._set_for(chains[car.jobs[0].chain]) and lead.tyres:
                car.tyres, self.tyres_free[lead.tyres] = lead.tyres, NEVER
            if lead is not None:
                car.build = lead.control if not lead.open_tests else builds.get(lead.open_tests[-1], lead.control)

    def run(self) -> list[Line] | Refusal:
        lines = []
        while waiting := [car for car in self.cars if car.at < len(car.jobs)]:
            found = [(start.when, k, car, start) for k, car in enumerate(waiting) if (start := self._start(car)) is not None]
            if not found:
                return Refusal("pieces", "The pieces on hand are each waiting for the other car.")
            when, _, car, start = min(found, key=lambda item: item[:2])
            if when == NEVER:
                return self._stuck(car)
            if when + self.day.cycle > self.day.end - (self.day.hours.breaks if car.break_before is None else 0.0) + EPSILON:
                return Refusal("time", f"It does not fit into {self.day.hours.available:g} min.")
            lines.append(self._drive(car, start))
        return lines

    def _start(self, car: _Car) -> _Start | None:
        """When the car's next run can start; None while its pieces are on another car."""
        day, job = self.day, car.jobs[car.at]
        change = change_minutes(day, car.build, job.build)
        if car.end is not None:
            when = car.end + max(day.turnround_min, change)
        else:  # the first run, which may follow on what was driven before a re-plan
            when = max(day.start + (change if car.build is not None else 0.0), day.busy.get(car.name, -NEVER) + day.turnround_min)
        if car.at == car.break_before:
            when += day.hours.breaks
        when = max(when, self.driver_end[job.driver] + self.rest[job.driver])
        pieces = []
        for key in job.build:
            if key[0] not in self.limited or key in car.fitted:
                continue
            free = self.of_level.get(key, [])
            name = min(free, key=lambda n: self.piece_free[n], default=None)
            if name is None:
                return _Start(NEVER, "", "", ())
            if self.piece_free[name] == NEVER:
                return None
            when = max(when, self.piece_free[name] + (change if self.piece_free[name] else 0.0))
            pieces.append((key, name))
        tyres = car.tyres or self._set_for(self.chains[job.chain])
        if tyres is None:
            return _Start(NEVER, "", "", ())
        if tyres and not car.tyres:
            if self.tyres_free[tyres] == NEVER:
                return None
            when = max(when, self.tyres_free[tyres] + (day.turnround_min if self.tyres_free[tyres] else 0.0))
        pack = min(self.pack_ready, key=lambda n: self.pack_ready[n], default="")
        if pack:
            when = max(when, self.pack_ready[pack])
        return _Start(when, tyres, pack, tuple(pieces))

    def _set_for(self, chain: Chain) -> str | None:
        """The set that is free first of those with runs enough for the chain; "" without sets, None when none lasts."""
        if not self.day.tyres:
            return ""
        lasting = [t.name for t in self.day.tyres if t.limit - self.tyre_runs[t.name] >= chain.runs]
        if chain.lead is not None and chain.lead.tyres in self.tyres_free:  # a bracket ends on the set that it began on
            return chain.lead.tyres if chain.lead.tyres in lasting else None
        return min(lasting, key=lambda n: (self.tyres_free[n], self.tyre_runs[n]), default=None)

    def _drive(self, car: _Car, start: _Start) -> Line:
        day, job = self.day, car.jobs[car.at]
        end, chain = start.when + day.run_min, self.chains[job.chain]
        line = Line(
            start.when, car.name, job.driver, job.build, "test" if job.slot.test else "control",
            (job.slot.test,) if job.slot.test else job.slot.beside, job.chain, changed(car.build, job.build),
            change_minutes(day, car.build, job.build), start.tyres, self.tyre_runs.get(start.tyres), start.pack,
            led=chain.lead is not None,
        )  # fmt: skip
        now = set(job.build)
        car.fitted = {key: name for key, name in car.fitted.items() if key in now} | dict(start.pieces)
        for _, name in start.pieces:
            self.piece_free[name] = NEVER
        car.at, car.end, car.build = car.at + 1, end, job.build
        coming = set(car.jobs[car.at].build) if car.at < len(car.jobs) else set()
        for key, name in list(car.fitted.items()):
            if key not in coming:
                self.piece_free[name] = end + day.change_min.get(key[0], 0.0)
        self.driver_end[job.driver] = end
        if start.pack:
            self.pack_ready[start.pack] = end + self.charging[start.pack]
        if start.tyres:
            self.tyre_runs[start.tyres] += 1
            car.tyres = "" if job.last_of_chain else start.tyres
            self.tyres_free[start.tyres] = end if job.last_of_chain else NEVER
        return _with_pieces(line, car.fitted)

    def _stuck(self, car: _Car) -> Refusal:
        job = car.jobs[car.at]
        lacking = [f"{part} {level}" for part, level in job.build if part in self.limited and not self.of_level.get((part, level))]
        if lacking:
            return Refusal("pieces", f"No piece of {', '.join(lacking)} is on hand.")
        runs = self.chains[job.chain].runs
        most = max((t.limit - self.tyre_runs[t.name] for t in self.day.tyres), default=0)
        return Refusal("tyres", f"{runs} runs on one set are needed so that the tyres match; the freshest set has {max(most, 0)} left.")


def _with_pieces(line: Line, fitted: dict[tuple[str, str], str]) -> Line:
    names = tuple(fitted[key] for key in sorted(fitted))
    return line if not names else line._replace(pieces=names)


def _jobs(day: Day, chains: Sequence[Chain], builds: dict[Test, Build], car: str) -> list[_Job]:
    found = []
    for k, chain in enumerate(chains):
        if chain.car != car:
            continue
        own = [_Job(k, slot, driver, builds[slot.test] if slot.test else chain.control, False)
               for slot in chain.slots for driver in chain.drivers]  # fmt: skip
        if own:
            own[-1].last_of_chain = True
        found += own
    return found


def _break_before(day: Day, jobs: Sequence[_Job], chains: Sequence[Chain]) -> int | None:
    """The run before which the crew of a car has its break: near the middle, between two chains where there are two.

    None = after the last run: nobody tears a short day's only bracket apart.
    """
    if day.hours.breaks <= 0 or len(jobs) <= NO_BREAK:
        return None
    middle = len(jobs) / 2

    def cost(k: int) -> float:
        inside = jobs[k].chain == jobs[k - 1].chain
        return abs(k - middle) + (0.25 * len(jobs) if inside else 0.0) + (0.5 if inside and jobs[k].slot.test is None else 0.0)

    return min(range(1, len(jobs)), key=cost)


def builds_of(day: Day) -> dict[Test, Build]:
    return {(q.label, v.code): v.build for q in day.questions for v in q.rivals}


def put_on_clock(day: Day, chains: Sequence[Chain], builds: dict[Test, Build] | None = None) -> list[Line] | Refusal:
    """The lines of all chains in order of their start, or why they don't fit."""
    for driver in day.drivers:
        runs = sum(len(chain.slots) * (driver.name in chain.drivers) for chain in chains)
        if driver.most_runs is not None and runs > driver.most_runs:
            return Refusal("driver", f"{driver.name} would drive {runs} runs; {driver.most_runs} is the most.")
    lines = _Clock(day, chains, builds if builds is not None else builds_of(day)).run()
    return lines if isinstance(lines, Refusal) else sorted(lines, key=lambda line: (line.start, day.cars.index(line.car)))
