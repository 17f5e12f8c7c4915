"""Seasons planned by the tool against three plain habits: truly better variants adopted, per booked hour.

A programme has four questions with one rival each on cars of one base build: two rivals are a point better, two equal.
Three drivers in three cars drive one booking after another, at most six, until every question has its verdict. The
habits share the hours among the questions that are still open: *new part last* (the old car first, then each new part),
*A-B only* (the old car, a new part, the old car, the next part, nothing after the last) and *random*. The tool plans each
booking with `app.planning`, counting what was driven before: once for balance, once for more tests. All are read by the
same rule with its gates, sticky, after every session from the second. Rated only, on our own simulated world (common
practice, no source). Seeded; a stop loses the programmes in hand, a later run goes on.
"""

import json
import math
import multiprocessing
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from app.evidence import METHOD_VERSION
from app.evidence.inputs import Evidence, Goal, Mark, Question, Rule
from app.evidence.scales import Scale
from app.evidence.story import roll_up
from app.planning.day import Before, Day, Driver, Hours, Lack, OpenQuestion, Variant
from app.planning.plan import BALANCED, MORE_TESTS
from app.planning.search import plan_day
from app.trials.world import World, generator

TRUTHS = (1.0, 0.0, 1.0, 0.0)
LOOKS, DRIVERS = 6, 3
WAYS = ("planned, better balance", "planned, more tests", "new part last", "A-B only", "random")
HABITS = WAYS[2:]
BOOKINGS = {"long day": 240.0, "short day": 165.0}  # minutes booked: 12 and 6 runs a car


@dataclass(frozen=True, slots=True)
class Job:
    booking: str
    way: str
    number: int
    seed: int


