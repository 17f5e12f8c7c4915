"""Values of question.toml, each read with its kind checked; a refusal names the line and the key."""

import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from app.assess.places import Path, line_of
from app.assess.tables import FolderRefused, shown

FILE = "question.toml"
HIGHEST = 1e9  # of any figure: beyond it nobody meant what was written


@dataclass(frozen=True, slots=True)
class Keys:
    """One table of the file: its values by key, and where it stands in the whole text."""

    text: str
    values: dict[str, Any]
    path: Path = ()

    def refuse(self, key: str | None, reason: str) -> FolderRefused:
        path = self.path if key is None else (*self.path, key)
        named = key if key is not None else next((p for p in reversed(path) if isinstance(p, str)), None)
        return FolderRefused(FILE, line_of(self.text, path), named, reason)

    def only(self, known: Sequence[str]) -> None:
        """Refuse the first key that is not known, and say which known one is nearest."""
        for key in self.values:
            if key not in known:
                near = max(known, key=lambda name: SequenceMatcher(None, key.lower(), name).ratio())
                raise self.refuse(key, f"The key {shown(key)} is not known here; the nearest known one is {near!r}.")

    def word(self, key: str, choices: Sequence[str] = (), default: str | None = None) -> str:
        value = self.values.get(key, default)
        if value is None:
            raise self.refuse(key, f"The key {key} is missing.")
        if not isinstance(value, str) or not value.strip():
            raise self.refuse(key, f"{_told(value)}: {key} is a text in quotes.")
        if choices and value not in choices:
            raise self.refuse(key, f"{shown(value)}: {key} is one of {', '.join(choices)}.")
        return value.strip()

    def number(self, key: str, default: float | None = None, *, signed: bool = False) -> float:
        """A finite number, more than zero unless `signed`."""
        value = self.values.get(key, default)
        if value is None:
            raise self.refuse(key, f"The key {key} is missing.")
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not _within_reach(value):
            raise self.refuse(key, f"{_told(value)}: {key} is a finite number.")
        if value <= 0 and not signed:
            raise self.refuse(key, f"{_told(value)}: {key} must be more than zero.")
        return float(value)

    def optional_number(self, key: str) -> float | None:
        return self.number(key) if key in self.values else None

    def whole(self, key: str, default: int) -> int:
        value = self.values.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1000:
            raise self.refuse(key, f"{_told(value)}: {key} is a whole number between 1 and 1000.")
        return value

    def yes(self, key: str) -> bool:
        value = self.values.get(key, False)
        if not isinstance(value, bool):
            raise self.refuse(key, f"{_told(value)}: {key} is true or false.")
        return value

    def table(self, key: str) -> "Keys":
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            raise self.refuse(key, f"{_told(value)}: {key} is a table with keys of its own.")
        return Keys(self.text, value, (*self.path, key))

    def tables(self, key: str) -> list["Keys"]:
        """A list of inline tables, also one table alone; a missing key is an empty list."""
        value = self.values.get(key, [])
        value = [value] if isinstance(value, dict) else value
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.refuse(key, f"{_told(value)}: {key} is a list such as [{{ attribute = \"ease\" }}].")
        return [Keys(self.text, item, (*self.path, key, place)) for place, item in enumerate(value)]

    def words(self, key: str, choices: Sequence[str]) -> tuple[str, ...]:
        value = self.values.get(key, [])
        if not isinstance(value, list):
            raise self.refuse(key, f"{_told(value)}: {key} is a list of names.")
        for item in value:
            if item not in choices:
                named = str(item) if isinstance(item, (str, int)) and not isinstance(item, bool) else ""
                near = max(choices, key=lambda name: SequenceMatcher(None, named[:40], name).ratio())
                raise self.refuse(key, f"{_told(item)} is not known in {key}; the nearest known one is {near!r}.")
        return tuple(dict.fromkeys(value))


def parsed(text: str) -> Keys:
    """The whole file. What is not TOML is refused at the line and column where reading stopped."""
    try:
        return Keys(text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as broken:
        told = str(broken)
        at = re.search(r"\(at line (\d+), column (\d+)\)", told)
        line, column = (int(at[1]), int(at[2])) if at else _end_of(text)
        reason = re.sub(r"\s*\(at [^)]*\)$", "", told)
        raise FolderRefused(FILE, line, column, f"It is not TOML: {reason}.") from broken
    except (ValueError, RecursionError) as broken:  # a number of thousands of digits, tables nested without end
        raise FolderRefused(FILE, 1, None, "It can't be read as TOML: a number or a nesting without end.") from broken


def _end_of(text: str) -> tuple[int, int]:
    lines = text.split("\n")
    return len(lines), len(lines[-1]) + 1


def _within_reach(value: int | float) -> bool:
    return -HIGHEST <= value <= HIGHEST if isinstance(value, int) else math.isfinite(value) and abs(value) <= HIGHEST


def _told(value: Any) -> str:
    """A value as quoted in a sentence; an integer of any length must not stop us."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > HIGHEST:
        return "A number beyond reach"
    if isinstance(value, (list, dict)):
        return "A list or table"
    return shown(str(value).lower() if isinstance(value, bool) else str(value))
