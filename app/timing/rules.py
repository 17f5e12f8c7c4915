"""What a hall's timing file may be, and how it is read: words, limits and frozen rows. No database.

Times are whole milliseconds. A clock is milliseconds since midnight of the file's first day, or of whatever the hall counts from.
"""

import hashlib
from collections.abc import Mapping, Sequence
from datetime import date
from enum import StrEnum
from typing import Any, NamedTuple

from app.tables import Errors, TableRefused

MOST_CHARACTERS = 900_000  # what a page carries from step to step
MOST_LAPS = 30_000  # a hall day of ten cars at 22 s a lap has fewer than 15 000
MOST_COLUMNS = 40
MOST_CARS = 40  # transponders or names in one file
MOST_STINTS = 60  # offered for choosing by order
LONGEST_LAP_MS = 3_600_000
SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000
UNNAMED = ""  # a file that names no transponder is of one car


class Role(StrEnum):
    """What a column is."""

    IGNORE = "ignore"
    LAP = "lap"
    TIME = "time"
    CLOCK = "clock"
    START = "start"
    WHO = "who"
    CAR = "car"


ROLE_WORDS: Mapping[str, str] = {
    Role.IGNORE: "not read", Role.LAP: "lap number", Role.TIME: "lap time", Role.CLOCK: "clock at the end of the lap",
    Role.START: "clock at the start of the lap", Role.WHO: "transponder or car", Role.CAR: "lap times of the car it is named after",
}  # fmt: skip
DELIMITERS: Mapping[str, str] = {"tab": "\t", "semicolon": ";", "comma": ",", "spaces": " ", "none": ""}
DECIMALS: Mapping[str, str] = {"point": ".", "comma": ","}


class Look(NamedTuple):
    """How the characters are cut into cells: words of DELIMITERS and DECIMALS, and whether the first line is a header."""

    delimiter: str
    decimal: str
    header: bool


class RawRow(NamedTuple):
    line: int
    cells: tuple[str, ...]


class RawTable(NamedTuple):
    """A file cut into cells, nothing of it understood. above : lines before the table, which are not read; shape : its digest."""

    look: Look
    names: tuple[str, ...]
    rows: tuple[RawRow, ...]
    above: tuple[RawRow, ...]
    shape: str


class Reading(NamedTuple):
    """How a file is read, as a person confirmed it."""

    look: Look
    roles: tuple[Role, ...]

    def stored(self) -> dict[str, Any]:
        look = self.look
        return {"delimiter": look.delimiter, "decimal": look.decimal, "header": look.header, "roles": [str(role) for role in self.roles]}

    @classmethod
    def of(cls, stored: Mapping[str, Any]) -> "Reading | None":
        """None where what is stored can't be read any more."""
        try:
            look = Look(str(stored["delimiter"]), str(stored["decimal"]), bool(stored["header"]))
            roles = tuple(Role(word) for word in stored["roles"])
        except (KeyError, ValueError, TypeError):
            return None
        return cls(look, roles) if look.delimiter in DELIMITERS and look.decimal in DECIMALS else None


class TimedLap(NamedTuple):
    """One lap of the file. number : as the file has it; start_ms, end_ms : by the hall's clock, None without one."""

    line: int
    who: str
    number: int | None
    time_ms: int
    start_ms: int | None = None
    end_ms: int | None = None


class LapTable(NamedTuple):
    """Every lap of a file, each car's in their order. no_time : lines that hold no lap, such as a first passing."""

    laps: tuple[TimedLap, ...]
    no_time: tuple[int, ...] = ()
    first_day: date | None = None

    @property
    def cars(self) -> tuple[str, ...]:
        """Transponders or names in the order in which they come."""
        return tuple(dict.fromkeys(lap.who for lap in self.laps))

    @property
    def has_clock(self) -> bool:
        return any(lap.start_ms is not None for lap in self.laps)

    def of(self, who: str) -> list[TimedLap]:
        return [lap for lap in self.laps if lap.who == who]


class RunSpan(NamedTuple):
    """A run that laps may belong to. start_ms, end_ms : by the venue's wall clock since midnight of the session's day."""

    id: int
    label: str
    car_id: int
    driver: str
    start_ms: int | None
    end_ms: int | None
    laps_here: int = 0  # that are here already
    laps_driven: int | None = None


def refuse_columns(names: Sequence[str], roles: Sequence[Role], line: int) -> None:
    """Raises TableRefused where these columns make no laps; the way out is another choice for a column."""
    errors = Errors()
    chosen = {role: [n for n, r in enumerate(roles) if r == role] for role in Role}
    for role in (Role.LAP, Role.TIME, Role.CLOCK, Role.START, Role.WHO):
        for position in chosen[role][1:]:
            errors.add(line, names[position], "", f"is a second column of “{ROLE_WORDS[role]}”; choose “not read” for one of them")
    if chosen[Role.CLOCK] and chosen[Role.START]:
        errors.add(line, names[chosen[Role.START][0]], "", "is a second clock; one is enough, choose “not read” for the other")
    if chosen[Role.CAR]:
        for role in (Role.TIME, Role.CLOCK, Role.START, Role.WHO):
            for position in chosen[role]:
                errors.add(line, names[position], "", f"can't be “{ROLE_WORDS[role]}” where each car has a column of its own")
    elif not (chosen[Role.TIME] or chosen[Role.CLOCK]):
        errors.add(line, "lap time", "", "is in no column; choose the column that holds the lap times, or the clock at each passing")
    errors.refuse()


def refuse_size(text: str) -> None:
    if len(text) > MOST_CHARACTERS:
        errors = Errors()
        line = text.count("\n", 0, MOST_CHARACTERS) + 1
        errors.add(line, "whole file", "", f"has {_grouped(len(text))} characters; at most {_grouped(MOST_CHARACTERS)} are read at once, "
                   f"about {_grouped(MOST_LAPS)} laps; split it by half day or by car")  # fmt: skip
        raise TableRefused(errors)


def _grouped(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def digest_of(text: str) -> str:
    """SHA-256 of a file's text, whatever its line ends and the blank lines around it."""
    return hashlib.sha256(unix(text).strip().encode("utf-8", "replace")).hexdigest()


def unix(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def said_shift(shift_ms: int) -> str:
    """−3600 s; 0 s; +12.5 s."""
    seconds = f"{abs(shift_ms) / 1000:.3f}".rstrip("0").rstrip(".")
    return f"{'−' if shift_ms < 0 else '+' if shift_ms > 0 else ''}{seconds} s"


def said_time(time_ms: int) -> str:
    return f"{time_ms / 1000:.3f}"


def said_clock(clock_ms: int) -> str:
    """10:04:31; a day before or after says so."""
    days, rest = divmod(clock_ms, DAY)
    shown = f"{rest // HOUR:02d}:{rest % HOUR // MINUTE:02d}:{rest % MINUTE // SECOND:02d}"
    return shown if days == 0 else f"{shown} ({'+' if days > 0 else '−'}{abs(days)} d)"


class Sent(NamedTuple):
    """A file with what a person said of it so far; None = not said yet, so it is seen, remembered or proposed.

    cars : transponder -> our car, 0 = none of ours;  places : the run of each stint, for laps without a clock
    """

    text: str
    look: Mapping[str, str]  # delimiter, decimal, header where they were said
    roles: tuple[Role, ...] | None = None
    cars: Mapping[str, int] | None = None
    shift_ms: int | None = None
    places: tuple[int | None, ...] | None = None
    columns_right: bool = False
