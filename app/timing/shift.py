"""How far the hall's clock is from the venue's: the shift on which most run starts agree. No database.

A person confirms it before anything is attached. Of shifts that fit equally well a whole hour is taken first, since clocks
are set wrong by a time zone or by summer time; then a half hour; then the one nearest to the starts.
Tolerance: ± 30 s between the start that was noted and the first lap's start (our own limit).
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from app.timing.rules import HOUR, MINUTE, RunSpan, TimedLap

WITHIN_MS = 30_000
PAUSE_TIMES, PAUSE_LEAST_MS = 3.0, 60_000  # a lap of more than both is a pause: the car stood
GAP_MS = 60_000  # between the end of one lap and the start of the next: another stint
MOST_STARTS = 400  # of one car that are compared
ROUND = tuple(sorted((n * HOUR // 2 for n in range(-28, 29)), key=lambda ms: (ms != 0, ms % HOUR != 0, abs(ms), ms)))


class Shift(NamedTuple):
    """shift_ms is added to the file's clock. agree : of how many run starts it fits; per_car : the same by transponder.

    rival_ms : another shift, more than two tolerances away, that fits as many.
    """

    shift_ms: int
    agree: int
    of: int
    per_car: Mapping[str, tuple[int, int]]
    rival_ms: int | None = None

    @property
    def doubtful(self) -> bool:
        return self.agree == 0 or self.rival_ms is not None or self.agree * 2 < self.of


def is_pause(lap: TimedLap, usual_ms: float) -> bool:
    return lap.time_ms > max(PAUSE_TIMES * usual_ms, PAUSE_LEAST_MS)


def stints(laps: Sequence[TimedLap]) -> list[list[TimedLap]]:
    """A car's laps in stretches without a pause; the pauses themselves are in none. Without a clock also from lap number to lap
    number: one that is not higher than the one before begins a stint."""
    if not laps:
        return []
    usual = median(lap.time_ms for lap in laps)
    found: list[list[TimedLap]] = [[]]
    for before, lap in pairwise([None, *laps]):
        if lap is None:
            continue
        if is_pause(lap, usual):
            found.append([])
            continue
        if before is not None and found[-1] and _apart(before, lap):
            found.append([])
        found[-1].append(lap)
    return [stint for stint in found if stint]


def _apart(before: TimedLap, lap: TimedLap) -> bool:
    if before.end_ms is not None and lap.start_ms is not None:
        return lap.start_ms - before.end_ms > GAP_MS
    return before.number is not None and lap.number is not None and lap.number <= before.number


def propose_shift(cars: Mapping[str, tuple[Sequence[TimedLap], Sequence[RunSpan]]]) -> Shift:
    """cars : transponder -> its laps with a clock, and the runs of its car. Robust: each run start votes."""
    starts = {who: _starts(laps) for who, (laps, _) in cars.items()}
    runs = {who: [run.start_ms for run in spans if run.start_ms is not None] for who, (_, spans) in cars.items()}
    of = sum(len(listed) for listed in runs.values())
    tried = [*ROUND, *_candidates(starts, runs)]
    counted = [(shift, *_agreement(starts, runs, shift)) for shift in tried]
    best = max((agree for _, agree, _ in counted), default=0)
    if best == 0:
        return Shift(0, 0, of, _per_car(starts, runs, 0))
    chosen = _chosen([(shift, far) for shift, agree, far in counted if agree == best])
    rivals = sorted((far, shift) for shift, agree, far in counted if agree == best and abs(shift - chosen) > 2 * WITHIN_MS)
    return Shift(chosen, best, of, _per_car(starts, runs, chosen), rivals[0][1] if rivals else None)


def agreement(cars: Mapping[str, tuple[Sequence[TimedLap], Sequence[RunSpan]]], shift_ms: int) -> Shift:
    """How well a shift that somebody typed fits."""
    starts = {who: _starts(laps) for who, (laps, _) in cars.items()}
    runs = {who: [run.start_ms for run in spans if run.start_ms is not None] for who, (_, spans) in cars.items()}
    agree, _ = _agreement(starts, runs, shift_ms)
    return Shift(shift_ms, agree, sum(len(listed) for listed in runs.values()), _per_car(starts, runs, shift_ms))


def _starts(laps: Sequence[TimedLap]) -> list[int]:
    return sorted(stint[0].start_ms for stint in stints(laps)[:MOST_STARTS] if stint[0].start_ms is not None)


def _candidates(starts: Mapping[str, list[int]], runs: Mapping[str, list[int]]) -> list[int]:
    """Every shift that puts a stint on a run, to the second."""
    found = {round((run - start) / 1000) * 1000 for who, listed in runs.items() for run in listed for start in starts[who]}
    return sorted(found, key=lambda ms: (abs(ms), ms))[:5000]


def _agreement(starts: Mapping[str, list[int]], runs: Mapping[str, list[int]], shift_ms: int) -> tuple[int, int]:
    """(run starts within the tolerance, sum of their distances)."""
    near = [off for who, listed in runs.items() for run in listed if (off := _distance(starts[who], run - shift_ms)) <= WITHIN_MS]
    return len(near), sum(near)


def _distance(ordered: Sequence[int], at: int) -> int:
    place = bisect_left(ordered, at)
    return min((abs(ordered[n] - at) for n in (place - 1, place) if 0 <= n < len(ordered)), default=10**12)


def _chosen(fitting: Sequence[tuple[int, int]]) -> int:
    """A whole hour, else a half hour, else the shift nearest to the starts."""
    for step in (HOUR, 30 * MINUTE):
        whole = [(far, abs(shift), shift) for shift, far in fitting if shift % step == 0]
        if whole:
            return min(whole)[2]
    return min((far, abs(shift), shift) for shift, far in fitting)[2]


def _per_car(starts: Mapping[str, list[int]], runs: Mapping[str, list[int]], shift_ms: int) -> dict[str, tuple[int, int]]:
    return {who: (sum(_distance(starts[who], run - shift_ms) <= WITHIN_MS for run in listed), len(listed)) for who, listed in runs.items()}
