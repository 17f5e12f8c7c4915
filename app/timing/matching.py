"""Laps of a file -> runs of the session, by clock or by order; what fits nowhere is listed. No database.

By clock a lap belongs to the run of its car in which it started: from 30 s before the noted start up to the noted end, so
that the lap under way at the end is completed (300 s at 22.0 s: 14 laps, 308.0 s) and the next one is not the run's.
"""

import hashlib
import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from app.timing.rules import RunSpan, TimedLap
from app.timing.shift import WITHIN_MS, is_pause, stints

BETWEEN, STOOD, FOREIGN = "between runs", "the car stood", "no car of ours"
HERE = "its run has laps already"
UNPLACED = "no run was chosen"


class MatchedRun(NamedTuple):
    """One run with the laps that become its own, numbered from 1. off_ms : first lap's start after the noted start."""

    run: RunSpan
    who: str
    laps: tuple[TimedLap, ...]
    off_ms: int | None = None


class LeftOver(NamedTuple):
    """Laps that belong to no run, next to each other in the file."""

    who: str
    reason: str
    laps: int
    first: TimedLap
    last: TimedLap

    def stored(self) -> list[str | int]:
        return [self.who, self.reason, self.laps, self.first.line, self.last.line]


class Match(NamedTuple):
    """shift_ms None = by order. empty : runs that were driven and get no lap."""

    shift_ms: int | None
    runs: tuple[MatchedRun, ...]
    left: tuple[LeftOver, ...]
    empty: tuple[RunSpan, ...] = ()

    @property
    def laps(self) -> int:
        return sum(len(matched.laps) for matched in self.runs)

    @property
    def digest(self) -> str:
        """What a person saw and confirmed: each run with its laps, and the shift."""
        seen = [self.shift_ms, [[m.run.id, [[lap.time_ms, lap.start_ms] for lap in m.laps]] for m in self.runs]]
        return hashlib.sha256(json.dumps(seen).encode()).hexdigest()


@dataclass
class _Sorting:
    matched: dict[int, list[TimedLap]] = field(default_factory=lambda: defaultdict(list))
    who_of: dict[int, str] = field(default_factory=dict)
    left: list[tuple[TimedLap, str]] = field(default_factory=list)

    def put(self, run: RunSpan, lap: TimedLap) -> None:
        if run.laps_here:
            self.left.append((lap, HERE))
            return
        self.matched[run.id].append(lap)
        self.who_of[run.id] = lap.who

    def match(self, spans: Sequence[RunSpan], shift_ms: int | None, cars: set[int]) -> Match:
        runs = [MatchedRun(run, self.who_of[run.id], tuple(self.matched[run.id]), _off(run, self.matched[run.id][0], shift_ms))
                for run in spans if run.id in self.matched]  # fmt: skip
        empty = tuple(run for run in spans if run.id not in self.matched and not run.laps_here and run.car_id in cars)
        return Match(shift_ms, tuple(runs), tuple(_grouped(self.left)), empty)


def _off(run: RunSpan, first: TimedLap, shift_ms: int | None) -> int | None:
    if shift_ms is None or run.start_ms is None or first.start_ms is None:
        return None
    return first.start_ms + shift_ms - run.start_ms


def match_by_clock(laps: Mapping[str, Sequence[TimedLap]], car_of: Mapping[str, int], spans: Sequence[RunSpan], shift_ms: int) -> Match:
    """laps : transponder -> its laps in order;  car_of : transponder -> our car, those of others left out."""
    sorting = _Sorting()
    for who, driven in laps.items():
        if who not in car_of:
            sorting.left += [(lap, FOREIGN) for lap in driven]
            continue
        windows = _windows([run for run in spans if run.car_id == car_of[who]])
        usual = median(lap.time_ms for lap in driven)
        for lap in driven:
            at, until = (lap.start_ms or 0) + shift_ms, (lap.end_ms or 0) + shift_ms
            inside = [(run, end) for run, start, end in windows if start <= at <= end]
            if not inside:
                sorting.left.append((lap, STOOD if is_pause(lap, usual) else BETWEEN))
            elif is_pause(lap, usual) and until > inside[-1][1] + WITHIN_MS:
                sorting.left.append((lap, STOOD))  # it began at the end of the run and ended in the next one
            else:
                sorting.put(inside[-1][0], lap)
    return sorting.match(spans, shift_ms, set(car_of.values()))


