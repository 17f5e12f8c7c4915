"""What a plan is made from: hours, cars, drivers, tyres, packs, pieces, and the open questions. Frozen, plain words.

Minutes count from the start of the booking. A build is what is on the car for the parts under question: ((part, level),
...), sorted. Defaults are common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

Build = tuple[tuple[str, str], ...]


class Hours(NamedTuple):
    """Minutes of a booking, and what of it is no running."""

    booked: float
    set_up: float = 45.0
    warm_up: float = 20.0
    breaks: float = 15.0
    tear_down: float = 10.0

    @property
    def available(self) -> float:
        return self.booked - self.set_up - self.warm_up - self.breaks - self.tear_down


class Driver(NamedTuple):
    """cars: which ones they may drive, () = any. rest_min: from the end of a run to the start of their next.

    A turnround is the least, in another car too: the slip is rated in it.
    """

    name: str
    cars: tuple[str, ...] = ()
    rest_min: float = 0.0
    most_runs: int | None = None

    def may_drive(self, car: str) -> bool:
        return not self.cars or car in self.cars


class TyreSet(NamedTuple):
    """runs: driven before today. One set stays on for a whole chain, so that controls and tests are matched."""

    name: str
    runs: int = 0
    limit: int = 99

    @property
    def left(self) -> int:
        return max(self.limit - self.runs, 0)


class Pack(NamedTuple):
    name: str
    charging_min: float = 45.0


class Piece(NamedTuple):
    """One physical example; of a part that has any, a level without one can't be driven."""

    name: str
    part: str
    level: str


class Variant(NamedTuple):
    code: str
    build: Build


class Lack(NamedTuple):
    """A bracket that a question still lacks: this driver with this rival, `brackets` times."""

    driver: str
    variant: str
    brackets: int = 1


class Chance(NamedTuple):
    """From the outlook: these drivers with `runs_each` runs in one session end the retest with probability p."""

    variant: str
    drivers: tuple[str, ...]
    runs_each: int
    p: float


class OpenQuestion(NamedTuple):
    """A question as the plan needs it.

    blind    : the order is drawn when the block is sealed; the plan says what is driven and how often
    fit_only : read from the model only, so A-B-B-A (or B-A-A-B) without closing controls will do
    """

    label: str
    control: Variant
    rivals: tuple[Variant, ...]
    lacks: tuple[Lack, ...]
    decide_by: date | None = None
    blind: bool = False
    fit_only: bool = False
    outlook: tuple[Chance, ...] = ()

    def rival(self, code: str) -> Variant:
        return next(v for v in self.rivals if v.code == code)


class Before(NamedTuple):
    """One driver's tests in one past session, in order and without the controls: ('Q-01 t45', 'Q-01 t50')."""

    driver: str
    session: str
    tests: tuple[str, ...]


class Lead(NamedTuple):
    """What of a chain was driven already: its car, its driver, and the tests since the last control (() = none)."""

    car: str
    driver: str
    control: Build
    open_tests: tuple[tuple[str, str], ...] = ()
    tyres: str = ""


@dataclass(frozen=True, slots=True)
class Day:
    """Everything a plan is made from. change_min: minutes to change one part; what is longer than the turnround costs time.

    busy : for a day under way, the minute at which a car, a driver or a pack ended its last run
    """

    hours: Hours
    cars: tuple[str, ...]
    drivers: tuple[Driver, ...]
    questions: tuple[OpenQuestion, ...]
    run_min: float = 5.0
    turnround_min: float = 7.0
    change_min: Mapping[str, float] = field(default_factory=dict)
    tyres: tuple[TyreSet, ...] = ()
    packs: tuple[Pack, ...] = ()
    pieces: tuple[Piece, ...] = ()
    before: tuple[Before, ...] = ()
    leads: tuple[Lead, ...] = ()
    busy: Mapping[str, float] = field(default_factory=dict)

    @property
    def cycle(self) -> float:
        return self.run_min + self.turnround_min

    @property
    def start(self) -> float:
        return self.hours.set_up + self.hours.warm_up

    @property
    def end(self) -> float:
        """The last minute at which a turnround may end."""
        return self.hours.booked - self.hours.tear_down

    def driver(self, name: str) -> Driver:
        return next(d for d in self.drivers if d.name == name)

    def question(self, label: str) -> OpenQuestion:
        return next(q for q in self.questions if q.label == label)


def changed(before: Build | None, after: Build) -> tuple[str, ...]:
    """Parts that differ between two builds; a part that only one of them names counts as changed."""
    if before is None:
        return ()
    old, new = dict(before), dict(after)
    return tuple(sorted(part for part in {*old, *new} if old.get(part) != new.get(part)))


def change_minutes(day: Day, before: Build | None, after: Build) -> float:
    return sum(day.change_min.get(part, 0.0) for part in changed(before, after))


class Line(NamedTuple):
    """One run of the card. start: minutes from the start of the booking. change: parts changed before it.

    serves: the tests it speaks on: its own, or those that a control stands beside. code: three digits in a blind block,
    else "". led: its chain goes on from a control that was driven already.
    """

    start: float
    car: str
    driver: str
    build: Build
    role: str  # control, test
    serves: tuple[tuple[str, str], ...]
    chain: int
    change: tuple[str, ...] = ()
    change_min: float = 0.0
    tyres: str = ""
    tyre_runs: int | None = None
    pack: str = ""
    code: str = ""
    pieces: tuple[str, ...] = ()
    led: bool = False

    @property
    def test(self) -> tuple[str, str] | None:
        return self.serves[0] if self.role == "test" else None


class LeftOut(NamedTuple):
    question: str
    variant: str
    driver: str
    why: str
