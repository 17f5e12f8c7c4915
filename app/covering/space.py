"""The space of builds: levels of each factor, what can't be built, and what must be proven."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import prod
from random import Random

Cell = tuple[int, ...]  # one level for each factor
Combination = tuple[tuple[int, int], ...]  # (factor, level) pairs in the order of the factors; a pair at strength 2
Pattern = tuple[tuple[int, frozenset[int]], ...]  # (factor, levels): a cell matches that has one of the levels of each
Box = list[set[int]]  # levels left of each factor; every cell in it may be built


def matches(cell: Sequence[int], pattern: Pattern) -> bool:
    return all(cell[factor] in levels for factor, levels in pattern)


def contains(cell: Sequence[int], combination: Combination) -> bool:
    return all(cell[factor] == level for factor, level in combination)


def pattern_of(combination: Combination) -> Pattern:
    return tuple((factor, frozenset({level})) for factor, level in combination)


@dataclass(frozen=True, slots=True)
class Space:
    """levels : how many each factor has.  forbidden : patterns that are never built.  required : patterns that must be
    proven; () = every cell. A cell that matches a forbidden pattern is not required, whatever `required` says."""

    levels: tuple[int, ...]
    forbidden: tuple[Pattern, ...] = ()
    required: tuple[Pattern, ...] = ()

    @property
    def cells(self) -> int:
        """All of them, forbidden ones too."""
        return prod(self.levels)

    def allows(self, cell: Sequence[int]) -> bool:
        return not any(matches(cell, pattern) for pattern in self.forbidden)

    def wants(self, cell: Sequence[int]) -> bool:
        """Allowed, and required."""
        return self.allows(cell) and (not self.required or any(matches(cell, pattern) for pattern in self.required))

    def without(self, combinations: Iterable[Combination]) -> "Space":
        """The same space, with these combinations not built any more."""
        return Space(self.levels, (*self.forbidden, *map(pattern_of, combinations)), self.required)

    def box(self, fixed: Combination = (), rng: Random | None = None) -> Box | None:
        """A box of wanted cells that have these levels, or None where there is no such cell.

        Exact: of every forbidden pattern one factor must leave the pattern's levels, and each way is tried.
        """
        asked: list[Pattern] = list(self.required) or [()]
        if rng is not None and len(asked) > 1:
            rng.shuffle(asked)
        for wanted in asked:
            left = [set(range(count)) for count in self.levels]
            for factor, levels in (*pattern_of(fixed), *wanted):
                left[factor] &= levels
            if all(left) and (found := _leave(left, self.forbidden, 0, rng)) is not None:
                return found
        return None

    def combinations(self, strength: int) -> Iterator[Combination]:
        """Every combination of `strength` factors that some wanted cell has."""
        free = not self.forbidden and not self.required
        for factors in combinations(range(len(self.levels)), min(strength, len(self.levels))):
            for chosen in product(*(range(self.levels[factor]) for factor in factors)):
                found = tuple(zip(factors, chosen, strict=True))
                if free or self.box(found) is not None:
                    yield found

    def every_cell(self) -> Iterator[Cell]:
        """In order of their levels, forbidden ones too; for spaces small enough to be listed."""
        return product(*map(range, self.levels))


def _leave(left: Box, forbidden: Sequence[Pattern], start: int, rng: Random | None) -> Box | None:
    """Narrow the box until no forbidden pattern reaches into it."""
    for place in range(start, len(forbidden)):
        pattern = forbidden[place]
        if any(left[factor].isdisjoint(levels) for factor, levels in pattern):
            continue
        ways = [(factor, levels) for factor, levels in pattern if not left[factor] <= levels]
        if rng is not None:
            rng.shuffle(ways)
        for factor, levels in ways:
            narrower = [*left[:factor], left[factor] - levels, *left[factor + 1 :]]
            if (found := _leave(narrower, forbidden, place + 1, rng)) is not None:
                return found
        return None
    return left


def combinations_in(cell: Sequence[int], strength: int) -> Iterator[Combination]:
    """The combinations that one build tries: n over strength of them."""
    return combinations(tuple(enumerate(cell)), min(strength, len(cell)))


def tried(cells: Iterable[Sequence[int]], strength: int) -> set[Combination]:
    return {found for cell in cells for found in combinations_in(cell, strength)}
