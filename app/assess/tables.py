"""One CSV file to lines that know their number: the one place where cells are read. Neither numpy nor the engine."""

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d+", re.ASCII)
_MOST_DIGITS = 18  # of a whole number; beyond that it is no count


class FolderRefused(Exception):
    """A folder that can't be judged as it stands.

    file, line, column : where the fault is (line None = the file as a whole); reason : a sentence for a person
    """

    def __init__(self, file: str, line: int | None, column: str | int | None, reason: str) -> None:
        super().__init__(f"{file}:{line}: {column}: {reason}")
        self.file, self.line, self.column, self.reason = file, line, column, reason


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a table. `cells` are stripped texts by column name, '' where nothing is written."""

    file: str
    number: int
    cells: dict[str, str]

    def refuse(self, column: str, reason: str) -> FolderRefused:
        return FolderRefused(self.file, self.number, column, reason)

    def text(self, column: str) -> str:
        """What is written there; refused when blank."""
        value = self.cells.get(column, "")
        if not value:
            raise self.refuse(column, f"The cell {column} is blank; it must be filled in.")
        return value

    def number_in(self, column: str, low: float, high: float, unit: str = "") -> float:
        """A finite number from `low` to `high`, both included."""
        text = self.text(column)
        if not _NUMBER.fullmatch(text):
            hint = " Write the decimals after a point." if _NUMBER.fullmatch(text.replace(",", ".", 1)) else ""
            raise self.refuse(column, f"{shown(text)} is not a number.{hint}")
        value = float(text)
        if not math.isfinite(value) or not low <= value <= high:
            raise self.refuse(column, f"{shown(text)} is out of reach: {column} lies between {low:g} and {high:g}{unit}.")
        return value

    def whole_in(self, column: str, low: int, high: int) -> int:
        value = whole(self.text(column))
        if value is None or not low <= value <= high:
            told = f"{shown(self.cells[column])}: {column} is a whole number between {low} and {high}."
            raise self.refuse(column, told)
        return value


@dataclass(frozen=True, slots=True)
class Table:
    """A table in file order; `header` holds the column names as written, stripped."""

    file: str
    header: tuple[str, ...]
    lines: tuple[Line, ...]

    def has(self, column: str) -> bool:
        return column in self.header


def read_table(folder: Path, file: str, required: Sequence[str], optional: Sequence[str] = ()) -> Table | None:
    """The table, or None when the folder has no such file. Columns beyond those asked for are kept, never required.

    Refused: what is not UTF-8 CSV, a header without a required column, a column written twice, cells beyond the header.
    """
    path = folder / file
    if not path.exists():
        return None
    records = _records(file, read_text(path, file))
    if not records:
        raise FolderRefused(file, 1, required[0], "The file is empty; its first line must be a header.")
    at, names = records[0]
    header = tuple(name.strip() for name in names)
    for column in (*required, *optional):
        if header.count(column) > 1:
            raise FolderRefused(file, at, column, f"The header names the column {column} twice.")
    for column in required:
        if column not in header:
            raise FolderRefused(file, at, column, _missing(column, header))
    lines = tuple(_line(file, number, header, cells) for number, cells in records[1:])
    return Table(file, header, lines)


def read_text(path: Path, file: str) -> str:
    """The text of a UTF-8 file, without its byte order mark."""
    try:
        content = path.read_bytes()
    except OSError as unreadable:
        raise FolderRefused(file, None, None, f"It can't be read: {unreadable.strerror or unreadable}.") from unreadable
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as broken:
        told = "It is not UTF-8 text; save it as CSV or TOML in UTF-8."
        raise FolderRefused(file, content[: broken.start].count(b"\n") + 1, None, told) from broken
    if "\0" in text:
        raise FolderRefused(file, text[: text.index("\0")].count("\n") + 1, None, "It holds a null byte; it is no text.")
    return text


def _records(file: str, text: str) -> list[tuple[int, list[str]]]:
    """Every record that is not blank, with the number of the line on which it starts."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    found, start = [], 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                found.append((start, cells))
            start = reader.line_num + 1
    except csv.Error as broken:
        raise FolderRefused(file, start, None, f"This line can't be read as CSV: {broken}.") from broken
    return found


def _line(file: str, number: int, header: tuple[str, ...], cells: list[str]) -> Line:
    for place, cell in enumerate(cells[len(header) :], len(header) + 1):
        if cell.strip():
            told = f"The line has more cells than the header has columns ({len(header)}); a comma in a name needs quotes."
            raise FolderRefused(file, number, str(place), told)
    return Line(file, number, {name: cell.strip() for name, cell in zip(header, cells, strict=False)})


def _missing(column: str, header: Sequence[str]) -> str:
    if len(header) == 1 and any(mark in header[0] for mark in ";\t"):
        return f"The column {column} is missing; cells are separated by commas here."
    near = [name for name in header if name.casefold() == column.casefold()]
    return f"The column {column} is missing{f'; {near[0]} must be written so' if near else ''}."


def whole(text: str) -> int | None:
    """The integer a text stands for, or None."""
    if not _WHOLE.fullmatch(text) or len(text) > _MOST_DIGITS:
        return None
    return int(text)


def shown(text: str) -> str:
    """A cell as quoted in a sentence, cut to a length that can be read."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


def naturally(names: Iterable[str]) -> tuple[str, ...]:
    """The distinct names, numbers inside them compared as numbers: S2 before S10. Any text will do, also 'nan'."""

    def key(text: str) -> list[tuple[int, int, str]]:
        pieces = [piece for piece in re.split(r"([0-9]+)", text) if piece]
        return [(0, len(p.lstrip("0")), p.lstrip("0")) if p[0] in "0123456789" else (1, 0, p) for p in pieces]

    return tuple(sorted(set(names), key=lambda text: (key(text), text)))
