"""Lap files of every layout that a hall may write, with the laps that are in them; and files that somebody spoiled.

All figures are drawn by Hypothesis. What a file means is known from how it was written, never from reading it.
"""

from dataclasses import dataclass, field
from datetime import date

from hypothesis import strategies as st

from app.tables import TableRefused
from app.timing.columns import propose_roles
from app.timing.laps import read_laps
from app.timing.rules import DAY, Role, TimedLap, unix
from app.timing.table import read_file

MARKS = {"point": ".", "comma": ","}
SIGNS = {"tab": "\t", "semicolon": ";", "comma": ",", "spaces": "  "}
NAMES = ["4410", "77031", "1200345", "9001", "blue car", "Quarry 3", "Löwe", "x-9"]


@dataclass
class Written:
    """A file as text, with what a reader must find in it."""

    text: str
    delimiter: str
    decimal: str
    header: bool
    roles: tuple[Role, ...]
    laps: dict[str, list[tuple[int, int | None]]] = field(default_factory=dict)  # who -> (time, start) in ms
    usual_names: bool = False


def lap_word(ms: int, shape: str, mark: str) -> str:
    seconds, rest = divmod(ms, 1000)
    tail = f"{mark}{rest:03d}"
    if shape == "s":
        return f"{seconds}{tail}"
    minutes, seconds = divmod(seconds, 60)
    return f"{minutes}:{seconds:02d}{tail}" if shape == "m" else f"0:{minutes:02d}:{seconds:02d}{tail}"


def clock_word(ms: int, shape: str, mark: str) -> str:
    if shape == "seconds":
        return f"{ms // 1000}{mark}{ms % 1000:03d}"
    hours, rest = divmod(ms % DAY, 3_600_000)
    text = f"{hours:02d}:{rest // 60_000:02d}:{rest % 60_000 // 1000:02d}{mark}{rest % 1000:03d}"
    return f"2026-02-0{3 + ms // DAY}T{text}" if shape == "dated" else text


def cell(word: str, delimiter: str) -> str:
    return f'"{word}"' if (SIGNS[delimiter].strip(" ") and SIGNS[delimiter] in word) or (delimiter == "spaces" and " " in word) else word


@st.composite
def by_row(draw: st.DrawFn) -> Written:
    """One line a lap."""
    delimiter, decimal = draw(st.sampled_from(list(SIGNS))), draw(st.sampled_from(list(MARKS)))
    mark, shape = MARKS[decimal], draw(st.sampled_from(["s", "m", "h"]))
    clocked = draw(st.sampled_from([None, Role.CLOCK, Role.START]))
    clock_shape = draw(st.sampled_from(["day", "seconds", "dated"])) if clocked else "day"
    cars = draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=4, unique=True))
    named = len(cars) > 1 or draw(st.booleans())
    header, numbered, extra = draw(st.booleans()), draw(st.booleans()), draw(st.booleans())
    columns = [Role.LAP] * numbered + [Role.WHO] * named + ([clocked] if clocked else []) + [Role.TIME] + [Role.IGNORE] * extra
    columns = draw(st.permutations(columns))
    rows, laps = [], {}
    for who in cars:
        at = draw(st.integers(10 * 3_600_000, 22 * 3_600_000))
        times = draw(st.lists(st.integers(15_000, 95_000), min_size=3, max_size=8))
        laps[who if named else ""] = [(ms, None) for ms in times]
        for number, ms in enumerate(times, 1):
            start, end = at, at + ms
            at = end
            laps[who if named else ""][number - 1] = (ms, start if clocked else None)
            moment = clock_word(end if clocked == Role.CLOCK else start, clock_shape, mark) if clocked else ""
            words = {Role.LAP: str(number), Role.WHO: who, Role.TIME: lap_word(ms, shape, mark), Role.IGNORE: "x"}
            rows.append([moment if role == clocked else words[role] for role in columns])
    usual = {Role.LAP: "Lap", Role.WHO: "Transponder", Role.TIME: "Lap time", Role.CLOCK: "Passing", Role.START: "Clock at start",
             Role.IGNORE: "Remark"}  # fmt: skip
    return _written(draw, delimiter, decimal, header, tuple(columns), [usual[role] for role in columns], rows, laps)


