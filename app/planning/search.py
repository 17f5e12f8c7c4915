"""Which tests, on which car, by whom and in which order: a seeded search that gives the same plan for the same day.

Tests are added by the urgency of their question, each where it costs the fewest runs, and only if everything still
fits on the clock; then orders are exchanged while balance or change-over time improves. The budget is counted in steps,
not in seconds, so that a slow machine finds the same plan. Compared with an exact solver: see DEVELOPERS.md.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import pairwise
from typing import NamedTuple

from app.planning import balance
from app.planning.brackets import Style, Test
from app.planning.day import Build, Day, Lead, LeftOut, OpenQuestion, change_minutes
from app.planning.plan import BALANCED, WISHES, Plan, Wish, orders_of, told
from app.planning.schedule import Chain, Refusal, builds_of, put_on_clock

STEPS = 240
MOST_IN_A_SQUARE = 6
LATEST = date.max


class _Item(NamedTuple):
    test: Test
    drivers: tuple[str, ...]
    cars: tuple[str, ...]


@dataclass(slots=True)
class _State:
    chains: list[Chain] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)


def plan_day(day: Day, wish: Wish = BALANCED, *, seed: int = 1, steps: int = STEPS) -> Plan:
    """The plan of a day for one wish."""
    builds = builds_of(day)
    state = _choose(day, wish, builds)
    chains = _arrange(day, wish, state.chains, builds)
    chains = _improve(day, wish, chains, builds, random.Random(seed), steps)
    lines = put_on_clock(day, chains, builds)
    if isinstance(lines, Refusal):  # the order made it longer: the order in which it was chosen fits
        chains = state.chains
        lines = put_on_clock(day, chains, builds)
    assert not isinstance(lines, Refusal)
    return told(day, wish, seed, lines, chains, state.left_out)


def alternatives(day: Day, *, seed: int = 1, wishes: Sequence[Wish] = WISHES, steps: int = STEPS) -> list[Plan]:
    """Two or three plans that differ, the better balanced first."""
    found: list[Plan] = []
    for wish in wishes:
        plan = plan_day(day, wish, seed=seed, steps=steps)
        if all(plan.lines != other.lines for other in found):
            found.append(plan)
    return found


def ranked(questions: Sequence[OpenQuestion]) -> list[OpenQuestion]:
    """By decide-by date, then by what a run of it is likely to settle, then by number."""

    def key(q: OpenQuestion) -> tuple:
        per_run = max((c.p / (c.runs_each * len(c.drivers)) for c in q.outlook), default=0.0)
        return (q.decide_by or LATEST, -per_run, q.label)

    return sorted(questions, key=key)


# --- choosing --------------------------------------------------------------------------------------------------------


def _choose(day: Day, wish: Wish, builds: dict[Test, Build]) -> _State:
    state = _State()
    for lead in day.leads:  # what is half driven is closed first
        if lead.open_tests:
            state.chains.append(Chain(lead.car, (lead.driver,), lead.control, (), wish.style, lead=lead))
    while isinstance(refused := put_on_clock(day, state.chains, builds), Refusal) and state.chains:
        gone = state.chains.pop()
        state.left_out += [LeftOut(*test, gone.drivers[0], refused.sentence) for test in gone.lead.open_tests] if gone.lead else []
    for item in _items(day, wish):
        question = day.question(item.test[0])
        best: tuple[tuple, list[Chain]] | None = None
        why = "No car is there that they may drive."
        for car in item.cars:
            for chains in _placed(day, wish, state.chains, item, question, car):
                lines = put_on_clock(day, chains, builds)
                if isinstance(lines, Refusal):
                    why = lines.sentence
                    continue
                ends = max((line.start for line in lines if line.car == car), default=0.0)
                key = (len(lines), ends, car)
                if best is None or key < best[0]:
                    best = (key, chains)
        if best is not None:
            state.chains = best[1]
        else:
            state.left_out += [LeftOut(*item.test, driver, why) for driver in item.drivers]
    return state


def _items(day: Day, wish: Wish) -> list[_Item]:
    """Tests in the order in which they are placed: first brackets of the most urgent question first, then second ones."""
    groups = _groups(day) if wish.by_turns else [((d.name,), tuple(c for c in day.cars if d.may_drive(c))) for d in day.drivers]
    most = max((lack.brackets for q in day.questions for lack in q.lacks), default=0)
    found = []
    for turn in range(most):
        for question in ranked(day.questions):
            for rival in question.rivals:
                wanted = {k.driver for k in question.lacks if k.variant == rival.code and k.brackets > turn}
                for drivers, cars in groups:
                    asked = tuple(d for d in drivers if d in wanted)
                    if asked:
                        found.append(_Item((question.label, rival.code), asked, cars))
    return found


def _groups(day: Day) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Drivers by the car they share: whoever has the least choice first, each to the car with the fewest."""
    homes: dict[str, list[str]] = {car: [] for car in day.cars}
    for driver in sorted(day.drivers, key=lambda d: (len(d.cars) or len(day.cars), d.name)):
        cars = [car for car in day.cars if driver.may_drive(car)]
        if cars:
            homes[min(cars, key=lambda car: len(homes[car]))].append(driver.name)
    return [(tuple(drivers), (car,)) for car, drivers in homes.items() if drivers]


