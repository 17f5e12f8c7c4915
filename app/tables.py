"""Bytes of a plain table -> a `Table`, or the lines that can't be read. No database, no meaning of any column.

Read are UTF-8 (with or without a byte-order mark) and UTF-16 with its mark; cells parted by comma, semicolon or tab,
seen from the header line alone, so that the same file is always read the same way. Everything else is refused with
the line where the record starts, the column, what stands there and why it can't be taken.
"""

import csv
import hashlib
import io
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from app.errors import Refused

MOST_BYTES = 30_000_000
MOST_ROWS = 200_000
MOST_COLUMNS = 100
MOST_ERRORS = 200
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
WHOLE = "whole file"


@dataclass(frozen=True, slots=True)
class LineError:
    """One thing wrong. line : where the record starts, counted from 1; column : its header, or what it is about."""

    line: int
    column: str
    value: str
    reason: str

    @property
    def sentence(self) -> str:
        """`column "rating": "11": is above the scale's highest mark 5`."""
        value = f' "{self.value}":' if self.value else ""
        return f'column "{self.column}":{value} {self.reason}'


@dataclass
class Errors:
    """Collects what is wrong: the first 200 in full, and how many more there were."""

    lines: list[LineError] = field(default_factory=list)
    more: int = 0

    def add(self, line: int, column: str, value: str, reason: str) -> None:
        if len(self.lines) < MOST_ERRORS:
            shown = value if len(value) <= 60 else value[:57] + "…"
            self.lines.append(LineError(line, column, _visible(shown), reason))
        else:
            self.more += 1

    def __bool__(self) -> bool:
        return bool(self.lines)

    @property
    def count(self) -> int:
        return len(self.lines) + self.more

    def refuse(self) -> None:
        """Raise when anything was found."""
        if self:
            self.lines.sort(key=lambda error: error.line)
            raise TableRefused(self)


class TableRefused(Refused):
    """Nothing was imported; `errors` says what is wrong on which line."""

    status = 422

    def __init__(self, errors: Errors) -> None:
        counted = "One thing is" if errors.count == 1 else f"{errors.count} things are"
        super().__init__(f"{counted} wrong in the table", "Nothing was imported", "Mend the file and choose it again.")
        self.errors = errors


@dataclass(frozen=True, slots=True)
class Row:
    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A header and rows of as many cells. digest : SHA-256 of the file's bytes; delimiter : its name."""

    header: tuple[str, ...]
    rows: tuple[Row, ...]
    delimiter: str
    digest: str
    header_line: int = 1


def read_table(content: bytes) -> Table:
    """The table in these bytes; raises TableRefused with every line that can't be read."""
    errors = Errors()
    if len(content) > MOST_BYTES:
        errors.add(1, WHOLE, "", f"has {len(content):,} bytes; at most {MOST_BYTES:,} are read".replace(",", " "))
        errors.refuse()
    text = _decoded(content, errors)
    start, first = next(((n, line) for n, line in _lines(text) if line.strip(" \t\r\n,;")), (1, ""))
    if not first:
        errors.add(1, WHOLE, "", "is empty; a header line and at least one row are needed")
        errors.refuse()
    delimiter = _delimiter(first)
    records = _records(text, delimiter, errors)
    header_line, header = next(((line, cells) for line, cells in records if any(cells)), (start, []))
    rows = _rows(records, header_line, header, errors)
    names = _names(header_line, header, rows, errors)
    if not rows and not errors:
        errors.add(header_line, WHOLE, "", "has a header line and no row below it")
    errors.refuse()
    return Table(names, rows, DELIMITERS[delimiter], hashlib.sha256(content).hexdigest(), header_line)


def read_text(content: bytes) -> str:
    """The bytes of a table as text, for a page that carries it on; raises TableRefused."""
    errors = Errors()
    if len(content) > MOST_BYTES:
        errors.add(1, WHOLE, "", f"has more than {MOST_BYTES:,} bytes".replace(",", " "))
        errors.refuse()
    return _decoded(content, errors)


