"""What the fits cost and how they grow: processor time at several sizes, with the growth exponent between them."""

import math
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

from app.evidence.inputs import Evidence, Goal, Must, Question, Rule
from app.evidence.laps import fit_laps
from app.evidence.outlook import look_ahead
from app.evidence.ratings import fit_attribute
from app.evidence.rows import LAP_TIME
from app.evidence.scales import Scale
from app.evidence.story import roll_up
from app.trials.world import World, generator, simulate

RATINGS, LAPS = (26, 90, 260, 1000), (200, 2000, 20000)
GOALS_MS = {"ratings 90": 60, "laps 2000": 100, "sheet of 3 criteria": 300, "what next, 28 candidates": 1000}
"""Our own aims on the machine at hand; common practice, no source."""


def question(variants: int = 2) -> Question:
    names = tuple("ABCDEF"[:variants])
    rule = Rule(goals=(Goal("handling"),), musts=(Must("ease", 0.5), Must(LAP_TIME, 0.3)), drivers=2)
    return Question("A", names, {"handling": Scale(), "ease": Scale()}, rule)


def programme(sessions: int, *, variants: int = 2, drivers: int = 3, laps: int = 8) -> Evidence:
    """One simulated programme without absences, so that sizes come out round."""
    truths = dict.fromkeys(("handling", "ease"), (0.5,) * (variants - 1)) | {LAP_TIME: (0.1,) * (variants - 1)}
    world = World(drivers=drivers, sessions=sessions, laps=laps, absent=0.0, lost=0.0)
    return simulate(world, question(variants), truths, generator(1, f"benchmark {variants}", 0))


def rated(n: int) -> Evidence:
    """n marks of one attribute: three drivers, two variants, as many sessions as it takes."""
    whole = programme(max(2, math.ceil(n / 12)))
    marks = [m for m in whole.marks if m.attribute == "handling"][:n]
    return replace(whole, marks=tuple(marks), laps=())


def timed(n: int) -> Evidence:
    """n laps at three drivers and three sessions: longer runs, not more of them."""
    return replace(programme(3, laps=math.ceil(n / 36)), marks=())


def cpu_ms(work: Callable[[], Any], times: int) -> float:
    """Least processor time of several goes, after one to warm up."""
    work()
    found = []
    for _ in range(times):
        started = time.process_time()
        work()
        found.append(1000.0 * (time.process_time() - started))
    return min(found)


def measure(times: int) -> dict[str, float]:
    """name -> CPU ms."""
    found = {}
    for n in RATINGS:
        evidence = rated(n)
        found[f"ratings {n}"] = cpu_ms(lambda e=evidence: fit_attribute(e, "handling"), times)  # type: ignore[misc]
    for n in LAPS:
        evidence = timed(n)
        found[f"laps {n}"] = cpu_ms(lambda e=evidence: fit_laps(e), times)  # type: ignore[misc]
    sheet = programme(4)
    found["sheet of 3 criteria"] = cpu_ms(lambda: roll_up(sheet), times)
    found["sheet with outlook"] = cpu_ms(lambda: roll_up(sheet, ahead=True), times)
    found["what next, 28 candidates"] = cpu_ms(lambda: look_ahead(sheet), times)
    found["fingerprint"] = cpu_ms(sheet.fingerprint, times)
    return found


def exponents(found: dict[str, float]) -> dict[str, float]:
    """Growth exponents: log of the ratio of times over log of the ratio of sizes, between neighbouring sizes."""
    told = {}
    for kind, sizes in (("ratings", RATINGS), ("laps", LAPS)):
        for small, large in pairwise(sizes):
            ratio = found[f"{kind} {large}"] / found[f"{kind} {small}"]
            told[f"{kind} {small} to {large}"] = math.log(ratio) / math.log(large / small)
    return told


def report(found: dict[str, float]) -> list[str]:
    lines = [f"{'what':28} {'CPU ms':>8} {'aim':>6}"]
    for name, ms in found.items():
        aim = GOALS_MS.get(name)
        lines.append(f"{name:28} {ms:8.1f} {aim if aim else '':>6}")
    lines += [f"growth {name:28} n^{value:.2f}" for name, value in exponents(found).items()]
    return lines


def complaints(found: dict[str, float]) -> list[str]:
    """Aims missed, and laps that grow worse than linearly (10 % for noise of the clock)."""
    told = [f"{name}: {found[name]:.0f} ms, aim {aim} ms" for name, aim in GOALS_MS.items() if found[name] > aim]
    grown = exponents(found)["laps 2000 to 20000"]
    return told + ([f"laps grow as n^{grown:.2f}"] if grown > 1.1 else [])
