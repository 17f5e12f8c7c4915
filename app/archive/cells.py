"""How a value stands in a cell of an archive's table; `decode` undoes `encode`. No database.

A cell holds

    nothing (NULL)    \\N
    whole number      -12            decimal number   1.25 (the shortest text that reads back the same)
    yes or no         true, false    day              2026-02-03
    moment            2026-02-03T09:24:00.000000Z, always UTC
    JSON              compact, members in their stored order
    bytes             base64, as of a photo
    text              as it is; one that begins with = + - @ ' or a tab gets a ' in front, so that no spreadsheet
                      reads it as a formula; one that begins with \\ gets a \\ in front, so that it is not nothing
"""

import base64
import binascii
import json
import math
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Any

NOTHING = "\\N"
GUARDED = ("=", "+", "-", "@", "'", "\t", "\r", "\n")


class Kind(StrEnum):
    WHOLE = "whole number"
    LARGE = "large whole number"
    DECIMAL = "decimal number"
    BOOLEAN = "true or false"
    DAY = "day like 2026-02-03"
    MOMENT = "moment like 2026-02-03T09:24:00.000000Z"
    JSON = "JSON value"
    BYTES = "base64 text"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Column:
    """A column as the archive knows it. longest : characters of a text, None = any; refers_to : table of the id."""

    name: str
    kind: Kind
    nullable: bool
    longest: int | None = None
    refers_to: str = ""


def encode(value: Any, kind: Kind) -> str:
    """A value as its cell."""
    if kind == Kind.JSON:
        return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    if value is None:
        return NOTHING
    if kind == Kind.BOOLEAN:
        return "true" if value else "false"
    if kind == Kind.DECIMAL:
        return repr(float(value))
    if kind == Kind.DAY:
        return value.isoformat()
    if kind == Kind.MOMENT:
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    if kind == Kind.BYTES:
        return base64.b64encode(value).decode()
    if kind == Kind.TEXT:
        return _guarded(str(value))
    return str(int(value))


def _guarded(text: str) -> str:
    if text.startswith(GUARDED):
        return "'" + text
    return "\\" + text if text.startswith("\\") else text


def decode(cell: str, column: Column) -> Any:
    """The inverse of `encode`; raises ValueError with the end of a sentence that begins with the cell."""
    if cell == NOTHING:
        if not column.nullable:
            raise ValueError("is needed here, and nothing stands there")
        return None
    readers = {Kind.WHOLE: _whole, Kind.LARGE: _large, Kind.DECIMAL: _decimal, Kind.BOOLEAN: _boolean, Kind.DAY: _day,
               Kind.MOMENT: _moment, Kind.JSON: _json, Kind.BYTES: _bytes}  # fmt: skip
    if column.kind in readers:
        return readers[column.kind](cell)
    return _text(cell, column.longest)


def _not(kind: Kind) -> ValueError:
    return ValueError(f"is not a {kind.value}")


def _whole(cell: str, most: int = 2**31 - 1, kind: Kind = Kind.WHOLE) -> int:
    if not re.fullmatch(r"-?[0-9]{1,19}", cell):
        raise _not(kind)
    value = int(cell)
    if not -most - 1 <= value <= most:
        raise ValueError("is a number too large to be kept")
    return value


def _large(cell: str) -> int:
    return _whole(cell, 2**63 - 1, Kind.LARGE)


def _decimal(cell: str) -> float:
    if not re.fullmatch(r"-?[0-9]+(\.[0-9]+)?(e[+-]?[0-9]+)?", cell):
        raise _not(Kind.DECIMAL)
    value = float(cell)
    if not math.isfinite(value):
        raise ValueError("is a number too large to be kept")
    return value


def _boolean(cell: str) -> bool:
    if cell not in ("true", "false"):
        raise _not(Kind.BOOLEAN)
    return cell == "true"


def _day(cell: str) -> date:
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", cell):
        raise _not(Kind.DAY)
    try:
        return date.fromisoformat(cell)
    except ValueError as wrong:
        raise _not(Kind.DAY) from wrong


def _moment(cell: str) -> datetime:
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z", cell):
        raise _not(Kind.MOMENT)
    try:
        return datetime.strptime(cell, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=UTC)
    except ValueError as wrong:
        raise _not(Kind.MOMENT) from wrong


def _json(cell: str) -> Any:
    try:
        value = json.loads(cell, parse_constant=_no_constant)
        cell.encode() and json.dumps(value, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as wrong:
        raise _not(Kind.JSON) from wrong
    if re.search(r"(?<!\\)(\\\\)*\\u0000", cell):
        raise ValueError("has a NUL character")
    return value


def _bytes(cell: str) -> bytes:
    try:
        value = base64.b64decode(cell.encode("ascii"), validate=True)
    except (binascii.Error, UnicodeEncodeError) as wrong:
        raise _not(Kind.BYTES) from wrong
    if base64.b64encode(value).decode() != cell:
        raise _not(Kind.BYTES)
    return value


def _no_constant(word: str) -> None:
    raise ValueError(word)


def _text(cell: str, longest: int | None) -> str:
    text = cell[1:] if cell.startswith(("'", "\\")) else cell
    if "\x00" in text:
        raise ValueError("has a NUL character")
    if longest is not None and len(text) > longest:
        raise ValueError(f"has {len(text)} characters; at most {longest} are kept")
    return text
