"""What a plan costs: processor time of all its alternatives together, and of a re-plan in the middle of the day."""

import time
from collections.abc import Callable
from typing import Any

from app.planning.day import Day, Pack, Piece, TyreSet
from app.planning.replan import Done, rest_of_day
from app.planning.search import alternatives
from tests.planning.days import day

GOALS_S = {"6 questions, 4 drivers, 3 cars, 30 runs": 1.0, "12 questions, 4 drivers, 3 cars, 60 runs": 5.0}
"""Our own aims; common practice, no source."""


def asked(questions: int, runs_a_car: int) -> Day:
    """Two rivals a question; change-over of 6 and 12 min, pieces for every car, tyre sets of 12 runs, eight packs."""
    change = {f"P{k}": 12.0 if k % 2 else 6.0 for k in range(questions)}
    pieces = tuple(Piece(f"P{k} {v} #{n}", f"P{k}", str(v)) for k in range(questions) for v in range(3) for n in range(3))
    tyres, packs = tuple(TyreSet(f"set {k}", 0, 12) for k in range(9)), tuple(Pack(f"pack {k}", 45.0) for k in range(8))
    return day(questions, drivers=4, booked=90.0 + 12 * runs_a_car, change_min=change, pieces=pieces, tyres=tyres, packs=packs)


def cpu_s(work: Callable[[], Any], times: int) -> float:
    found = []
    for _ in range(times):
        started = time.process_time()
        work()
        found.append(time.process_time() - started)
    return min(found)


def measure(times: int) -> dict[str, float]:
    small, large = asked(6, 10), asked(12, 20)
    plan = alternatives(small)[0]
    done = [Done(line.driver, line.car, line.build, line.test, line.tyres, line.start + 5) for line in plan.lines[:12]]
    rest = rest_of_day(small, done, now=130)
    names = list(GOALS_S)
    return {
        names[0]: cpu_s(lambda: alternatives(small), times), names[1]: cpu_s(lambda: alternatives(large), times),
        "the rest of the day after 12 of 30 runs": cpu_s(lambda: alternatives(rest), times),
    }  # fmt: skip


def complaints(found: dict[str, float]) -> list[str]:
    return [f"{name}: {found[name]:.2f} s, {goal:g} s is the aim" for name, goal in GOALS_S.items() if found[name] > goal]