def _placed(day: Day, wish: Wish, chains: list[Chain], item: _Item, question: OpenQuestion, car: str) -> list[list[Chain]]:
    """Ways to take an item up on a car: at the end of a chain that has its control, or as a chain of its own."""
    control = question.control.build
    found = []
    if not question.fit_only:
        for k, chain in enumerate(chains):
            fits = chain.car == car and chain.drivers == item.drivers and chain.control == control
            if fits and chain.style is wish.style and item.test not in chain.tests[-1:]:
                found.append([*chains[:k], replace(chain, tests=(*chain.tests, item.test)), *chains[k + 1 :]])
    if found and not day.tyres:
        return found[-1:]
    style = Style.THERE_AND_BACK if question.fit_only else wish.style
    lead = next((x for x in day.leads if _leads(x, item, control, car) and all(c.car != car for c in chains)), None)
    turn = sum(chain.style is Style.THERE_AND_BACK for chain in chains)
    own = Chain(car, item.drivers, control, (item.test,), style, turn)
    going_on = [[*chains, replace(own, lead=lead)]] if lead is not None and not question.fit_only else []
    return [*found[-1:], *going_on, [*chains, own]]


def _leads(lead: Lead, item: _Item, control: Build, car: str) -> bool:
    return not lead.open_tests and lead.car == car and item.drivers == (lead.driver,) and lead.control == control


# --- ordering --------------------------------------------------------------------------------------------------------


def _arrange(day: Day, wish: Wish, chains: Sequence[Chain], builds: dict[Test, Build]) -> list[Chain]:
    """A first order of each chain: by part for few changes, else the row of a Williams square that suits what is there."""
    done: list[Chain] = []
    for chain in chains:
        tests = sorted(chain.tests)
        if len(set(tests)) < 2 or wish.balance_weight < wish.change_weight:
            done.append(replace(chain, tests=tuple(sorted(tests, key=lambda t: (builds[t], t)))))
            continue
        rows = [tuple(tests[i] for i in row) for row in balance.williams(len(tests))]
        done.append(min((replace(chain, tests=row) for row in rows),
                        key=lambda c: balance.imbalance(orders_of(day, [*done, c])).total))  # fmt: skip
    together = _together(chains) if wish.balance_weight >= wish.change_weight else done
    return min(done, together, key=lambda some: balance.imbalance(orders_of(day, some)).total)


def _together(chains: Sequence[Chain]) -> list[Chain]:
    """Chains of the same tests get the rows of one Williams square, or of what is nearest to it."""
    alike: dict[tuple[Test, ...], list[int]] = {}
    for k, chain in enumerate(chains):
        alike.setdefault(tuple(sorted(chain.tests)), []).append(k)
    done = list(chains)
    for tests, places in alike.items():
        if 1 < len(set(tests)) == len(tests) <= MOST_IN_A_SQUARE:
            rows = balance.nearest_orders([str(i) for i in range(len(tests))], len(places))[0]
            for k, row in zip(places, rows, strict=True):
                done[k] = replace(chains[k], tests=tuple(tests[int(i)] for i in row))
    return done


def _cost(day: Day, wish: Wish, chains: Sequence[Chain], builds: dict[Test, Build]) -> float:
    changing = 0.0
    for car in day.cars:
        worn: Build | None = None
        for chain in chains:
            if chain.car == car:
                for slot in chain.slots:
                    build = builds[slot.test] if slot.test else chain.control
                    changing += change_minutes(day, worn, build) + (worn is not None and worn != build)
                    worn = build
    return wish.balance_weight * balance.imbalance(orders_of(day, chains)).total + wish.change_weight * changing


def _improve(day: Day, wish: Wish, chains: list[Chain], builds: dict[Test, Build], chance: random.Random, steps: int) -> list[Chain]:
    """Exchange two tests of a chain, or two chains of a car, while it helps and everything still fits."""
    if not chains:
        return chains
    cost = _cost(day, wish, chains, builds)
    for _ in range(steps):
        if cost <= 0:
            break
        tried = _exchanged(chains, chance)
        if tried is None:
            continue
        now = _cost(day, wish, tried, builds)
        if now < cost - 1e-9 and not isinstance(put_on_clock(day, tried, builds), Refusal):
            chains, cost = tried, now
    return chains


def _exchanged(chains: list[Chain], chance: random.Random) -> list[Chain] | None:
    tried = list(chains)
    k = chance.randrange(len(tried))
    chain = tried[k]
    if len(chain.tests) > 1 and chance.random() < 0.8:
        i, j = chance.sample(range(len(chain.tests)), 2)
        tests = list(chain.tests)
        tests[i], tests[j] = tests[j], tests[i]
        if any(a == b for a, b in pairwise(tests)):
            return None
        tried[k] = replace(chain, tests=tuple(tests))
        return tried
    others = [m for m, other in enumerate(tried) if m != k and other.car == chain.car and not other.lead]
    if not others or chain.lead:
        return None
    m = chance.choice(others)
    tried[k], tried[m] = tried[m], tried[k]
    return tried
