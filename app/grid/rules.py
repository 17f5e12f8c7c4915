"""A grid as facts, and what its sentences must hold. No database."""

from collections.abc import Sequence
from datetime import datetime
from math import prod
from typing import NamedTuple

from app.covering.space import Cell, Combination, Pattern
from app.errors import Refused
from app.grid.words import FITTING, FactorKind, Fit, How, RuleKind, SettingMark

SHORTEST_SENTENCE, SHORTEST_REASON = 20, 10  # characters, as for an override and for a reason elsewhere
MOST_FACTORS, MOST_LEVELS = 40, 12
MOST_LISTED = 1200  # cells; a larger grid is proven by its combinations and shows what was tried
MOST_TRIPLES = 12  # factors; triples of more are beyond what anybody builds
MOST_AT_ONCE = 600  # cells a CAD check can settle in one go
CAUTION = (
    "Wheels off or the car on a stand before power-up; fingers, hair and cords clear of belts, gears and fans.",
    "Turn every joint through its whole travel by hand first: full droop, full bump, full lock.",
    "Grinding a carbon plate to make room: wet cut or extract, mask and eyes; it is then a modified piece.",
)


class Level(NamedTuple):
    """revision_id, revision : the newest issued revision of its line; revisions : all of that line, id -> label, the oldest first."""

    id: int
    code: str
    revision_id: int | None = None
    revision: str = ""
    part_id: int | None = None
    line: str = ""
    revisions: tuple[tuple[int, str], ...] = ()


class Factor(NamedTuple):
    id: int
    name: str
    kind: str
    levels: tuple[Level, ...]

    @property
    def is_option(self) -> bool:
        return self.kind == FactorKind.OPTION


class Result(NamedTuple):
    """One trial. cell : index of the level of each factor; revisions : level id -> (revision id, label) it was tried on."""

    id: int
    cell: Cell
    result: str
    how: str
    shim: str
    note: str
    revisions: dict[int, tuple[int, str]]
    by: str
    tried_at: datetime
    build_id: int | None = None
    photo_id: int | None = None
    photo_alt: str = ""
    withdrawn: str = ""  # the reason, who and when

    @property
    def fits(self) -> bool:
        return self.result in FITTING

    @property
    def words(self) -> str:
        return f"{self.result}: {self.shim}" if self.shim else self.result


class CellRule(NamedTuple):
    """pattern : in factor and level indexes."""

    id: int
    kind: str
    pattern: Pattern
    sentence: str
    by: str
    at: datetime
    withdrawn: str = ""


class Carry(NamedTuple):
    id: int
    level_id: int
    from_id: int
    to_id: int
    sentence: str
    by: str
    at: datetime
    withdrawn: str = ""


class Mark(NamedTuple):
    """setting : level indexes of the options, in their order."""

    setting: Cell
    mark: str
    same_as: Cell
    sentence: str
    by: str
    at: datetime


