"""Cells of the tables of measurements, read as figures. No database."""

from collections.abc import Callable
from decimal import Decimal

from app import units
from app.tables import Unreadable
from app.web.text import TextRefused, clean_line

LONGEST_LAP_S, LONGEST_CLOCK_S = 3600, 86_400
MOST_COUNTED = 100_000_000


def number(raw: str) -> Decimal:
    try:
        return units.parse_number(raw)
    except units.OutOfBand as doubtful:
        raise Unreadable(f"can be read in two ways: {doubtful}") from doubtful
    except units.TypedNumberError as unreadable:
        raise Unreadable("is not a number") from unreadable


def read_words(longest: int, *, required: bool = True) -> Callable[[str, int], str]:
    def read(raw: str, _line: int) -> str:
        try:
            words = clean_line(raw, longest=longest)
        except TextRefused as refused:
            raise Unreadable(f"can't be taken: {refused}") from refused
        if required and not words:
            raise Unreadable("is empty; each row needs it")
        return words

    return read


def read_flag(raw: str, line: int) -> str:
    """Why a lap is left out; empty or a dash keeps it."""
    words = read_words(60, required=False)(raw, line)
    return "" if words in ("-", "–") else words


def read_lap_number(raw: str, _line: int) -> int:
    value = _whole(raw)
    if not 1 <= value <= 100_000:
        raise Unreadable("is no lap; laps are numbered from 1 within their run")
    return value


def read_lap_time(raw: str, _line: int) -> int:
    """Milliseconds."""
    value = _milliseconds(raw)
    if value <= 0:
        raise Unreadable("is no lap time; it must be more than zero")
    if value > LONGEST_LAP_S * 1000:
        raise Unreadable(f"is no lap time; at most {LONGEST_LAP_S} s are taken, in seconds")
    return value


def read_clock(raw: str, _line: int) -> int | None:
    """Milliseconds since the session's start; None = not known."""
    if not raw:
        return None
    value = _milliseconds(raw)
    if not 0 <= value <= LONGEST_CLOCK_S * 1000:
        raise Unreadable(f"is no second of a session; 0 to {LONGEST_CLOCK_S} can be")
    return value


def _milliseconds(raw: str) -> int:
    value = number(raw) * 1000
    if value != value.to_integral_value():
        raise Unreadable("is finer than a millisecond")
    return int(value)


def _whole(raw: str) -> int:
    value = number(raw)
    if value != value.to_integral_value():
        raise Unreadable("is not a whole number")
    return int(value)


def read_count(raw: str, _line: int) -> int:
    """A whole number from 0; empty is 0."""
    value = _whole(raw) if raw else 0
    if not 0 <= value <= MOST_COUNTED:
        raise Unreadable(f"can't be; 0 to {MOST_COUNTED:,} can".replace(",", " "))
    return value


def read_minutes(raw: str, _line: int) -> int:
    """Hundredths of a minute; empty is 0."""
    value = (number(raw) if raw else Decimal(0)) * 100
    if value != value.to_integral_value():
        raise Unreadable("is finer than a hundredth of a minute")
    if not 0 <= value <= MOST_COUNTED:
        raise Unreadable(f"can't be; 0 to {MOST_COUNTED // 100:,} min can".replace(",", " "))
    return int(value)


def read_figure(raw: str, _line: int) -> float:
    return float(number(raw))


def read_limit(raw: str, _line: int) -> float | None:
    """A limit or an uncertainty; None = none."""
    return float(number(raw)) if raw and raw not in ("-", "–") else None


def read_uncertainty(raw: str, line: int) -> float | None:
    value = read_limit(raw, line)
    if value is not None and value < 0:
        raise Unreadable("can't be; an uncertainty is not less than nothing")
    return value
