"""What each column of a timing file is, proposed from its cells and its name. A person confirms it. No database."""

import contextlib
import itertools
import re
from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from app.tables import Unreadable
from app.timing.cells import NOTHING, read_clock, read_lap_time
from app.timing.rules import RawTable, Role

SEEN = 500
NAMED = (
    (Role.IGNORE, re.compile(r"best|gap|diff|delta|total|elapsed|behind|sector|speed|date|\bpos|rank|class|hits|strength", re.I)),
    (Role.WHO, re.compile(r"transponder|transp|\btx\b|\bcar\b|vehicle|driver|name|competitor|pilot|number plate", re.I)),
    (Role.CLOCK, re.compile(r"clock|passing|time of day|\btod\b|day ?time|timestamp|hall time|local time", re.I)),
    (Role.TIME, re.compile(r"lap ?_?time|laptime|\btime\b|seconds|time_s\b", re.I)),
    (Role.LAP, re.compile(r"^\s*(lap|laps|no\.?|nr\.?|#|lap ?_?(no\.?|nr\.?|number|#)?)\s*$", re.I)),
)


class Seen(NamedTuple):
    """What a column's cells could be, as shares and figures."""

    name: str
    timed: list[int]  # milliseconds of the cells that read as a lap time
    clocked: list[int]
    whole: list[int]
    filled: int
    distinct: int
    of_day: bool  # written like 11:00:22


def propose_roles(table: RawTable) -> tuple[Role, ...]:
    """One role a column; columns that nothing speaks for are not read."""
    seen = [_seen(table, n) for n in range(len(table.names))]
    roles = [_named(column) if table.look.header else None for column in seen]
    fit = {Role.WHO: _fits_who, Role.CLOCK: _fits_clock, Role.TIME: _fits_time, Role.LAP: _fits_lap}
    roles = [given if given is None or given not in fit or fit[given](seen[n], True) else None for n, given in enumerate(roles)]
    taken: dict[int, Role] = {}
    for role, fits in fit.items():
        named = [n for n, given in enumerate(roles) if given == role and n not in taken]
        free = [n for n, given in enumerate(roles) if given is None and n not in taken and fits(seen[n], False)]
        if role == Role.TIME and not named and Role.WHO not in taken.values() and Role.CLOCK not in taken.values() and len(free) > 1:
            taken |= dict.fromkeys(free, Role.CAR)
        elif role == Role.TIME and not named and len(free) == 1 and Role.WHO not in taken.values() and table.names[free[0]].isdigit():
            taken[free[0]] = Role.CAR  # a transponder's number above its laps
        elif named or free:
            taken[(named or free)[0]] = role
    return tuple(taken.get(n, Role.IGNORE) for n in range(len(seen)))


def _named(column: Seen) -> Role | None:
    return next((role for role, pattern in NAMED if pattern.search(column.name)), None)


def _seen(table: RawTable, position: int) -> Seen:
    cells = [row.cells[position] for row in table.rows[:SEEN] if row.cells[position] not in NOTHING]
    timed, clocked = [], []
    for cell in cells:
        with contextlib.suppress(Unreadable):
            timed.append(read_lap_time(cell, table.look.decimal) or 0)
        with contextlib.suppress(Unreadable):
            clocked.append(read_clock(cell, table.look.decimal)[0])
    whole = [int(cell) for cell in cells if cell.isdecimal() and cell.isascii() and len(cell) < 12]
    of_day = sum(cell.count(":") == 2 for cell in cells) * 2 > len(cells)
    return Seen(table.names[position], timed, clocked, whole, len(cells), len(set(cells)), of_day)


def _most(values: Sequence[int], column: Seen) -> bool:
    return column.filled > 0 and len(values) * 2 > column.filled


def _rising(values: Sequence[int]) -> bool:
    """A clock goes on from line to line, or back from line to line; a few lines of other cars in between may not."""
    steps = [b - a for a, b in itertools.pairwise(values)]
    return bool(steps) and max(sum(step >= 0 for step in steps), sum(step <= 0 for step in steps)) * 10 >= len(steps) * 8


def _fits_who(column: Seen, named: bool) -> bool:
    """Named so; else numbers or names that few cars share."""
    if column.filled == 0:
        return False
    if named:
        return not (_most(column.timed, column) and len(column.whole) * 2 < column.filled)  # a car's own column of lap times
    few = column.distinct * 3 <= column.filled
    if _most(column.whole, column) and len(column.whole) == column.filled:
        return few and min(column.whole) >= 1000
    return few and not column.timed


def _fits_clock(column: Seen, named: bool) -> bool:
    if not _most(column.clocked, column):
        return False
    if named:
        return True
    large = median(column.clocked) >= 3_600_000
    return (column.of_day or len(column.whole) < column.filled) and large and (_rising(column.clocked) or column.of_day)


def _fits_time(column: Seen, named: bool) -> bool:
    if not _most(column.timed, column):
        return False
    middle = median(column.timed)
    plausible = 2_000 <= middle <= 900_000
    return plausible if named else plausible and len(column.whole) * 2 < column.filled


def _fits_lap(column: Seen, named: bool) -> bool:
    if named and _most(column.whole, column):
        return True
    if len(column.whole) != column.filled or not column.filled:
        return False
    return min(column.whole) <= 2 and max(column.whole) <= max(3, column.filled + 1)
