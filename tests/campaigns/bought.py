"""What learning the panel's noise buys, and what the clause of a large gain buys; false adoption beside the power.

Noise: a panel drives eight questions of one programme, every second one a point better, the others equal. Each is read
after two to six sessions on the default priors, and on priors learned at its first look from the other seven: once when
those had one session, once when they had four. First decisive look; rated questions, one must.
Large gain: the same programmes read with the clause and without it, laps among the musts.
Our own simulated worlds, common practice, no source. Seeded; a stop loses the panels in hand; a later run goes on.
"""

import json
import math
import multiprocessing
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from app.evidence import METHOD_VERSION
from app.evidence import rule as the_rule
from app.evidence.inputs import Evidence
from app.evidence.panel_noise import learn
from app.evidence.story import noise_seen, roll_up
from app.trials.cells import EASE, HANDLING, question_of, truths_of
from app.trials.world import LOUD, QUIET, World, generator, noisier, simulate, up_to_session

QUESTIONS, LOOKS = 8, 6
SEEN_AT = {"learned from one session": 1, "learned from four sessions": 4}
PANELS: Mapping[str, World] = {
    "usual": World(), "quiet": noisier(World(), QUIET), "loud": noisier(World(), LOUD), "uneven": World(scale_use=0.5),
    "disagreeing": World(driver_variant=0.8),
}  # fmt: skip
GAINS: Mapping[str, tuple[float, float]] = {  # (goal, must) improvements
    "equal": (0.0, 0.0), "1 better": (1.0, 0.0), "2 better": (2.0, 0.0), "3 better": (3.0, 0.0), "1 better, must 1 worse": (1.0, -1.0),
    "2 better, must 1 worse": (2.0, -1.0),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Job:
    """One panel of a world, or one programme of a gain, to be read in every way."""

    what: str
    world: str
    drivers: int
    number: int
    seed: int

    @property
    def cell(self) -> str:
        return f"{self.world}, {self.drivers} drivers"


def jobs(what: str, size: int, seed: int) -> list[Job]:
    worlds = PANELS if what == "learned_noise" else GAINS
    return [Job(what, world, drivers, number, seed) for world in worlds for drivers in (3, 4) for number in range(size)]


def carry_out(job: Job) -> list[dict[str, Any]]:
    """[{truth, way -> look of adoption or None}] of this job, one entry a question."""
    return _panel(job) if job.what == "learned_noise" else [_gain(job)]


def _panel(job: Job) -> list[dict[str, Any]]:
    asked = question_of("handling", with_laps=False)
    world = replace(PANELS[job.world], drivers=job.drivers)
    truths = [float(k % 2) for k in range(QUESTIONS)]
    programmes = [
        simulate(world, asked, truths_of(asked, **{HANDLING: truth}), generator(job.seed, f"bought {job.cell} {k}", job.number))
        for k, truth in enumerate(truths)
    ]
    seen = {at: [noise_seen(up_to_session(whole, at)) for whole in programmes] for at in SEEN_AT.values()}
    found = []
    for k, whole in enumerate(programmes):
        entry: dict[str, Any] = {"truth": truths[k], "default": _adopted_at(whole)}
        for way, at in SEEN_AT.items():
            entry[way] = _adopted_at(replace(whole, panel_noise=learn([s for i, s in enumerate(seen[at]) if i != k])))
        found.append(entry)
    return found


def _gain(job: Job) -> dict[str, Any]:
    asked = question_of("handling")
    goal, must = GAINS[job.world]
    world = World(drivers=job.drivers)
    whole = simulate(world, asked, truths_of(asked, **{HANDLING: goal, EASE: must}), generator(job.seed, f"bought {job.cell}", job.number))
    never = replace(the_rule.RULE, large_gain=2.0)
    with patch.object(the_rule, "RULE", never):
        without = _adopted_at(whole)
    return {"truth": goal, "without the clause": without, "with the clause": _adopted_at(whole)}


def _adopted_at(whole: Evidence) -> int | None:
    """The look at which the rival is adopted; None when it is decided otherwise before, or never."""
    for look in range(2, LOOKS + 1):
        word = roll_up(up_to_session(whole, look)).verdicts[0].verdict
        if word != "retest":
            return look if word == "adopt" else None
    return None


def summary(done: Mapping[str, Sequence[dict[str, Any]]]) -> dict[str, Any]:
    """cell -> truth -> way -> share adopted by 4 and by 6 sessions, with n and the Monte-Carlo error of the latter."""
    told: dict[str, Any] = {}
    for cell, entries in done.items():
        for truth in sorted({entry["truth"] for entry in entries}):
            own = [entry for entry in entries if entry["truth"] == truth]
            ways = [name for name in own[0] if name != "truth"]
            told.setdefault(cell, {})[f"{truth:g} better" if truth else "equal"] = {"n": len(own)} | {
                way: _shares([entry[way] for entry in own]) for way in ways
            }
    return told


def _shares(looks: Sequence[int | None]) -> dict[str, float]:
    n = len(looks)
    by4, by6 = (sum(look is not None and look <= by for look in looks) / n for by in (4, 6))
    return {"by 4": round(by4, 4), "by 6": round(by6, 4), "mcse": round(math.sqrt(by6 * (1 - by6) / n), 4)}


def run(what: str, size: int, seed: int, out: Path, workers: int = 2) -> int:
    """Everything still missing, into `out`; exits 1 where an equal part is adopted too often for its number of programmes."""
    progress = out.with_suffix(".progress.jsonl")
    heading = {"what": what, "seed": seed, "method_version": METHOD_VERSION}
    done = _noted(progress, heading)
    wanted = jobs(what, size, seed)
    missing = [job for job in wanted if (job.cell, job.number) not in done]
    with progress.open("a") as lines:
        for count, (job, entries) in enumerate(_all(missing, workers), start=1):
            lines.write(json.dumps({"cell": job.cell, "number": job.number, "entries": entries}) + "\n")
            lines.flush()
            done[job.cell, job.number] = entries
            if count % 20 == 0:
                print(f"{count}/{len(missing)}, {job.cell}", flush=True)
    by_cell: dict[str, list[dict[str, Any]]] = {}
    for job in wanted:
        by_cell.setdefault(job.cell, []).extend(done[job.cell, job.number])
    told = {**heading, "size": size, "cells": summary(by_cell)}
    out.write_text(json.dumps(told, indent=1) + "\n")
    return _complain(told["cells"])


def _complain(cells: Mapping[str, Any]) -> int:
    bad = 0
    for cell, truths in cells.items():
        for truth, ways in truths.items():
            shown = "; ".join(f"{way} {100 * s['by 4']:.0f} / {100 * s['by 6']:.0f} %" for way, s in ways.items() if way != "n")
            print(f"{cell}, {truth} (n {ways['n']}), adopted by 4 / 6 sessions: {shown}")
            most = 0.09 if cell.startswith("disagreeing") else 0.05
            for way, share in ways.items():
                limit = most + 3 * math.sqrt(most * (1 - most) / ways["n"])
                bad += truth == "equal" and way != "n" and share["by 6"] > limit
    return int(bad > 0)


def _all(missing: Sequence[Job], workers: int) -> Iterator[tuple[Job, list[dict[str, Any]]]]:
    if workers == 1:
        yield from map(_told, missing)
        return
    os.environ["OPENBLAS_NUM_THREADS"] = "1"  # read by the fresh processes before they load numpy
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        yield from pool.imap_unordered(_told, missing)


def _told(job: Job, work: Callable[[Job], list[dict[str, Any]]] = carry_out) -> tuple[Job, list[dict[str, Any]]]:
    return job, work(job)


def _noted(progress: Path, heading: dict[str, Any]) -> dict[tuple[str, int], list[dict[str, Any]]]:
    """What an earlier run of the same seed and method found; a torn last line is dropped."""
    if not progress.exists():
        progress.write_text(json.dumps(heading) + "\n")
        return {}
    whole = [line for line in progress.read_text().splitlines(keepends=True) if line.endswith("\n")]
    if not whole or json.loads(whole[0]) != heading:
        raise SystemExit(f"{progress} is of another seed or method; remove it or name another file.")
    progress.write_text("".join(whole))
    rows = [json.loads(line) for line in whole[1:]]
    return {(row["cell"], row["number"]): row["entries"] for row in rows}
