"""How values are shown: times in the venue's zone, figures with sign and unit. Rounding happens here only."""

from datetime import date, datetime
from typing import Any

from app import clock

MINUS, DASH = "−", "–"


def when(moment: datetime | None, zone: str = "UTC") -> str:
    """3 Feb 2026 10:24 CET; a dash for none."""
    if moment is None:
        return DASH
    local = clock.to_venue(moment, zone)
    return f"{local:%-d %b %Y %H:%M %Z}"


def at_time(moment: datetime | None, zone: str = "UTC") -> str:
    return DASH if moment is None else f"{clock.to_venue(moment, zone):%H:%M}"


def day(value: date | None) -> str:
    return DASH if value is None else f"{value:%-d %b %Y}"


def num(value: float | None, decimals: int = 2) -> str:
    if value is None:
        return DASH
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def signed(value: float | None, decimals: int = 2) -> str:
    """+0.75, −1.50, 0.00; a dash for none."""
    if value is None:
        return DASH
    text = f"{value:+.{decimals}f}"
    if float(text) == 0:
        text = text[1:]
    return text.replace("-", MINUS)


def probability(value: float | None) -> str:
    """.91, and never a rounded 1.00 or .00."""
    if value is None:
        return DASH
    if value > 0.995:
        return "> .99"
    if value < 0.005:
        return "< .01"
    return f"{value:.2f}".lstrip("0")


def mark(hundredths: int | None) -> str:
    """A mark as its scale shows it: 7.5, 8, could not judge."""
    if hundredths is None:
        return "could not judge"
    return f"{hundredths / 100:g}".replace("-", MINUS)


def plural(count: int, one: str, many: str | None = None) -> str:
    return f"{count} {one if count == 1 else many or one + 's'}"


def listing(items: Any, last: str = "and") -> str:
    words = [str(item) for item in items]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def rule_name(attribute_id: int, names: dict[int, str]) -> str:
    return names.get(attribute_id, f"attribute {attribute_id}")


def mark_pair(pair: tuple[str, int | None]) -> tuple[str, str]:
    return pair[0], mark(pair[1])


FILTERS = {
    "when": when, "at_time": at_time, "day": day, "num": num, "signed": signed, "probability": probability,
    "mark": mark, "plural": plural, "listing": listing, "rule_name": rule_name,
    "mark_pair": mark_pair,
}  # fmt: skip