@st.composite
def by_column(draw: st.DrawFn) -> Written:
    """One column a car, some with fewer laps than others."""
    delimiter, decimal = draw(st.sampled_from(list(SIGNS))), draw(st.sampled_from(list(MARKS)))
    mark, shape = MARKS[decimal], draw(st.sampled_from(["s", "m"]))
    cars = draw(st.lists(st.sampled_from(NAMES), min_size=2, max_size=6, unique=True))
    numbered = draw(st.booleans())
    count = draw(st.integers(3, 8))
    filled = [count, *(count if delimiter == "spaces" else draw(st.integers(1, count)) for _ in cars[1:])]
    times = {who: [draw(st.integers(15_000, 95_000)) for _ in range(n)] for who, n in zip(cars, filled, strict=True)}
    rows = [[*([str(n + 1)] if numbered else []), *(lap_word(times[who][n], shape, mark) if n < len(times[who]) else "" for who in cars)]
            for n in range(count)]  # fmt: skip
    names = [*(["Lap"] if numbered else []), *cars]
    roles = (*([Role.LAP] if numbered else []), *[Role.CAR] * len(cars))
    laps = {who: [(ms, None) for ms in listed] for who, listed in times.items()}
    return _written(draw, delimiter, decimal, True, roles, names, rows, laps)


def _written(draw, delimiter, decimal, header, roles, names, rows, laps) -> Written:
    lines = [[cell(word, delimiter) for word in row] for row in ([names] if header else []) + rows]
    if len(names) == 1:
        delimiter_seen = "none"
    else:
        delimiter_seen = delimiter
    end = draw(st.sampled_from(["\n", "\r\n"]))
    text = end.join(SIGNS[delimiter].join(line) for line in lines) + draw(st.sampled_from(["", end, end + end]))
    return Written(text, delimiter_seen, decimal, header, tuple(roles), laps, header and len(names) > 1)


WRITTEN = by_row() | by_column()


def check_round_trip(written: Written) -> None:
    """Seen as it was written, and every lap comes back with its time and its start, each car's in order."""
    table = read_file(written.text)
    seen = (table.look.delimiter, table.look.decimal, table.look.header)
    assert seen == (written.delimiter, written.decimal, written.header), f"seen as {seen}"
    found = read_laps(table, written.roles)
    moved = (found.first_day - date(2026, 2, 3)).days * DAY if found.first_day else 0
    assert {who: [(lap.time_ms, None if lap.start_ms is None else lap.start_ms + moved) for lap in found.of(who)] for who in found.cars} \
        == written.laps  # fmt: skip
    if written.usual_names:
        proposed = propose_roles(table)
        assert [role for role in proposed if role not in (Role.START, Role.CLOCK)] == [
            role for role in written.roles if role not in (Role.START, Role.CLOCK)] or len(written.laps) == 1  # fmt: skip


@st.composite
def spoiled(draw: st.DrawFn) -> str:
    """A good file with a few characters changed, put in or taken out, or lines twice."""
    text = list(draw(WRITTEN).text)
    for _ in range(draw(st.integers(1, 6))):
        place = draw(st.integers(0, max(len(text) - 1, 0)))
        way = draw(st.sampled_from(["put", "take", "swap", "twice"]))
        sign = draw(st.sampled_from(list('",;.:- \t\n\x00\u202e0x9é−')))
        if way == "put":
            text.insert(place, sign)
        elif text and way == "take":
            del text[place]
        elif text and way == "swap":
            text[place] = sign
        else:
            text += ["\n", *text[: place + 1]]
    return "".join(text)


ANYTHING = st.text(alphabet=st.characters(codec="utf-8"), max_size=300) | st.text(alphabet='0123456789.,:; \t\n"-x', max_size=200)


def check_never_crashes(text: str) -> list[TimedLap]:
    """Laps, or a refusal whose every line names a line of the file, a column and a reason with the way out."""
    lines = unix(text).count("\n") + 1
    try:
        table = read_file(text)
        roles = propose_roles(table)
        laps = list(read_laps(table, roles).laps)
    except TableRefused as refused:
        told = refused.errors.lines
    else:
        assert len(roles) == len(table.names)
        return laps
    assert told
    for error in told:
        assert 1 <= error.line <= lines, error
        assert error.column.strip(), error
        assert len(error.reason) > 10, error
    return []
