"""What may be typed on the bench: several readings at once, trials of a study, chains of parts, limits of a feature.

Nothing is guessed; a refusal names the reading or the line.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

from app.errors import Refused
from app.gauging import iso286
from app.gauging.stacks import Link
from app.gauging.study import Trial
from app.people.rules import name_key
from app.units import Quantity, TypedNumberError, parse_quantity

MOST_READINGS, MOST_TRIALS, MOST_LINKS = 50, 600, 30
SIGNED = re.compile(r"\s*([+\-−±])?\s*([0-9]+(?:[.,][0-9]+)?)\s*(mm|µm|um|μm)?\s*", re.IGNORECASE)
EXAMPLES = "Type a code such as H7, deviations such as +0.012/0 or ±0.05, or sizes such as 4.00 to 4.02"


def with_limits(quantity: Quantity, lower: float | None, upper: float | None) -> Quantity:
    """The quantity with a plausible band about the limits, so that a shifted comma is asked about. Both limits are needed."""
    if lower is None or upper is None or upper <= lower:
        return quantity
    reach = 10 * (upper - lower)
    low, high = lower - reach, upper + reach
    if quantity.lowest is not None:
        low = max(low, float(quantity.lowest))
    return replace(quantity, band=(_plain(low), _plain(high)))


def _plain(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def read_readings(typed: str, quantity: Quantity, *, sure: bool = False) -> list[tuple[str, float]]:
    """Every reading as (typed text, value): one a line, or parted by blanks or semicolons, with or without a unit.

    Raises TypedNumberError, or OutOfBand for one that is not plausible, naming which reading it is.
    """
    words = _apart(typed)
    if not words:
        raise TypedNumberError("type at least one reading")
    if len(words) > MOST_READINGS:
        raise TypedNumberError(f"these are {len(words)} readings; at most {MOST_READINGS} make one set")
    found = []
    for place, word in enumerate(words, start=1):
        if len(word) > 40:
            raise TypedNumberError(f"reading {place} is longer than 40 characters")
        try:
            found.append((word, parse_quantity(word, quantity, sure=sure)))
        except TypedNumberError as wrong:
            if len(words) > 1:
                wrong.args = (f"reading {place}, {wrong}",)
            raise
    return found


def _apart(typed: str) -> list[str]:
    """“0,06 0.07; 6 mNm” -> the readings; a word that is no number is the unit of the one before."""
    words: list[str] = []
    for chunk in re.split(r"[;\n\r\t]+|,(?=\s)", typed):
        for index, word in enumerate(chunk.split()):
            if index and words and not re.match(r"[+\-−]?[0-9]", word):
                words[-1] += f" {word}"
            else:
                words.append(word)
    return words


def read_trials(typed: str, quantity: Quantity) -> list[tuple[Trial, str]]:
    """Lines of operator, piece, trial, value (comma, semicolon or tab) as trials with the value's typed text.

    A header line is allowed. Raises Refused at `trials`, naming the line.
    """
    found: list[tuple[Trial, str]] = []
    seen: set[tuple[str, str, str]] = set()
    for number, line in enumerate(typed.splitlines(), start=1):
        cells = [cell.strip() for cell in re.split(r"[;\t]" if re.search(r"[;\t]", line) else ",", line)]
        if not any(cells) or (number == 1 and [cell.casefold() for cell in cells[:2]] == ["operator", "piece"]):
            continue
        if len(cells) != 4 or not all(cells):
            raise _wrong_line(number, line, "operator, piece, trial and value are needed; with decimal commas part them by semicolons")
        if any(len(cell) > 40 for cell in cells) or len(cells[2]) > 20:
            raise _wrong_line(number, line, "a cell is longer than 40 characters")
        try:
            value = parse_quantity(cells[3], quantity, sure=True)
        except TypedNumberError as wrong:
            raise _wrong_line(number, line, str(wrong)) from wrong
        key = (name_key(cells[0]), name_key(cells[1]), name_key(cells[2]))
        if key in seen:
            raise _wrong_line(number, line, "this trial stands there twice")
        seen.add(key)
        found.append((Trial(cells[0], cells[1], cells[2], value), cells[3]))
    if len(found) > MOST_TRIALS:
        raise Refused(f"These are {len(found)} trials", f"At most {MOST_TRIALS} make one study", field="trials")
    return found


def _wrong_line(number: int, line: str, why: str, field: str = "trials") -> Refused:
    return Refused(f"Line {number}, “{line.strip()[:60]}”", why[0].upper() + why[1:], field=field)


def read_chain(typed: str, length: Quantity) -> list[Link]:
    """Lines of part; + or −; nominal; plus; minus, in mm. Raises Refused at `typed`, naming the line."""
    links = []
    for number, line in enumerate(typed.splitlines(), start=1):
        cells = [cell.strip() for cell in re.split(r"[;\t]" if re.search(r"[;\t]", line) else ",", line)]
        if not any(cells) or (number == 1 and cells[0].casefold() == "part"):
            continue
        if len(cells) != 5 or not all(cells):
            raise _wrong_line(number, line, "part, + or −, nominal, plus and minus are needed; with decimal commas part them by semicolons",
                              "typed")  # fmt: skip
        sign = {"+": 1, "+1": 1, "1": 1, "-": -1, "−": -1, "-1": -1, "−1": -1}.get(cells[1])
        if sign is None:
            raise _wrong_line(number, line, f"“{cells[1][:20]}” is no direction; + opens the gap, − closes it", "typed")
        try:
            nominal, plus, minus = (parse_quantity(cell, length, sure=True) for cell in cells[2:])
        except TypedNumberError as wrong:
            raise _wrong_line(number, line, str(wrong), "typed") from wrong
        if min(nominal, plus, minus) < 0:
            raise _wrong_line(number, line, "lengths and tolerances are 0 or more; the direction has the sign", "typed")
        links.append(Link(cells[0][:60], sign, nominal, plus, minus))
    if not links or len(links) > MOST_LINKS:
        raise Refused(f"A chain has 1 to {MOST_LINKS} parts; this has {len(links)}", "One part a line", field="typed")
    return links


def read_feature(typed: str, nominal_mm: float, *, hole: bool, field: str) -> iso286.Limits:
    """H7; or +0.012/0; or ±0.05; or 4.00 to 4.02: deviations from nominal in µm. Raises Refused at `field`."""
    text = typed.strip().replace("+/-", "±").replace("+-", "±")
    if re.match(r"[a-zA-Z]", text):
        try:
            return iso286.limits_of(text, nominal_mm, hole=hole)
        except iso286.UnknownCode as unknown:
            told = str(unknown)
            raise Refused(told[0].upper() + told[1:], field=field) from unknown
    parts = [SIGNED.fullmatch(part) for part in re.split(r"/|\bto\b|–|(?<=[0-9m])\s+(?=[+\-−±0-9])", text)]
    if not parts or len(parts) > 2 or any(part is None for part in parts):
        raise Refused(f"“{typed[:40]}” can't be read as limits", EXAMPLES, field=field)
    found = [(part[1] or "", float(part[2].replace(",", ".")) * (1 if (part[3] or "mm").casefold() == "mm" else 0.001))
             for part in parts if part is not None]  # fmt: skip
    low, high = _deviations(found, nominal_mm, field)
    if abs(low) > 1000 or abs(high) > 1000:
        raise Refused(f"“{typed[:40]}” lies more than 1 mm from the nominal {nominal_mm:g} mm", "", "Check both.", field=field)
    return iso286.Limits(low, high, "as typed")


def _deviations(found: Sequence[tuple[str, float]], nominal_mm: float, field: str) -> tuple[float, float]:
    if len(found) == 1:
        sign, value = found[0]
        if sign != "±":
            raise Refused("One figure alone is no pair of limits", "", "Type both, such as +0.012/0, or ±0.05.", field=field)
        return -round(value * 1000, 6), round(value * 1000, 6)
    signed = [-value if sign in ("-", "−") else value for sign, value in found]
    as_sizes = all(not sign for sign, _ in found) and min(value for _, value in found) > nominal_mm / 2
    values = [round((value - nominal_mm if as_sizes else value) * 1000, 6) for value in signed]
    return min(values), max(values)


def chain_or_problem(typed: str, length: Quantity) -> tuple[list[Link], str]:
    """(links, "") of a kept chain, or ([], why its lines can't be read)."""
    try:
        return read_chain(typed, length), ""
    except Refused as unreadable:
        return [], unreadable.sentence
