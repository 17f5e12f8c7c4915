"""Cells with a role each -> laps, in the order in which each car drove them. No database."""

import itertools
from collections import defaultdict
from collections.abc import Callable, Sequence
from datetime import date
from statistics import median
from typing import Any

from app.tables import Errors, Unreadable
from app.timing import cells
from app.timing.rules import (
    DAY,
    MOST_CARS,
    MOST_LAPS,
    UNNAMED,
    LapTable,
    RawRow,
    RawTable,
    Role,
    TimedLap,
    refuse_columns,
)

LONG_PASSING = 3.0  # times the car's median between two passings: a pause, and no lap (our own limit)
WHOLE = "whole file"


def read_laps(table: RawTable, roles: Sequence[Role]) -> LapTable:
    """Every lap of the file; raises TableRefused with line and column of everything that can't be taken."""
    line = table.rows[0].line
    refuse_columns(table.names, roles, line)
    reading = _Reading(table, roles)
    found = reading.by_column() if Role.CAR in roles else reading.by_row()
    reading.errors.refuse()
    laps = in_order(found, passings=Role.TIME not in roles and Role.CAR not in roles, errors=reading.errors, names=reading.names)
    cars = list(dict.fromkeys(lap.who for lap in laps))
    if len(cars) > MOST_CARS:
        extra = next(lap for lap in laps if lap.who == cars[MOST_CARS])
        reading.wrong(extra.line, Role.WHO, extra.who, f"is the {MOST_CARS + 1}th transponder; at most {MOST_CARS} are read at once; "
                      "split the file")  # fmt: skip
    if len(laps) > MOST_LAPS:
        reading.errors.add(laps[MOST_LAPS].line, WHOLE, "", f"has {len(laps)} laps; at most {MOST_LAPS} are read at once; split it by half "
                           "day or by car")  # fmt: skip
    if not laps and not reading.errors:
        reading.errors.add(line, WHOLE, "", "has no lap with a time; choose another column as the lap time")
    reading.errors.refuse()
    return LapTable(tuple(laps), tuple(reading.no_time), reading.first_day)


class _Reading:
    def __init__(self, table: RawTable, roles: Sequence[Role]) -> None:
        self.table, self.decimal = table, table.look.decimal
        self.at = {role: n for n, role in enumerate(roles)}
        self.names = {role: table.names[n] for role, n in self.at.items()}
        self.cars = [n for n, role in enumerate(roles) if role == Role.CAR]
        self.errors, self.no_time = Errors(), list[int]()
        self.first_day: date | None = None

    def wrong(self, line: int, role: Role, value: str, reason: str) -> None:
        self.errors.add(line, self.names.get(role, str(role)), value, reason)

    def cell(self, row: RawRow, position: int, read: Callable[..., Any], *more: Any) -> Any:
        try:
            return read(row.cells[position], *more)
        except Unreadable as refused:
            self.errors.add(row.line, self.table.names[position], row.cells[position], str(refused))
            return None

    def by_column(self) -> list[TimedLap]:
        found: list[TimedLap] = []
        for row in self.table.rows:
            number = self.cell(row, self.at[Role.LAP], cells.read_lap_number) if Role.LAP in self.at else None
            before = len(found)
            for position in self.cars:
                time_ms = self.cell(row, position, cells.read_lap_time, self.decimal)
                if time_ms is not None:
                    found.append(TimedLap(row.line, self.table.names[position], number, time_ms))
            if len(found) == before:
                self.no_time.append(row.line)
        return found

    def by_row(self) -> list[TimedLap]:
        found: list[TimedLap] = []
        clock_role = Role.START if Role.START in self.at else Role.CLOCK
        for row in self.table.rows:
            who = self.cell(row, self.at[Role.WHO], cells.read_name) if Role.WHO in self.at else UNNAMED
            number = self.cell(row, self.at[Role.LAP], cells.read_lap_number) if Role.LAP in self.at else None
            time_ms = self.cell(row, self.at[Role.TIME], cells.read_lap_time, self.decimal) if Role.TIME in self.at else 0
            clock_ms = self._clock(row, clock_role) if clock_role in self.at else None
            if who is None:
                continue
            if time_ms is None:
                self.no_time.append(row.line)
                continue
            starts = clock_role == Role.START
            start = clock_ms if starts or clock_ms is None else clock_ms - time_ms
            end = None if clock_ms is None else clock_ms + time_ms if starts else clock_ms
            found.append(TimedLap(row.line, who, number, time_ms, start, end))
        return found

    def _clock(self, row: RawRow, role: Role) -> int | None:
        read = self.cell(row, self.at[role], cells.read_clock, self.decimal)
        if read is None:
            return None
        clock_ms, day = read
        if day is not None:
            self.first_day = self.first_day or day
            clock_ms += (day - self.first_day).days * DAY
        return int(clock_ms)


