"""The text of a timing file -> cells, with delimiter, decimal mark and header line seen from the content. No database.

What was seen is always shown and can be said otherwise. Lines before the table (a title) are kept apart and shown.
"""

import csv
import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence

from app.tables import Errors
from app.timing.cells import has_decimal, looks_timed
from app.timing.rules import DELIMITERS, MOST_COLUMNS, MOST_LAPS, Look, RawRow, RawTable, refuse_size, unix

SEEN = 300  # lines from which the layout is seen
WHOLE = "whole file"
ONE_NUMBER = re.compile(r"\s*(?:[0-9]{1,2}:){0,2}[0-9]{1,4},[0-9]{1,3}\s*")


def read_file(text: str, *, delimiter: str = "", decimal: str = "", header: str = "") -> RawTable:
    """The file's cells; raises TableRefused with line and column. Empty words = as seen; header is "yes" or "no"."""
    refuse_size(text)
    lines = [(n, line) for n, line in enumerate(unix(text).lstrip("\ufeff").split("\n"), 1) if line.strip(" \t;,\f\v")]
    errors = Errors()
    if not lines:
        errors.add(1, WHOLE, "", "is empty; a line for each lap is needed")
    elif "\x00" in text:
        line = unix(text[: text.index("\x00")]).count("\n") + 1
        errors.add(line, WHOLE, "", "has a NUL character, so it is no plain table; save it as “CSV UTF-8”")
    errors.refuse()
    seen = delimiter or _delimiter([line for _, line in lines[:SEEN]])
    rows = [RawRow(n, cut(n, line, seen, errors)) for n, line in lines]
    errors.refuse()
    above, table = _below_titles(rows)
    mark = decimal or _decimal(table[:SEEN])
    has_header = header == "yes" if header else _has_header(table)
    body = table[1:] if has_header else table
    names = _names(table[0] if has_header else None, max(len(row.cells) for row in table), errors)
    _check(body, table[0], has_header, len(names), errors)
    errors.refuse()
    width = len(names)
    padded = tuple(RawRow(row.line, (*row.cells[:width], *[""] * (width - len(row.cells)))) for row in body)
    shown = tuple(above)
    return RawTable(Look(seen, mark, has_header), names, padded, shown, _shape(seen, names if has_header else (), padded))


def cut(number: int, line: str, delimiter: str, errors: Errors) -> tuple[str, ...]:
    """One line's cells. Spaces: any run of them parts two cells; names with spaces stand in quotes."""
    if delimiter == "none":
        return (_unquoted(line.strip()),)
    text = " ".join(line.split()) if delimiter == "spaces" else line
    try:
        found = next(csv.reader([text], delimiter=DELIMITERS[delimiter], strict=True, skipinitialspace=True), [])
    except csv.Error as broken:
        if "field larger" in str(broken):
            why = "has a cell that is far too long; is the file cut into lines?"
        else:
            why = 'has a quote (") that is not closed, or text after one; take the quotes out'
        errors.add(number, "whole row", line.strip(), why)
        return ()
    return tuple(cell.strip() for cell in found)


def _unquoted(text: str) -> str:
    return text[1:-1].strip() if len(text) > 1 and text[0] == text[-1] == '"' else text


def _delimiter(lines: Sequence[str]) -> str:
    """Tab before semicolon; comma unless it is a decimal mark; then spaces; else the lines are one cell each."""
    bare = [re.sub(r'"[^"]*"', "x", line) for line in lines]
    for name in ("tab", "semicolon"):
        if sum(DELIMITERS[name] in line for line in bare) * 2 > len(bare):
            return name
    if all(ONE_NUMBER.fullmatch(line) for line in bare[1:]) and len(bare) > 1 and any("," in line for line in bare[1:]):
        return "none"
    commas, spaces = _score(lines, "comma"), _score(lines, "spaces")
    if max(commas, spaces) <= 0.5:
        return "none"
    return "comma" if commas > spaces else "spaces"


def _score(lines: Sequence[str], delimiter: str) -> float:
    """Share of lines that this delimiter cuts into the usual number of cells (at least two), all of them whole."""
    cells = [cut(0, line, delimiter, Errors()) for line in lines]
    usual = Counter(len(row) for row in cells if len(row) > 1).most_common(1)
    if not usual:
        return 0.0
    whole = sum(all(_whole(cell) for cell in row) for row in cells if len(row) > 1)
    return whole / len(cells)


