"""Every cell of a ratings table read as what its column was chosen for, or refused with its line. No database."""

import re
from collections.abc import Callable, Mapping
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import Any

from app import units
from app.errors import Refused
from app.feedback.models import Confidence
from app.feedback.rules import LONGEST_REMARK
from app.imports.rules import Choices, MarkRow, Role, Scale
from app.people.rules import check_one_script, name_key
from app.programmes.conditions import Grip, Surface
from app.tables import Cells, Errors, Table, Unreadable
from app.web.text import TextRefused, clean_line, clean_text

LATEST_CLOCK = 1440
NOT_JUDGED = ("", "n/a", "na", "-", "–", "could not judge")


def named(longest: int, *, required: bool = True) -> Callable[[str, int], str]:
    """A reader of names that refuses two spellings which look the same."""
    first: dict[str, tuple[str, int]] = {}

    def read(raw: str, line: int) -> str:
        name = _cleaned(raw, longest)
        key = look_alike_key(name)
        if not key:
            if required or name:
                raise Unreadable("is empty; each row needs it" if not name else "has no letter that can be seen")
            return ""
        try:
            check_one_script(name, field="")
        except Refused as refused:
            raise Unreadable(f"can't be taken: {refused.title[0].lower()}{refused.title[1:]}") from refused
        spelling, where = first.setdefault(key, (name, line))
        if spelling != name:
            raise Unreadable(f"looks like “{spelling}” in line {where}; write both the same way, or name them apart")
        return name

    return read


def _cleaned(raw: str, longest: int) -> str:
    try:
        return clean_line(raw, longest=longest)
    except TextRefused as refused:
        raise Unreadable(f"can't be taken: {refused}") from refused


# Letters of other alphabets that are drawn like a Latin one, folded to it.
_DRAWN_ALIKE = str.maketrans("авекмнорстухіјѕԁԛԝαικνορτυχ", "abekmhopctyxijsdqwaikvoptux")
_PLAIN_NUMBER = re.compile(r"[0-9]{1,12}(?:[.,][0-9]{1,6})?")


def look_alike_key(name: str) -> str:
    """Names with one key can't be told apart on a page: 4.0 and 4.00, No and no, Latin and Cyrillic о."""
    key = name_key(name).translate(_DRAWN_ALIKE)
    if _PLAIN_NUMBER.fullmatch(key):
        return f"{Decimal(key.replace(',', '.')).normalize():f}"
    return key


def read_mark(raw: str, _line: int) -> int | None:
    """Hundredths of a point; None for “could not judge”."""
    if raw.casefold() in NOT_JUDGED:
        return None
    hundredths = _number(raw) * 100
    if hundredths != hundredths.to_integral_value():
        raise Unreadable("is finer than a hundredth of a point")
    return int(hundredths)


def _number(raw: str) -> Decimal:
    try:
        return units.parse_number(raw)
    except units.OutOfBand as doubtful:
        raise Unreadable(f"can be read in two ways: {doubtful}") from doubtful
    except units.TypedNumberError as unreadable:
        raise Unreadable("is not a number; leave the cell empty, or write n/a, for “could not judge”") from unreadable


def read_clock(raw: str, _line: int) -> float | None:
    if not raw:
        return None
    try:
        minutes = _number(raw)
    except Unreadable as wrong:
        raise Unreadable("is not a number of minutes since the session began") from wrong
    if not 0 <= minutes <= LATEST_CLOCK:
        raise Unreadable(f"is no minute of a session; 0 to {LATEST_CLOCK} can be")
    return float(minutes)


def read_date(raw: str, _line: int) -> date | None:
    if not raw:
        return None
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", raw):
        raise Unreadable("is not a date written like 2026-02-03")
    try:
        found = date.fromisoformat(raw)
    except ValueError as unreadable:
        raise Unreadable("is not a day of the calendar") from unreadable
    if not 1950 <= found.year <= 2100:
        raise Unreadable("is not a plausible year")
    return found


def one_word_of(words: type[StrEnum]) -> Callable[[str, int], str]:
    known = {word.value.casefold(): word.value for word in words}

    def read(raw: str, _line: int) -> str:
        if raw and raw.casefold() not in known:
            raise Unreadable(f"is not one of: {', '.join(known.values())}")
        return known.get(raw.casefold(), "")

    return read


def read_remark(raw: str, _line: int) -> str:
    try:
        return clean_text(raw, longest=LONGEST_REMARK)
    except TextRefused as refused:
        raise Unreadable(f"can't be taken: {refused}") from refused


def read_rows(table: Table, choices: Choices, scales: Mapping[str, Scale], errors: Errors) -> list[MarkRow]:
    """Every readable row; `scales` (attribute's name key -> its scale) are those the programme has already."""

    def cells(role: Role, read: Callable[[str, int], Any], absent: Any = "") -> Cells:
        return Cells(table, choices.columns.get(role, ""), read, errors, absent)

    columns = (
        cells(Role.DRIVER, named(80)),
        cells(Role.SESSION, named(60)),
        cells(Role.RUN, named(60)),
        cells(Role.VARIANT, named(24)),
        cells(Role.ATTRIBUTE, named(60), choices.attribute_name),
    )
    rating = cells(Role.RATING, read_mark)
    others = (
        cells(Role.CLOCK, read_clock, None),
        cells(Role.DATE, read_date, None),
        cells(Role.PLACE, named(80, required=False)),
        cells(Role.SURFACE, one_word_of(Surface)),
        cells(Role.GRIP, one_word_of(Grip)),
        cells(Role.CAR, named(40, required=False)),
        cells(Role.REMARK, read_remark),
        cells(Role.CONFIDENCE, one_word_of(Confidence)),
    )
    rows = []
    for row in table.rows:
        before = errors.count
        names = [column.at(row) for column in columns]
        mark = rating.at(row)
        rest = [column.at(row) for column in others]
        if mark is not None and names[-1] is not None:
            scale = scales.get(name_key(names[-1]), choices.scale)
            if problem := scale.problem(mark):
                errors.add(row.line, rating.name, row.cells[rating.position or 0], problem)
        if errors.count == before:
            rows.append(MarkRow(row.line, *names, mark, *rest))  # type: ignore[call-arg]
    return rows
