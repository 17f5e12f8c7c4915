"""The lines of a folder's tables as typed rows, each still knowing its line. What clashes is refused here."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from app.assess.settings_file import Settings
from app.assess.tables import FolderRefused, Line, read_table, shown
from app.evidence.rows import Exposure

Seat = tuple[str, str, str]
"""A run: driver, session, run."""

A_DAY_MIN, A_DAY_S = 1440.0, 86400.0
SHORTEST_LAP_S, LONGEST_LAP_S = 0.1, 3600.0
MOST = 1e9
MOST_LAPS = 100_000


@dataclass(frozen=True, slots=True)
class Rated:
    """One mark. clock_min None = not written."""

    line: Line
    seat: Seat
    variant: str
    attribute: str
    rating: float
    clock_min: float | None


@dataclass(frozen=True, slots=True)
class Driven:
    """One lap; `flag` '' = keep."""

    line: Line
    seat: Seat
    variant: str
    lap: int
    clock_s: float
    time_s: float
    flag: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One forced choice. first, second '' where the table leaves the pair open; preferred None = no preference."""

    line: Line
    driver: str
    session: str
    preferred: str | None
    first: str
    second: str


@dataclass(frozen=True, slots=True)
class Used:
    line: Line
    exposure: Exposure


@dataclass(frozen=True, slots=True)
class Rows:
    """Every row of the folder, in file order. `conditions` by session (empty without one), `parts` by run."""

    ratings: tuple[Rated, ...]
    laps: tuple[Driven, ...]
    preferences: tuple[Choice, ...]
    exposures: tuple[Used, ...]
    conditions: dict[str, str]
    parts: dict[Seat, tuple[tuple[str, str], ...]]

    @property
    def sessions(self) -> set[str]:
        """Sessions in which something was driven, rated, preferred or used."""
        named = {row.seat[1] for row in rated_or_driven(self.ratings, self.laps)} | {row.session for row in self.preferences}
        return named | {row.exposure.session for row in self.exposures if row.exposure.session is not None}


def rated_or_driven(ratings: Iterable[Rated], laps: Iterable[Driven]) -> list[Rated | Driven]:
    """Every row that says what was on the car in a run: marks first, then laps."""
    return [*ratings, *laps]


def read_rows(folder: Path, settings: Settings) -> Rows:
    """All tables of the folder. Raises FolderRefused for the first line that makes no sense."""
    ratings = _ratings(folder, settings)
    laps = _laps(folder)
    _one_variant_a_run(ratings, laps)
    rows = Rows(ratings, laps, _preferences(folder), _exposures(folder), {}, _parts(folder))
    rows.conditions.update(_conditions(folder, settings, rows.sessions))
    return rows


def _seat(line: Line) -> Seat:
    return line.text("driver"), line.text("session"), line.text("run")


def _ratings(folder: Path, settings: Settings) -> tuple[Rated, ...]:
    columns = ("driver", "session", "run", "variant", "attribute", "rating")
    table = read_table(folder, "ratings.csv", columns, ("clock_min",))
    if table is None:
        if settings.needs_ratings:
            raise FolderRefused("ratings.csv", None, None, "The file is missing, and a rated attribute is to decide.")
        return ()
    found: list[Rated] = []
    seen: dict[tuple[Seat, str], int] = {}
    for line in table.lines:
        seat, variant, attribute = _seat(line), line.text("variant"), line.text("attribute")
        rating = line.number_in("rating", -MOST, MOST)
        scale = settings.scales.get(attribute)
        if scale is not None and not scale.is_mark(rating):
            offered = f"{scale.lowest:g} to {scale.highest:g} in steps of {scale.step:g}"
            raise line.refuse("rating", f"{shown(line.cells['rating'])} is off the scale of {shown(attribute)}: {offered}.")
        earlier = seen.setdefault((seat, attribute), line.number)
        if earlier != line.number:
            raise line.refuse("attribute", f"This run has a mark for {shown(attribute)} already, in line {earlier}.")
        clock = line.number_in("clock_min", 0.0, A_DAY_MIN, " minutes") if line.cells.get("clock_min") else None
        found.append(Rated(line, seat, variant, attribute, rating, clock))
    return tuple(found)


def _laps(folder: Path) -> tuple[Driven, ...]:
    columns = ("driver", "session", "run", "variant", "lap", "clock_s", "lap_time_s")
    table = read_table(folder, "laps.csv", columns)
    flags = read_table(folder, "lap_flags.csv", ("driver", "session", "run", "lap", "flag"))
    seen: dict[tuple[Seat, int], Driven] = {}
    for line in table.lines if table else ():
        lap = line.whole_in("lap", 1, MOST_LAPS)
        clock = line.number_in("clock_s", 0.0, A_DAY_S, " s")
        time = line.number_in("lap_time_s", SHORTEST_LAP_S, LONGEST_LAP_S, " s")
        row = Driven(line, _seat(line), line.text("variant"), lap, clock, time, "")
        if (row.seat, lap) in seen:
            raise line.refuse("lap", f"Lap {lap} of this run is there already, in line {seen[row.seat, lap].line.number}.")
        seen[row.seat, lap] = row
    for line in flags.lines if flags else ():
        key = (_seat(line), line.whole_in("lap", 1, MOST_LAPS))
        if key not in seen:
            raise line.refuse("lap", "laps.csv has no such lap, so nothing can be left out.")
        flag = line.cells.get("flag", "")
        if flag not in ("", "0"):
            row = seen[key]
            seen[key] = Driven(row.line, row.seat, row.variant, row.lap, row.clock_s, row.time_s, flag)
    return tuple(seen.values())


