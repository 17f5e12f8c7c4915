"""The archive's own format: a zip of one CSV a table (cells.py says how values stand in it) and `manifest.json`.

Each CSV is UTF-8 with a header line and CRLF line ends, its rows in the order of their keys. No database.
"""

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from app.archive.cells import Column, decode, encode
from app.errors import Refused

FORMAT = 1
MANIFEST = "manifest.json"
TABLE_FACTS: tuple[tuple[str, Any], ...] = (("name", str), ("file", str), ("rows", int), ("sha256", str))
LARGEST_TABLE_CELL = 10_000_000  # characters; sheets and snapshots are long

LEFT_OUT = {
    "accounts.password_hash": "a secret; every person needs a new password after an import",
    "invitations": "one-time links",
    "sign_ins": "sign-ins and their tokens",
    "known_devices": "sign-ins and their tokens",
    "sign_in_failures": "the throttle's memory",
    "form_receipts": "forms carried out lately",
}


@dataclass(frozen=True, slots=True)
class TableFile:
    """One table in the manifest."""

    name: str
    file: str
    rows: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What an archive says about itself. schema : the migration its tables are of."""

    schema: str
    exported_at: str
    tables: tuple[TableFile, ...]
    format: int = FORMAT
    left_out: dict[str, str] = field(default_factory=lambda: dict(LEFT_OUT))

    def text(self) -> str:
        return json.dumps(asdict(self), indent=2, ensure_ascii=False) + "\n"


class BadArchive(Refused):
    """The archive can't be imported; nothing was."""

    status = 422

    def __init__(self, title: str, reason: str = "", next_step: str = "Nothing was imported") -> None:
        super().__init__(title, reason, next_step)


def write_rows(columns: Sequence[Column], rows: Iterable[Sequence[Any]]) -> Iterator[bytes]:
    """The CSV of a table, in pieces."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([column.name for column in columns])
    for row in rows:
        writer.writerow([encode(value, column.kind) for value, column in zip(row, columns, strict=True)])
        if out.tell() > 200_000:
            yield out.getvalue().encode()
            out.seek(0)
            out.truncate()
    yield out.getvalue().encode()


def read_rows(table: str, columns: Sequence[Column], content: bytes) -> Iterator[tuple[int, dict[str, Any]]]:
    """(line, values by column) of each row; raises BadArchive with table, line, column and value."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as broken:
        raise BadArchive(f"Table {table} is not UTF-8 text") from broken
    usual = csv.field_size_limit(LARGEST_TABLE_CELL)
    try:
        yield from _rows_of(table, columns, text)
    finally:
        csv.field_size_limit(usual)


def _rows_of(table: str, columns: Sequence[Column], text: str) -> Iterator[tuple[int, dict[str, Any]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    names = [column.name for column in columns]
    header = None
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as broken:
            raise BadArchive(f"Table {table}, line {line}: it can't be read as cells", str(broken)) from broken
        if header is None:
            header = _check_header(table, names, cells)
        elif len(cells) != len(names):
            raise BadArchive(f"Table {table}, line {line}: it has {len(cells)} cells, not {len(names)}")
        else:
            yield line, {c.name: _value(table, line, c, cell) for c, cell in zip(columns, cells, strict=True)}
    if header is None:
        raise BadArchive(f"Table {table} has no header line")


def _value(table: str, line: int, column: Column, cell: str) -> Any:
    try:
        return decode(cell, column)
    except ValueError as wrong:
        raise BadArchive(cell_words(table, line, column.name, cell, str(wrong))) from wrong


def cell_words(table: str, line: int, column: str, cell: str, problem: str) -> str:
    shown = cell if len(cell) <= 60 else cell[:57] + "…"
    return f"Table {table}, line {line}, column {column}: “{shown}” {problem}"


def _check_header(table: str, names: list[str], header: list[str]) -> list[str]:
    for missing in (name for name in names if name not in header):
        raise BadArchive(f"Table {table} has no column {missing}")
    for strange in (name for name in header if name not in names):
        raise BadArchive(f"Table {table} has a column “{strange[:60]}” that is not known here")
    if header != names:
        raise BadArchive(f"Table {table} has its columns in another order", f"Expected: {', '.join(names)}")
    return header


def read_manifest(content: bytes, names: Sequence[str]) -> Manifest:
    """What the archive says about itself, checked to be of our format and to name exactly our tables."""
    try:
        found = json.loads(content.decode("utf-8"))
        listed = tuple(TableFile(*(kind(t[name]) for name, kind in TABLE_FACTS)) for t in found["tables"])
        manifest = Manifest(str(found["schema"]), str(found["exported_at"]), listed, int(found["format"]))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as broken:
        reason = "It was damaged, or it is no archive of this program"
        raise BadArchive("The archive's manifest can't be read", reason) from broken
    if manifest.format != FORMAT:
        raise BadArchive(f"The archive has format {manifest.format}", f"This version reads format {FORMAT}")
    missing = [name for name in names if name not in {table.name for table in listed}]
    strange = [table.name for table in listed if table.name not in names]
    if missing or strange or len(listed) != len(names) or any(t.file != f"{t.name}.csv" for t in listed):
        raise BadArchive(
            "The archive's manifest does not name the tables of this version",
            f"Missing: {', '.join(missing) or 'none'}; strange: {', '.join(strange)[:200] or 'none'}",
        )
    return manifest


def digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