def _decoded(content: bytes, errors: Errors) -> str:
    sixteen = content[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = content.decode("utf-16" if sixteen else "utf-8-sig")
    except UnicodeDecodeError as broken:
        before = content[: broken.start].decode("utf-16" if sixteen else "utf-8-sig", "replace")
        reason = "is not valid UTF-16" if sixteen else "is not UTF-8 text"
        errors.add(
            _line_after(before),
            WHOLE,
            content[broken.start : broken.start + 4].hex(" "),
            f"{reason}; save the table as “CSV UTF-8” and choose it again",
        )
        errors.refuse()
    if "\x00" in text:
        errors.add(
            _line_after(text[: text.index("\x00")]),
            WHOLE,
            "",
            "has a NUL character, so it is no plain table; save it as “CSV UTF-8”",
        )
        errors.refuse()
    return text


def _line_after(text: str) -> int:
    return text.replace("\r\n", "\n").replace("\r", "\n").count("\n") + 1


def _lines(text: str) -> Iterator[tuple[int, str]]:
    return enumerate(io.StringIO(text, newline=""), start=1)


def _delimiter(line: str) -> str:
    """The one that parts the header line into most cells; comma before semicolon before tab where they tie."""
    outside, quoted = [], False
    for character in line:
        quoted ^= character == '"'
        if not quoted:
            outside.append(character)
    return max(DELIMITERS, key=outside.count)


def _records(text: str, delimiter: str, errors: Errors) -> Iterator[tuple[int, list[str]]]:
    """(line where it starts, cells) of each record; a record that can't be read ends the table with an error."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as broken:
            errors.add(line, WHOLE, "", _why(str(broken)))
            return
        yield line, [cell.strip() for cell in cells]


def _why(broken: str) -> str:
    if "field larger" in broken:
        return f"has a cell of more than {csv.field_size_limit():,} characters; is a quote not closed?".replace(
            ",", " "
        )
    if "unexpected end" in broken:
        return "has a quote (\") that is never closed; the rest of the file can't be read"
    if "expected after" in broken:
        return 'has text after a closing quote ("); double the quotes inside a quoted cell'
    return "can't be read as a row of cells; is it plain CSV?"


def _rows(
    records: Iterator[tuple[int, list[str]]], header_line: int, header: list[str], errors: Errors
) -> tuple[Row, ...]:
    rows: list[Row] = []
    wanted = len(header)
    for line, cells in records:
        if not any(cells):
            continue
        if len(rows) >= MOST_ROWS:
            errors.add(line, WHOLE, "", f"has more than {MOST_ROWS:,} rows; split it".replace(",", " "))
            break
        if len(cells) > wanted and any(cells[wanted:]):
            surplus = cells[wanted:]
            errors.add(line, "whole row", surplus[0], f"has {len(cells)} cells, the header line has {wanted}; too many")
        elif len(cells) < wanted:
            errors.add(line, "whole row", "", f"has {_counted(len(cells))}, the header line has {wanted}; too few")
        rows.append(Row(line, tuple(cells[:wanted])))
    return tuple(rows)


def _counted(cells: int) -> str:
    return f"{cells} cell" + ("" if cells == 1 else "s")


def _names(line: int, header: list[str], rows: tuple[Row, ...], errors: Errors) -> tuple[str, ...]:
    """The column names as shown; two that look the same are refused, nameless ones only if something stands in them."""
    if len(header) > MOST_COLUMNS:
        errors.add(line, WHOLE, "", f"has {len(header)} columns; at most {MOST_COLUMNS} are read")
    names: list[str] = []
    seen: dict[str, str] = {}
    for position, raw in enumerate(header):
        name = _visible(" ".join(unicodedata.normalize("NFC", raw).split()))
        key = name.casefold()
        if not name and (filled := _first_filled(rows, position)):
            errors.add(
                filled.line, f"column {position + 1}", filled.cells[position], "stands in a column without a name"
            )
        elif len(name) > 80:
            errors.add(line, name[:57] + "…", "", f"has a name of {len(name)} characters; at most 80 are read")
        elif name and key in seen:
            errors.add(line, name, "", f"is the name of two columns (“{seen[key]}” before); rename one")
        seen.setdefault(key, name)
        names.append(name)
    return tuple(names)


def _first_filled(rows: tuple[Row, ...], position: int) -> Row | None:
    return next((row for row in rows if position < len(row.cells) and row.cells[position]), None)


def _visible(text: str) -> str:
    """Control characters and direction marks as a sign one can see."""
    return "".join("�" if unicodedata.category(c) in ("Cc", "Cs", "Cf") else c for c in text)


class Unreadable(ValueError):
    """The message finishes a sentence that begins with the cell's value."""


class Cells:
    """One column's cells. Each spelling is read once; what is wrong with it is said for every line."""

    def __init__(
        self, table: Table, name: str, read: Callable[[str, int], Any], errors: Errors, absent: Any = ""
    ) -> None:
        self.position = table.header.index(name) if name else None
        self.name, self.read, self.errors, self.absent = name, read, errors, absent
        self.known: dict[str, tuple[Any, str]] = {}

    def at(self, row: Row) -> Any:
        if self.position is None:
            return self.absent
        raw = row.cells[self.position]
        if raw not in self.known:
            try:
                self.known[raw] = (self.read(raw, row.line), "")
            except Unreadable as wrong:
                self.known[raw] = (None, str(wrong))
        value, reason = self.known[raw]
        if reason:
            self.errors.add(row.line, self.name, raw, reason)
        return value