def _one_variant_a_run(ratings: tuple[Rated, ...], laps: tuple[Driven, ...]) -> None:
    on_car: dict[Seat, Rated | Driven] = {}
    clocks: dict[Seat, Rated] = {}
    for row in rated_or_driven(ratings, laps):
        other = on_car.setdefault(row.seat, row)
        if other.variant != row.variant:
            where = f"line {other.line.number} of {other.line.file}"
            told = f"A run has one variant, and {where} has {shown(other.variant)} in this run, not {shown(row.variant)}."
            raise row.line.refuse("variant", told)
    for mark in ratings:
        if mark.clock_min is not None:
            first = clocks.setdefault(mark.seat, mark)
            if first.clock_min != mark.clock_min:
                told = f"A run starts once, and line {first.line.number} says {first.clock_min:g} min for this run."
                raise mark.line.refuse("clock_min", told)


def _preferences(folder: Path) -> tuple[Choice, ...]:
    table = read_table(folder, "preferences.csv", ("driver", "session", "preferred"), ("first", "second"))
    if table is None:
        return ()
    pairs = table.has("first") or table.has("second")
    if pairs and not (table.has("first") and table.has("second")):
        lacking = "second" if table.has("first") else "first"
        raise FolderRefused(table.file, 1, lacking, f"The column {lacking} is missing: a pair has a first and a second.")
    found: list[Choice] = []
    seen: dict[tuple[str, ...], int] = {}
    for line in table.lines:
        first, second = (line.text("first"), line.text("second")) if pairs else ("", "")
        if pairs and first == second:
            raise line.refuse("second", f"A preference is between two different variants, not {shown(first)} twice.")
        preferred = None if line.text("preferred").casefold() == "none" else line.text("preferred")
        if pairs and preferred not in (None, first, second):
            told = f"{shown(str(preferred))} is neither {shown(first)} nor {shown(second)}; write one of them, or none."
            raise line.refuse("preferred", told)
        row = Choice(line, line.text("driver"), line.text("session"), preferred, first, second)
        key = (row.driver, row.session, *sorted((first, second)))
        if seen.setdefault(key, line.number) != line.number:
            raise line.refuse("preferred", f"Line {seen[key]} has this driver's preference in this session already.")
        found.append(row)
    return tuple(found)


def _exposures(folder: Path) -> tuple[Used, ...]:
    table = read_table(folder, "exposure.csv", ("variant", "laps", "minutes", "failures", "impacts"), ("session",))
    found = []
    for line in table.lines if table else ():
        use = Exposure(
            variant=line.text("variant"),
            laps=line.number_in("laps", 0.0, MOST),
            minutes=line.number_in("minutes", 0.0, MOST),
            failures=line.whole_in("failures", 0, 1_000_000),
            impacts=line.number_in("impacts", 0.0, MOST),
            session=line.cells.get("session") or None,
        )
        found.append(Used(line, use))
    return tuple(found)


def _parts(folder: Path) -> dict[Seat, tuple[tuple[str, str], ...]]:
    """Levels of the co-changing parts by run. A column `variant` only repeats what was on the car; it is no part."""
    keys = ("driver", "session", "run")
    table = read_table(folder, "parts.csv", keys)
    found: dict[Seat, tuple[tuple[str, str], ...]] = {}
    if table is None:
        return found
    parts = [name for name in table.header if name and name not in (*keys, "variant")]
    for name in parts:
        if parts.count(name) > 1:
            raise FolderRefused(table.file, 1, name, f"The header names the column {name} twice.")
    for line in table.lines:
        seat = _seat(line)
        if seat in found:
            raise line.refuse("run", "This run has its parts already, in a line above.")
        found[seat] = tuple((name, line.text(name)) for name in parts)
    return found


def _conditions(folder: Path, settings: Settings, sessions: set[str]) -> dict[str, str]:
    """The condition class of each session; empty when the question names no condition."""
    wanted = settings.condition
    table = read_table(folder, "sessions.csv", ("session",), (wanted,) if wanted else ())
    if wanted is not None and (table is None or not table.has(wanted)):
        raise settings.keys.refuse("condition", f"sessions.csv has no column {shown(wanted)}.")
    found: dict[str, str] = {}
    seen: dict[str, int] = {}
    for line in table.lines if table else ():
        name = line.text("session")
        if seen.setdefault(name, line.number) != line.number:
            raise line.refuse("session", f"Session {shown(name)} is there already, in line {seen[name]}.")
        if wanted is not None:
            found[name] = line.text(wanted)
    lacking = sorted(sessions - set(found)) if wanted is not None else []
    if lacking:
        raise FolderRefused("sessions.csv", 1, "session", f"Session {shown(lacking[0])} has no line, so no {shown(str(wanted))}.")
    return found