def _windows(runs: Sequence[RunSpan]) -> list[tuple[RunSpan, int, int]]:
    """(run, from, until) in their order; a run without a noted end lasts until the next one of its car."""
    known = sorted((run for run in runs if run.start_ms is not None), key=lambda run: (run.start_ms, run.id))
    found = []
    for run, after in pairwise([*known, None]):
        assert run is not None
        start = (run.start_ms or 0) - WITHIN_MS
        until = run.end_ms
        if until is None:
            until = (after.start_ms or 0) - WITHIN_MS if after is not None else start + 2 * 3_600_000
        found.append((run, start, until))
    return found


def places(laps: Mapping[str, Sequence[TimedLap]], car_of: Mapping[str, int], spans: Sequence[RunSpan]) -> list[tuple[str, list[TimedLap]]]:
    """The stints of our cars, each to be put on a run: by pauses and lap numbers, else by how many laps each run had."""
    found = []
    for who, driven in laps.items():
        if who not in car_of:
            continue
        cut = stints(driven)
        runs = [run for run in spans if run.car_id == car_of[who] and not run.laps_here]
        counts = [run.laps_driven or 0 for run in runs]
        if len(cut) == 1 and len(runs) > 1 and all(counts) and sum(counts) == len(cut[0]):
            at = 0
            for n in counts:
                found.append((who, cut[0][at : at + n]))
                at += n
            continue
        found += [(who, stint) for stint in cut]
    return found


def propose_order(stints_of: Sequence[tuple[str, Sequence[TimedLap]]], car_of: Mapping[str, int],
                  spans: Sequence[RunSpan]) -> list[int | None]:  # fmt: skip
    """The run of each stint: the first with the first, as long as a car has as many of both; else nothing is proposed."""
    waiting: dict[str, list[int]] = {}
    for who, car in car_of.items():
        runs = [run.id for run in spans if run.car_id == car and not run.laps_here]
        waiting[who] = runs if len(runs) == sum(name == who for name, _ in stints_of) else []
    return [waiting[who].pop(0) if waiting.get(who) else None for who, _ in stints_of]


def match_by_order(laps: Mapping[str, Sequence[TimedLap]], car_of: Mapping[str, int], spans: Sequence[RunSpan],
                   chosen: Sequence[int | None]) -> Match:  # fmt: skip
    """chosen : the run of each stint of `places`, None = of none."""
    sorting, by_id = _Sorting(), {run.id: run for run in spans}
    cut = places(laps, car_of, spans)
    placed = {(who, lap.line) for who, stint in cut for lap in stint}
    for (who, stint), run_id in zip(cut, [*chosen, *[None] * len(cut)], strict=False):
        run = by_id.get(run_id or 0)
        for lap in stint:
            if run is None or run.car_id != car_of[who]:
                sorting.left.append((lap, UNPLACED))
            else:
                sorting.put(run, lap)
    for who, driven in laps.items():
        if who not in car_of:
            sorting.left += [(lap, FOREIGN) for lap in driven]
        else:
            sorting.left += [(lap, STOOD) for lap in driven if (who, lap.line) not in placed]
    return sorting.match(spans, None, set(car_of.values()))


def _grouped(left: Sequence[tuple[TimedLap, str]]) -> list[LeftOver]:
    """Laps of one car left over for one reason, run together as long as they follow each other."""
    found: list[LeftOver] = []
    for lap, reason in left:
        last = found[-1] if found else None
        near = last is not None and (lap.start_ms is None or last.last.end_ms is None or 0 <= lap.start_ms - last.last.end_ms <= 60_000)
        if last is not None and last.who == lap.who and last.reason == reason and (near or reason in (FOREIGN, HERE)):
            found[-1] = LeftOver(last.who, reason, last.laps + 1, last.first, lap)
        else:
            found.append(LeftOver(lap.who, reason, 1, lap, lap))
    return found
