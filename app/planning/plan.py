"""A plan and what is told of it: minutes and slack, changes, imbalance, what it is expected to settle."""

from collections.abc import Sequence
from typing import NamedTuple

from app.planning import balance
from app.planning.brackets import Style, name_of
from app.planning.day import Chance, Day, LeftOut, Line, OpenQuestion
from app.planning.schedule import Chain


class Wish(NamedTuple):
    """What an alternative is after. by_turns: drivers who share a car take turns on each build."""

    name: str
    style: Style
    by_turns: bool
    balance_weight: float
    change_weight: float


BALANCED = Wish("better balance", Style.SINGLE, False, 10.0, 0.02)
FEW_CHANGES = Wish("fewer changes", Style.DOUBLE, True, 0.2, 1.0)
MORE_TESTS = Wish("more tests", Style.DOUBLE, False, 10.0, 0.02)
WISHES = (BALANCED, FEW_CHANGES, MORE_TESTS)


class Plan(NamedTuple):
    """A run card with what it costs and what it leaves. minutes_used: by car, of `available`. settles: None = no forecast."""

    wish: str
    seed: int
    lines: tuple[Line, ...]
    chains: tuple[Chain, ...]
    left_out: tuple[LeftOut, ...]
    minutes_used: dict[str, float]
    available: float
    changes: int
    change_min: float
    imbalance: balance.Imbalance
    orders_note: str
    tests: int
    settles: float | None
    hours: float

    @property
    def slack(self) -> float:
        return self.available - max(self.minutes_used.values(), default=0.0)

    @property
    def settles_per_hour(self) -> float | None:
        return None if self.settles is None else self.settles / self.hours

    @property
    def tests_per_hour(self) -> float:
        return self.tests / self.hours


def orders_of(day: Day, chains: Sequence[Chain]) -> list[tuple[str, ...]]:
    """Tests of each driver in the order driven, with those of past sessions."""
    own: dict[str, list[str]] = {}
    for chain in chains:
        for driver in chain.drivers:
            own.setdefault(driver, []).extend(map(name_of, chain.tests))
    return [*(b.tests for b in day.before), *(tuple(tests) for tests in own.values())]


def told(day: Day, wish: Wish, seed: int, lines: list[Line], chains: Sequence[Chain], left_out: Sequence[LeftOut]) -> Plan:
    per_car = {car: [line for line in lines if line.car == car] for car in day.cars}
    used = {car: sum(day.run_min + max(day.turnround_min, _after(own, k)) for k in range(len(own))) for car, own in per_car.items() if own}
    drivers = len({c.drivers for c in chains})
    distinct = max((len(set(c.tests)) for c in chains), default=0)
    found = balance.imbalance(orders_of(day, chains)).of({name_of(t) for c in chains for t in c.tests})
    return Plan(
        wish.name, seed, tuple(lines), tuple(chains), tuple(left_out), used, day.hours.available,
        sum(bool(line.change) for line in lines), sum(line.change_min for line in lines),
        found, _orders_note(distinct, drivers, found),
        sum(line.role == "test" for line in lines), _settles(day, lines), max(day.hours.booked, 1.0) / 60.0,
    )  # fmt: skip


def _after(own: Sequence[Line], k: int) -> float:
    return own[k + 1].change_min if k + 1 < len(own) else 0.0


def _orders_note(n: int, orders: int, found: balance.Imbalance) -> str:
    """What a Williams square of so many tests would need, and how near these orders come."""
    needed = balance.sequences_needed(n)
    if n < 2 or (orders % needed == 0 and not found.total):
        return ""
    told = f"{n} tests need {needed} orders for carry-over balance; with {orders} "
    if found.position == 0:
        return told + ("only position is balanced." if found.carry_over else "position and direction are balanced.")
    return told + ("direction is balanced, position is not." if not found.carry_over else "neither is even.")


def _settles(day: Day, lines: Sequence[Line]) -> float | None:
    """Verdicts that the plan is expected to settle: the outlook's chances of what it drives; None without any forecast."""
    found = [p for q in day.questions for rival in q.rivals if (p := chance_of(q, rival.code, lines)) is not None]
    return sum(found) if found else None


def chance_of(question: OpenQuestion, variant: str, lines: Sequence[Line]) -> float | None:
    """The outlook's chance for what these lines drive of one rival; a control counts for each test that it stands beside."""
    tests: dict[str, int] = {}
    for line in lines:
        if line.test == (question.label, variant):
            tests[line.driver] = tests.get(line.driver, 0) + 1
    own = [c for c in question.outlook if c.variant == variant and set(c.drivers) <= set(tests)]
    if not tests or not own:
        return 0.0 if not tests and question.outlook else None
    each = 2 * min(tests.values())

    def near(c: Chance) -> tuple:
        return (-len(c.drivers), abs(c.runs_each - each), c.drivers)

    return min(own, key=near).p
