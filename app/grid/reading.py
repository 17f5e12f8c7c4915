"""Factors and levels as they are typed, one factor a line: “Damper hole: inner, middle, outer”, “Tower: t40 = FST-t40 r2, …”."""

from typing import NamedTuple

from app.errors import Refused
from app.grid import rules
from app.people.rules import check_one_script, name_key

LONGEST_NAME, LONGEST_CODE = 40, 24


class TypedLevel(NamedTuple):
    """revision : a revision's label, or a line's (FST-t40, the newest is meant); "" for a named item."""

    code: str
    revision: str = ""


class TypedFactor(NamedTuple):
    name: str
    levels: tuple[TypedLevel, ...]


def read_factors(text: str, *, field: str) -> list[TypedFactor]:
    """Raises Refused, naming the line and the way out."""
    found: list[TypedFactor] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        name, colon, rest = line.partition(":")
        if not colon or not name.strip():
            raise Refused(f"Line {number}, “{line.strip()[:40]}”, has no name with a colon", "",
                          "Write it like “Damper hole: inner, outer”.", field=field)  # fmt: skip
        levels = read_levels(rest, field=field, where=f"line {number}")
        if len(levels) < 2:
            raise Refused(f"“{name.strip()[:40]}” has one level", "With one there is nothing to combine", "Name at least two.", field=field)
        found.append(TypedFactor(_checked(name, LONGEST_NAME, field), levels))
    keys = [name_key(factor.name) for factor in found]
    if twice := next((factor.name for factor in found if keys.count(name_key(factor.name)) > 1), None):
        raise Refused(f"“{twice}” stands twice", "", "Give each factor its own name.", field=field)
    return found


def read_levels(text: str, *, field: str, where: str) -> tuple[TypedLevel, ...]:
    found = []
    for word in text.split(","):
        code, equals, revision = word.partition("=")
        if not code.strip():
            raise Refused(f"A level is empty in {where}", "Two commas with nothing between, or none at all",
                          "Write the levels like “inner, middle, outer”.", field=field)  # fmt: skip
        if equals and not revision.strip():
            raise Refused(f"“{code.strip()[:24]} =” names no revision", "", "Write it like “t40 = FST-t40”.", field=field)
        found.append(TypedLevel(_checked(code, LONGEST_CODE, field), " ".join(revision.split())))
    keys = [name_key(level.code) for level in found]
    if twice := next((level.code for level in found if keys.count(name_key(level.code)) > 1), None):
        raise Refused(f"The level “{twice}” stands twice in {where}", "", "Give each level its own code.", field=field)
    if len(found) > rules.MOST_LEVELS:
        raise Refused(f"{len(found)} levels are too many in {where}", f"At most {rules.MOST_LEVELS} are taken", "", field=field)
    return tuple(found)


def _checked(text: str, longest: int, field: str) -> str:
    word = " ".join(text.split())
    if len(word) > longest:
        raise Refused(f"“{word[:40]}” is longer than {longest} characters", "", "Shorten it.", field=field)
    check_one_script(word, field=field)
    return word
