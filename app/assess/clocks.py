"""When each run started, minutes from its session's start, by the first source that knows.

`clock_min` of the run, else the earliest `clock_s` of its laps, else its number: (run - 1) x minutes_per_run. The last
only works for a session whose runs are numbered on one count; otherwise none of the session's runs has a clock.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from app.assess.rows import A_DAY_MIN, Driven, Rated, Seat, rated_or_driven
from app.assess.tables import shown, whole


@dataclass(frozen=True, slots=True)
class Clocks:
    """minutes : start of every run, None = not known;  unknown : why a session has no order, in a sentence"""

    minutes: dict[Seat, float | None]
    unknown: dict[str, str]


def read_clocks(ratings: Sequence[Rated], laps: Sequence[Driven], minutes_per_run: float) -> Clocks:
    """Raises FolderRefused for a run number that would put the run more than a day into its session."""
    written = {row.seat: row.clock_min for row in ratings if row.clock_min is not None}
    first_lap: dict[Seat, float] = {}
    for lap in laps:
        first_lap[lap.seat] = min(lap.clock_s, first_lap.get(lap.seat, lap.clock_s))
    rows: dict[Seat, Rated | Driven] = {}
    by_session: defaultdict[str, list[Seat]] = defaultdict(list)
    for row in rated_or_driven(ratings, laps):
        if row.seat not in rows:
            rows[row.seat] = row
            by_session[row.seat[1]].append(row.seat)
    minutes: dict[Seat, float | None] = {}
    unknown: dict[str, str] = {}
    for session, seats in by_session.items():
        numbered = [seat for seat in seats if seat not in written and seat not in first_lap]
        told = _why_unknown(session, numbered, seats)
        if told:
            unknown[session] = told
        for seat in seats:
            if told:
                minutes[seat] = None
            elif seat in written:
                minutes[seat] = written[seat]
            elif seat in first_lap:
                minutes[seat] = first_lap[seat] / 60.0
            else:
                minutes[seat] = _by_number(rows[seat], minutes_per_run)
    return Clocks(minutes, unknown)


def _why_unknown(session: str, numbered: Sequence[Seat], seats: Iterable[Seat]) -> str:
    """'' when every run without a clock has a number of its own in the session."""
    owners: defaultdict[int | None, list[Seat]] = defaultdict(list)
    for seat in seats:
        owners[whole(seat[2])].append(seat)
    for seat in numbered:
        number = whole(seat[2])
        if number is None:
            return f"Session {session}: run {shown(seat[2])} is no number and has no clock, so the order of runs is not known."
        if len(owners[number]) > 1:
            others = " and ".join(sorted({owner[0] for owner in owners[number]}))
            return f"Session {session}: run {number} of {others} is there more than once, so the order of runs is not known."
    return ""


def _by_number(row: Rated | Driven, minutes_per_run: float) -> float:
    number = whole(row.seat[2]) or 0
    minutes = (number - 1) * minutes_per_run
    if not 0 <= minutes <= A_DAY_MIN:
        told = f"Run {number} would start {minutes:g} min into its session; number runs from 1 in each session, or give clock_min."
        raise row.line.refuse("run", told)
    return minutes