class GridFacts(NamedTuple):
    """Everything filed about one grid; results, rules and carry-overs with those that were withdrawn."""

    id: int
    label: str
    title: str
    strength: int
    proof: str
    question_id: int | None
    owner_id: int
    edition: int
    factors: tuple[Factor, ...]
    results: tuple[Result, ...] = ()
    rules: tuple[CellRule, ...] = ()
    carries: tuple[Carry, ...] = ()
    marks: tuple[Mark, ...] = ()

    @property
    def cells(self) -> int:
        return prod(len(factor.levels) for factor in self.factors)

    @property
    def listed(self) -> bool:
        return self.cells <= MOST_LISTED

    @property
    def noun(self) -> str:
        return {1: "level", 2: "pair"}.get(min(self.strength, len(self.factors)), "triple")

    def level_at(self, factor: int, level: int) -> Level:
        return self.factors[factor].levels[level]

    def cell_words(self, cell: Sequence[int]) -> str:
        return ", ".join(factor.levels[level].code for factor, level in zip(self.factors, cell, strict=True))

    def combination_words(self, found: Combination) -> str:
        """Such as “damper hole outer with driveshaft B”."""
        words = [f"{self.factors[factor].name} {self.level_at(factor, level).code}" for factor, level in found]
        return words[0] if len(words) == 1 else " with ".join([words[0], " and ".join(words[1:])])

    def ids_of(self, found: Combination) -> str:
        """The ids of its levels, for an address."""
        return "-".join(str(self.level_at(factor, level).id) for factor, level in found)

    def pattern_words(self, pattern: Pattern) -> str:
        return "; ".join(
            f"{self.factors[factor].name} {' or '.join(self.level_at(factor, level).code for level in sorted(levels))}"
            for factor, levels in pattern
        )

    def key(self, cell: Sequence[int]) -> str:
        """A cell in an address: the ids of its levels."""
        return "-".join(str(self.level_at(factor, level).id) for factor, level in enumerate(cell))

    def places(self) -> dict[int, tuple[int, int]]:
        """Level id -> (factor index, level index)."""
        return {level.id: (f, n) for f, factor in enumerate(self.factors) for n, level in enumerate(factor.levels)}

    def cell_of(self, level_ids: Sequence[int]) -> Cell | None:
        """The cell with these levels; None unless each factor has one."""
        places = self.places()
        found = sorted(places[level] for level in level_ids if level in places)
        whole = len(found) == len(level_ids) == len(self.factors) and [f for f, _ in found] == list(range(len(self.factors)))
        return tuple(level for _, level in found) if whole else None

    def pattern_of(self, level_ids: Sequence[int]) -> Pattern:
        """The cells that have, of every factor named, one of these levels; levels that are gone are left out."""
        places = self.places()
        found: dict[int, set[int]] = {}
        for factor, level in (places[level] for level in level_ids if level in places):
            found.setdefault(factor, set()).add(level)
        return tuple((factor, frozenset(levels)) for factor, levels in sorted(found.items()))


def check_sentence(text: str, *, field: str = "sentence", shortest: int = SHORTEST_SENTENCE) -> None:
    if len(text.strip()) < shortest:
        raise Refused(f"“{text.strip()[:40]}” says too little" if text.strip() else "The sentence is missing",
                      f"At least {shortest} characters, so that it can be understood in a year", "Say why.", field=field)  # fmt: skip


def check_rule(kind: str, pattern: Pattern, factors: Sequence[Factor]) -> None:
    if not pattern:
        raise Refused("No level is named", "A rule without one would mean every cell", "Choose at least one level.", field="levels")
    if kind == RuleKind.FORBIDDEN and len(pattern) < 2:
        raise Refused(f"“{factors[pattern[0][0]].name}” alone can't be forbidden", "A pair has levels of two factors",
                      "Name a level of another factor too, or exclude these cells with the owner's sentence.", field="levels")  # fmt: skip


def check_result(result: str, how: str, shim: str, cells: int) -> None:
    if result == Fit.SHIM and not shim.strip():
        raise Refused("Which shim it needs is missing", "“Fits with shim” is of use only with the shim", "Say it, such as 0.5 mm under "
                      "the outer ball stud.", field="shim")  # fmt: skip
    if result != Fit.SHIM and shim.strip():
        raise Refused(f"The shim “{shim.strip()[:30]}” does not go with “{result}”", "", "Choose “fits with shim”, or leave the shim out.",
                      field="shim")  # fmt: skip
    if how == How.BY_HAND and cells > 1:
        raise Refused(f"{cells} cells can't be tried by hand in one go", "Each is a build of its own", "Choose one level of each, "
                      "or say that it was checked by CAD.", field="how")  # fmt: skip


def check_sizes(factors: int, levels: Sequence[int]) -> None:
    if factors < 2:
        raise Refused("A grid needs two factors or more", f"{factors} is named", "Add an option or a third-party item.", field="options")
    if factors > MOST_FACTORS:
        raise Refused(f"{factors} factors are too many", f"At most {MOST_FACTORS} are taken", "Make two grids.", field="options")
    if max(levels) > MOST_LEVELS:
        raise Refused(f"{max(levels)} levels of one factor are too many", f"At most {MOST_LEVELS} are taken", "Leave out what nobody fits.",
                      field="options")  # fmt: skip


def check_setting(mark: str, same_as: Cell | None, setting: Cell, sentence: str) -> None:
    if mark == SettingMark.EQUIVALENT and same_as is None:
        raise Refused("To which setting it is equivalent is missing", "", "Choose it.", field="same_as")
    if mark == SettingMark.EQUIVALENT and same_as == setting:
        raise Refused("A setting can't be equivalent to itself", "", "Choose another.", field="same_as")
    if mark == SettingMark.UNSAFE:
        check_sentence(sentence)