class Season:
    """One programme in the making. Test number 0 is the base build, k the rival of question k."""

    def __init__(self, job: Job) -> None:
        self.job, self.world, n = job, World(drivers=DRIVERS), len(TRUTHS)
        rng = generator(job.seed, "planned seasons", job.number)  # the same people and parts whatever the way
        w = self.world
        self.level = rng.normal(0, w.driver, (DRIVERS, n))
        self.own = rng.normal(0, w.driver_variant, (DRIVERS, n))
        self.spread = np.exp(rng.normal(0, 1, DRIVERS) * w.scale_use - w.scale_use**2 / 2)
        self.cuts = np.sort(np.arange(1.5, 10.0) + rng.normal(0, w.threshold_jitter, (n, DRIVERS, 9)), axis=2)
        self.days = [(rng.normal(0, w.session, n), rng.normal(0, w.session_variant, n), rng.normal(0, w.driver_session, (DRIVERS, n)),
                      rng.uniform(*w.tau_min) / 60, rng.random(DRIVERS) < w.absent) for _ in range(LOOKS)]  # fmt: skip
        self.rng = generator(job.seed, f"planned seasons {job.booking} {job.way}", job.number)
        self.marks: list[list[Mark]] = [[] for _ in TRUTHS]
        self.before: list[Before] = []
        self.decided: dict[int, tuple[str, int]] = {}  # question -> (verdict, session)

    def run(self) -> dict[str, Any]:
        for s in range(LOOKS):
            still = [k for k in range(len(TRUTHS)) if k not in self.decided]
            if not still:
                break
            for d, outing in enumerate(self._outings(s, still)):
                self._drive(s, d, outing)
            self._look(s, still)
        used = LOOKS if len(self.decided) < len(TRUTHS) else max(at for _, at in self.decided.values())
        return {"sessions": used, "verdicts": {str(k): list(v) for k, v in self.decided.items()}}

    def _outings(self, s: int, still: Sequence[int]) -> list[list[tuple[float, int]]]:
        """Per driver, (minute, test) in order."""
        if self.job.way in HABITS:
            return [self._habit(still) for _ in range(DRIVERS)]
        return self._planned(s, still)

    def _habit(self, still: Sequence[int]) -> list[tuple[float, int]]:
        runs = int((BOOKINGS[self.job.booking] - 90) // 12)
        tests = [1 + still[i % len(still)] for i in range(runs // 2)]
        if self.job.way == "new part last":
            order = [0] * (runs - len(tests)) + sorted(tests)
        elif self.job.way == "A-B only":
            order = [x for test in tests for x in (0, test)]
        else:
            order = [int(x) for x in self.rng.permutation([0] * (runs - len(tests)) + tests)]
        return [(12.0 * i, x) for i, x in enumerate(order)]

    def _planned(self, s: int, still: Sequence[int]) -> list[list[tuple[float, int]]]:
        base = tuple((f"P{k}", "0") for k in range(len(TRUTHS)))
        names = [f"D{d + 1}" for d in range(DRIVERS)]
        asked = tuple(
            OpenQuestion(f"Q{k}", Variant("A", base), (Variant("B", tuple((p, "1" if p == f"P{k}" else v) for p, v in base)),),
                         tuple(Lack(name, "B", 9) for name in names))
            for k in still
        )  # fmt: skip
        day = Day(Hours(BOOKINGS[self.job.booking]), tuple(f"car {d + 1}" for d in range(DRIVERS)),
                  tuple(Driver(name, (f"car {d + 1}",)) for d, name in enumerate(names)), asked, before=tuple(self.before))  # fmt: skip
        plan = plan_day(day, BALANCED if self.job.way == WAYS[0] else MORE_TESTS, seed=self.job.seed)
        outings = []
        for name in names:
            own = [line for line in plan.lines if line.driver == name]
            outings.append([(line.start - day.start, 1 + int(line.test[0][1:]) if line.test else 0) for line in own])
            self.before.append(Before(name, f"S{s + 1}", tuple(f"{line.test[0]} B" for line in own if line.test)))
        return outings

    def _drive(self, s: int, d: int, outing: Sequence[tuple[float, int]]) -> None:
        w, (day, of_variant, cell, tau_h, absent) = self.world, self.days[s]
        if absent[d]:
            return
        for i, (minute, test) in enumerate(outing):
            if self.rng.random() < w.lost:
                continue
            grip, halo = w.drift * (1 - math.exp(-minute / 60 / tau_h)), self.rng.normal(0, w.halo)
            for k, truth in enumerate(TRUTHS):
                gain = truth + self.own[d, k] + of_variant[k] if test == 1 + k else 0.0
                moved = day[k] + cell[d, k] + gain + grip + halo + self.rng.normal(0, w.noise)
                latent = w.level + self.level[d, k] + self.spread[d] * moved
                rating = 1.0 + int(np.searchsorted(self.cuts[k, d], latent))
                others = tuple((f"Q{o}", "B" if test == 1 + o else "A") for o in range(len(TRUTHS)) if o != k)
                self.marks[k].append(Mark(f"D{d + 1}", f"S{s + 1}", f"S{s + 1}-D{d + 1}-{i + 1}", "B" if test == 1 + k else "A", "grip",
                                          rating, clock_min=minute, car=str(d + 1), others=others))  # fmt: skip

    def _look(self, s: int, still: Sequence[int]) -> None:
        if s == 0:
            return  # one session is never enough, by the rule's own gate
        question = Question("A", ("A", "B"), {"grip": Scale()}, Rule(goals=(Goal("grip"),), drivers=2))
        for k in still:
            if len({m.variant for m in self.marks[k]}) == 2:
                verdict = roll_up(Evidence(question, tuple(self.marks[k]))).verdicts[0].verdict
                if verdict != "retest":
                    self.decided[k] = (verdict, s + 1)


def carry_out(job: Job) -> dict[str, Any]:
    return Season(job).run()


def summed(found: Sequence[dict[str, Any]], booking: str) -> dict[str, Any]:
    """Adoption of better and of equal variants, hours booked, and adopted better variants per hundred booked hours."""
    better, equal, hours = [], [], 0.0
    for programme in found:
        hours += programme["sessions"] * BOOKINGS[booking] / 60
        for k, truth in enumerate(TRUTHS):
            (better if truth else equal).append(programme["verdicts"].get(str(k), ("", 0))[0] == "adopt")
    return {
        "programmes": len(found), "better_adopted": round(float(np.mean(better)), 4), "equal_adopted": round(float(np.mean(equal)), 4),
        "hours": round(hours, 1), "per_100_hours": round(100 * sum(better) / hours, 3),
        "per_100_hours_se": round(100 * math.sqrt(sum(better)) / hours, 3),
    }  # fmt: skip


def run(programmes: int, seed: int, out: Path, workers: int = 2) -> int:
    """All bookings and ways, `programmes` each; what is in `out`'s progress file already is not done again."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    progress = out.with_suffix(".progress.jsonl")
    done = [json.loads(line) for line in progress.read_text().splitlines()] if progress.exists() else []
    known = {(d["booking"], d["way"], d["number"]) for d in done if d["seed"] == seed and d["method"] == METHOD_VERSION}
    jobs = [Job(b, w, n, seed) for n in range(programmes) for b in BOOKINGS for w in WAYS if (b, w, n) not in known]
    with multiprocessing.get_context("spawn").Pool(workers) as pool, progress.open("a") as file:
        for job, found in zip(jobs, pool.imap(carry_out, jobs), strict=True):
            row = {"booking": job.booking, "way": job.way, "number": job.number, "seed": seed, "method": METHOD_VERSION, **found}
            done.append(row)
            file.write(json.dumps(row) + "\n")
            file.flush()
    rows = [d for d in done if d["seed"] == seed and d["method"] == METHOD_VERSION and d["number"] < programmes]
    table = {b: {w: summed([r for r in rows if (r["booking"], r["way"]) == (b, w)], b) for w in WAYS} for b in BOOKINGS}
    for booking, ways in table.items():
        best = max(ways[h]["per_100_hours"] for h in HABITS)
        print(f"{booking}, {BOOKINGS[booking]:g} min booked")
        for way, f in ways.items():
            ratio = f["per_100_hours"] / best if best else math.nan
            print(f"  {way:24} better {f['better_adopted']:.0%}, equal {f['equal_adopted']:.0%}, {f['per_100_hours']:.2f} +- "
                  f"{f['per_100_hours_se']:.2f} per 100 h, {ratio:.2f} x the best habit")  # fmt: skip
    out.write_text(json.dumps({"method": METHOD_VERSION, "seed": seed, "truths": TRUTHS, "cells": table}, indent=1) + "\n")
    return 0