def in_order(laps: Sequence[TimedLap], *, passings: bool, errors: Errors, names: dict[Role, str]) -> list[TimedLap]:
    """Each car's laps in the order in which it drove them; without lap times, the laps between its passings."""
    of_car: dict[str, list[TimedLap]] = defaultdict(list)
    for lap in laps:
        of_car[lap.who].append(lap)
    found: list[TimedLap] = []
    for driven in of_car.values():
        ordered = _by_clock(driven, errors, names) if driven[0].start_ms is not None else _by_number(driven)
        found += _between(ordered) if passings else ordered
    return found


def _by_clock(laps: list[TimedLap], errors: Errors, names: dict[Role, str]) -> list[TimedLap]:
    """A clock that falls back by half a day went past midnight. Two laps at one moment are the same lap twice."""
    days, before, moved = 0, None, []
    steps = [_step(a.end_ms or 0, b.end_ms or 0) for a, b in itertools.pairwise(laps)]
    backwards = sum(step < 0 for step in steps) * 2 > len(steps)
    for lap in reversed(laps) if backwards else laps:
        assert lap.start_ms is not None
        assert lap.end_ms is not None
        if before is not None and before - lap.end_ms > DAY // 2:
            days += 1
        before = lap.end_ms
        moved.append(lap._replace(start_ms=lap.start_ms + days * DAY, end_ms=lap.end_ms + days * DAY))
    moved.sort(key=lambda lap: (lap.end_ms, lap.line))
    for earlier, later in itertools.pairwise(moved):
        if earlier.end_ms == later.end_ms:
            role = Role.CLOCK if Role.CLOCK in names else Role.START
            errors.add(later.line, names.get(role, "clock"), "", f"is the moment of line {earlier.line} too; a car has one lap at once, so "
                       "take one of the two lines out")  # fmt: skip
    return moved


def _step(before_ms: int, after_ms: int) -> int:
    """From one clock to the next, the short way round midnight."""
    step = after_ms - before_ms
    return step - DAY if step > DAY // 2 else step + DAY if step < -DAY // 2 else step


def _by_number(laps: list[TimedLap]) -> list[TimedLap]:
    """As they stand; from the last to the first where the lap numbers say that the newest stands first."""
    numbers = [lap.number for lap in laps if lap.number is not None]
    falling = sum(b == a - 1 for a, b in itertools.pairwise(numbers))
    rising = sum(b == a + 1 for a, b in itertools.pairwise(numbers))
    return laps[::-1] if falling > rising else laps


def _between(passings: list[TimedLap]) -> list[TimedLap]:
    gaps = [(b.end_ms or 0) - (a.end_ms or 0) for a, b in itertools.pairwise(passings)]
    if not gaps:
        return []
    most = LONG_PASSING * median(gaps)
    return [later._replace(time_ms=gap, start_ms=earlier.end_ms)
            for earlier, later, gap in zip(passings, passings[1:], gaps, strict=False) if 0 < gap <= most]  # fmt: skip