def _whole(cell: str) -> bool:
    """No cell of one table holds two numbers, parted by a space or by a comma."""
    return not re.search(r"[0-9][ ][0-9]|[0-9],[0-9]+[,.]|,[^0-9]|^,|,$|[0-9]\s*,\s+[0-9]", cell) or looks_timed(cell)


def _decimal(rows: Sequence[RawRow]) -> str:
    """The mark that more cells have; a point where there is none."""
    counted = Counter(mark for row in rows for cell in row.cells for mark in ("point", "comma") if has_decimal(cell, mark))
    return "comma" if counted["comma"] > counted["point"] else "point"


def _below_titles(rows: list[RawRow]) -> tuple[list[RawRow], list[RawRow]]:
    """Lines with fewer cells than is usual, or half of them empty, are a title as long as they stand first."""
    usual = Counter(len(row.cells) for row in rows[:SEEN]).most_common(1)[0][0]
    start = next((n for n, row in enumerate(rows) if len(row.cells) >= usual and _filled(row) * 2 > usual), 0)
    return rows[:start], rows[start:]


def _filled(row: RawRow) -> int:
    """Up to its last cell with something in it: a title that a spreadsheet wrote has empty cells after it."""
    return max((n for n, cell in enumerate(row.cells, 1) if cell), default=0)


def _has_header(rows: Sequence[RawRow]) -> bool:
    """Names above figures: a cell that is no figure over a column of them, or only whole numbers over times."""
    first, rest = rows[0].cells, rows[1:SEEN]
    if not rest:
        return not any(looks_timed(cell) for cell in first)
    columns = [[row.cells[n] for row in rest if n < len(row.cells) and row.cells[n]] for n in range(len(first))]
    figures = [bool(column) and sum(looks_timed(cell) for cell in column) * 2 > len(column) for column in columns]
    timed = [n for n, figure in enumerate(figures) if figure and any(re.search("[.,:]", cell) for cell in columns[n])]
    if any(looks_timed(first[n]) and re.search("[.,:]", first[n]) for n in timed):
        return False  # a lap stands there already
    if any(figure and cell and not looks_timed(cell) for figure, cell in zip(figures, first, strict=True)):
        return True
    numbers = all(cell.isdigit() for cell in first if cell)  # transponders over columns of times
    return numbers and any(len(first[n]) > 2 for n in timed) and all(not first[n] or len(first[n]) > 2 for n in timed)


def _names(header: RawRow | None, width: int, errors: Errors) -> tuple[str, ...]:
    cells = header.cells if header else ()
    line = header.line if header else 1
    if width > MOST_COLUMNS:
        errors.add(line, WHOLE, "", f"has {width} columns; at most {MOST_COLUMNS} are read; take some out")
        return ()
    width = max(len(cells), 1) if header else width
    names: list[str] = []
    for n in range(width):
        name = "".join(c for c in " ".join(cells[n].split()) if unicodedata.category(c)[0] != "C") if n < len(cells) else ""
        name = unicodedata.normalize("NFC", name)[:60] or f"column {n + 1}"
        if name.casefold() in {known.casefold() for known in names}:
            name = f"{name[:48]} (column {n + 1})"
        names.append(name)
    return tuple(names)


def _check(body: Sequence[RawRow], first: RawRow, has_header: bool, width: int, errors: Errors) -> None:
    if errors:
        return
    if not body:
        errors.add(first.line, WHOLE, "", "has a header line and no lap below it")
    if len(body) > MOST_LAPS:
        errors.add(body[MOST_LAPS].line, WHOLE, "", f"has {len(body)} lines; at most {MOST_LAPS} are read at once; split it by half day "
                   "or by car")  # fmt: skip
    for row in body if has_header else ():
        if any(row.cells[width:]):
            surplus = next(cell for cell in row.cells[width:] if cell)
            errors.add(row.line, "whole row", surplus, f"is one cell too many: the header line has {width}; mend the line, or choose "
                       "another delimiter above")  # fmt: skip


def _shape(delimiter: str, names: Sequence[str], rows: Sequence[RawRow]) -> str:
    """Digest of what files of one hall have in common: delimiter and header names, or how many columns there are."""
    width = len(rows[0].cells) if rows else 0
    text = "\x1f".join([delimiter, *(name.casefold() for name in names)] if names else [delimiter, f"{width} columns"])
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()
