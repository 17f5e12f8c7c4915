"""Cells of a hall's timing file: lap times, clocks, lap numbers, names. No database.

Refusals raise `Unreadable`; the message finishes a sentence that begins with the cell.
"""

import re
from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal

from app.tables import Unreadable
from app.timing.rules import DAY, DECIMALS, HOUR, LONGEST_LAP_MS, MINUTE
from app.web.text import TextRefused, clean_line

NOTHING = ("", "-", "–", "--", "—", ".")
_TIMED = re.compile(r"(?:(?:([0-9]{1,2}):)?([0-9]{1,4}):)?([0-9]{1,9})(?:[.,]([0-9]{1,9}))?")
_ISO = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})[T ]+(.*)")
_DOTTED = re.compile(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})[T ,]+(.*)")
_HALF = re.compile(r"(.*?)\s*([ap])\.?m\.?", re.I)
EXAMPLE = {"point": "22.41, 1:02.345 or 0:01:02.345", "comma": "22,41, 1:02,345 or 0:01:02,345"}


def read_lap_time(raw: str, decimal: str) -> int | None:
    """Milliseconds, to the nearest; None for a cell that says that there is no lap (empty, a dash, zero)."""
    text = raw.strip()
    if text in NOTHING:
        return None
    parts = _parts(text.removesuffix("s").strip(), decimal, f"is no lap time; write it like {EXAMPLE[decimal]}")
    value = _milliseconds(*parts)
    if value > LONGEST_LAP_MS:
        raise Unreadable("is longer than an hour, so it is no lap time; choose another column, or take the line out")
    return value or None


def read_clock(raw: str, decimal: str) -> tuple[int, date | None]:
    """(milliseconds since midnight or since whatever is counted from, day where one is written)."""
    text, day = _day(raw.strip())
    half = _HALF.fullmatch(text)
    wrong = "is no clock; write it like 11:00:22, or in seconds"
    hours, minutes, seconds, fraction = _parts(half.group(1) if half else text, decimal, wrong)
    if minutes is not None and hours is None and fraction is None and not half:
        raise Unreadable("is no clock to the second; write it like 11:00:22")
    if half:
        if hours is None or not 1 <= hours <= 12:
            raise Unreadable("is no clock of twelve hours; write it like 11:00:22")
        hours = hours % 12 + (12 if half.group(2).lower() == "p" else 0)
    value = _milliseconds(hours, minutes, seconds, fraction)
    if value >= 10 * DAY:
        raise Unreadable("is no clock of a hall day; write it like 11:00:22, or in seconds")
    return value, day


def read_lap_number(raw: str) -> int:
    if not re.fullmatch(r"[0-9]{1,6}", raw.strip()):
        raise Unreadable("is no lap number; laps are whole numbers, or choose “not read” for this column")
    return int(raw)


def read_name(raw: str) -> str:
    try:
        name = clean_line(raw, longest=60)
    except TextRefused as refused:
        raise Unreadable(f"can't be taken: {refused}") from refused
    if not name:
        raise Unreadable("is empty; each line needs its transponder or car")
    return name


def _parts(text: str, decimal: str, wrong: str) -> tuple[int | None, int | None, int, str | None]:
    """(hours, minutes, seconds, digits after the decimal mark)."""
    other = "," if decimal == "point" else "."
    found = _TIMED.fullmatch(text)
    if found is None:
        raise Unreadable(wrong)
    if found.group(4) is not None and other in text:
        raise Unreadable(f"has a decimal {'comma' if other == ',' else 'point'}, the rest of the file a {decimal}; "
                         "choose the other decimal mark above, or mend this cell")  # fmt: skip
    hours, minutes, seconds = (None if part is None else int(part) for part in found.groups()[:3])
    if (hours is not None and (minutes or 0) > 59) or (minutes is not None and (seconds or 0) > 59):
        raise Unreadable("has more than 59 minutes or seconds where at most 59 can be")
    return hours, minutes, seconds or 0, found.group(4)


def _milliseconds(hours: int | None, minutes: int | None, seconds: int, fraction: str | None) -> int:
    parts = Decimal(f"0.{fraction or 0}") * 1000
    return (hours or 0) * HOUR + (minutes or 0) * MINUTE + seconds * 1000 + int(parts.quantize(Decimal(1), ROUND_HALF_EVEN))


def _day(text: str) -> tuple[str, date | None]:
    for pattern, order in ((_ISO, (0, 1, 2)), (_DOTTED, (2, 1, 0))):
        if found := pattern.fullmatch(text):
            try:
                return found.group(4).strip(), date(*(int(found.group(n + 1)) for n in order))
            except ValueError as impossible:
                raise Unreadable("names a day that is in no calendar; write it like 2026-02-03 11:00:22") from impossible
    return text, None


def looks_timed(raw: str) -> bool:
    """Could be a number, a lap time or a clock, with either decimal mark."""
    try:
        text, _ = _day(raw.strip())
    except Unreadable:
        return False
    half = _HALF.fullmatch(text)
    return _TIMED.fullmatch((half.group(1) if half else text).removesuffix("s").strip()) is not None


def has_decimal(raw: str, decimal: str) -> bool:
    """A number or time with this decimal mark."""
    text = raw.strip()
    return DECIMALS[decimal] in text and looks_timed(text) and re.search(rf"[0-9]{re.escape(DECIMALS[decimal])}[0-9]", text) is not None
