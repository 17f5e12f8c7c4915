"""Runs many simulated programmes and counts what the rule said of them.

Seeded: the same seed and number of programmes give the same counts, whatever the number of processes and however often
the run was stopped. Beside the result file lies FILE.progress.jsonl: its first line says what the figures rest on, every
further line is one finished batch, so that a stop loses at most the batches in hand. A later run with more programmes or
other cells adds to it; a file that rests on something else is refused.
"""

import hashlib
import json
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from app.trials.cells import Cell, all_cells
from app.trials.counting import count_cell, count_cpu, heading, settings_of
from app.trials.reading import Outcome, read_programme

BATCH = 5


class CampaignRefused(ValueError):
    """Something asked for that can't be done, as a sentence."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Some programmes of one cell, by number; with `intervals` they also record their intervals at each look."""

    cell: str
    numbers: tuple[int, ...]
    seed: int
    intervals: bool = False


@dataclass(slots=True)
class Campaign:
    """What is asked for. coverage : programmes of a coverage cell whose intervals are compared with the truth."""

    out: Path
    programmes: int
    seed: int = 1
    cells: Sequence[str] = ()
    workers: int = 1
    coverage: int = 200
    known: dict[str, Cell] = field(default_factory=all_cells, init=False)

    def __post_init__(self) -> None:
        if strange := [name for name in self.cells if name not in self.known]:
            raise CampaignRefused(f"There is no cell {strange[0]!r}. The cells are: {', '.join(self.known)}.")
        if self.programmes < 1 or self.workers < 1:
            raise CampaignRefused("At least one programme and one worker are needed.")

    @property
    def progress(self) -> Path:
        return self.out.with_suffix(".progress.jsonl")

    def run(self, tell: Callable[[int, int, Batch], None] = lambda done, of, batch: None) -> dict[str, Any]:
        """Run what is still missing, write the result file and answer with its content.

        `tell` is called after each batch with (programmes done, programmes of this run, the batch).
        """
        done = self.load()
        missing = self.missing(done)
        total, finished = sum(len(b.numbers) for b in missing), 0
        with self.progress.open("a", encoding="utf-8") as file:
            for batch, outcomes in _carried_out(missing, self.workers):
                digest = _digest(self.known[batch.cell])
                file.write(json.dumps({"cell": batch.cell, "digest": digest, "outcomes": [o.stored() for o in outcomes]}) + "\n")
                file.flush()
                for outcome in outcomes:
                    done.setdefault(batch.cell, {})[outcome.number] = outcome
                finished += len(batch.numbers)
                tell(finished, total, batch)
        result = self.summary(done)
        written = self.out.with_suffix(".part")
        written.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
        os.replace(written, self.out)
        return result

    def missing(self, done: dict[str, dict[int, Outcome]]) -> list[Batch]:
        """Batches still to run, cell by cell; an outcome without the intervals that are now asked for is run again."""
        found = []
        for name in self.cells or self.known:
            have = done.get(name, {})
            covered = min(self.coverage, self.programmes) if self.known[name].coverage else 0
            wanted = [i for i in range(self.programmes) if i not in have or (i < covered and not have[i].intervals)]
            for intervals in (True, False):
                part = [i for i in wanted if (i < covered) == intervals]
                found += [Batch(name, tuple(part[at : at + BATCH]), self.seed, intervals) for at in range(0, len(part), BATCH)]
        return found

    def load(self) -> dict[str, dict[int, Outcome]]:
        """Outcomes of earlier runs by cell and number; a new progress file with its first line where there is none."""
        first = {"rests_on": heading(self.seed)}
        lines = self.progress.read_text(encoding="utf-8").splitlines(keepends=True) if self.progress.exists() else []
        whole = [line for line in lines if line.endswith("\n")]  # a line torn by a stop is run again
        if not whole:
            self.progress.write_text(json.dumps(first) + "\n", encoding="utf-8")
            return {}
        if json.loads(whole[0]) != first:
            raise CampaignRefused(f"{self.progress} rests on another seed, method or rule. Move it away, or name another --out.")
        if len(whole) < len(lines):
            self.progress.write_text("".join(whole), encoding="utf-8")
        done: dict[str, dict[int, Outcome]] = {}
        for line in whole[1:]:
            entry = json.loads(line)
            cell = self.known.get(entry["cell"])
            if cell is not None and entry["digest"] == _digest(cell):  # a cell that was changed since starts anew
                for stored in entry["outcomes"]:
                    done.setdefault(cell.name, {})[stored["number"]] = _restored(stored)
        return done

    def summary(self, done: dict[str, dict[int, Outcome]]) -> dict[str, Any]:
        """The content of the result file: everything there is progress for, not only what was asked this time."""
        present = {name: list(done[name].values()) for name in self.known if done.get(name)}
        return {
            **heading(self.seed),
            "cells": {name: count_cell(self.known[name], outcomes) for name, outcomes in present.items()},
            "cpu": {name: count_cpu(outcomes) for name, outcomes in present.items()},
        }


def _digest(cell: Cell) -> str:
    told = {**settings_of(cell), "title": "", "aims": []}  # words and hopes change no outcome
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:12]


def _restored(stored: dict[str, Any]) -> Outcome:
    looks = [(word, clause) for word, clause in stored["looks"]]
    intervals = [{name: (a, b, c) for name, (a, b, c) in at.items()} for at in stored["intervals"]]
    return Outcome(stored["number"], looks, stored["adopted"], stored["flags"], intervals, stored["cpu_ms"])


def _carried_out(batches: Sequence[Batch], workers: int) -> Iterator[tuple[Batch, list[Outcome]]]:
    if workers == 1 or len(batches) < 2:
        yield from map(_outcomes, batches)
        return
    # Fresh processes read this before they load numpy: one thread each, or they would take turns at each other's cost.
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        yield from pool.imap_unordered(_outcomes, batches)


def _outcomes(batch: Batch) -> tuple[Batch, list[Outcome]]:
    cell = _cells()[batch.cell]
    return batch, [read_programme(cell, batch.seed, number, intervals=batch.intervals) for number in batch.numbers]


@cache
def _cells() -> dict[str, Cell]:
    return all_cells()
