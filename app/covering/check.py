"""An array, counted: which combinations it leaves out, whether it is orthogonal, and how few runs could do."""

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import combinations
from typing import NamedTuple

from app.covering.space import Cell, Combination, Space, combinations_in, tried


class ArrayCheck(NamedTuple):
    """lower_bound : the product of the two largest numbers of levels (`strength` of them); fewer runs can't do."""

    runs: int
    factors: int
    levels: tuple[int, ...]
    uncovered: int
    covering: bool
    orthogonal: bool
    lower_bound: int


def check_array(rows: Sequence[Cell], levels: Sequence[int], strength: int = 2) -> ArrayCheck:
    """Count every combination. Orthogonal: each combination of the same factors stands equally often."""
    seen = Counter(found for row in rows for found in combinations_in(row, strength))
    space = Space(tuple(levels))
    left = sum(found not in seen for found in space.combinations(strength))
    orthogonal = left == 0 and all(
        len({count for found, count in seen.items() if tuple(f for f, _ in found) == factors}) == 1
        for factors in combinations(range(len(levels)), min(strength, len(levels)))
    )
    return ArrayCheck(len(rows), len(levels), tuple(levels), left, left == 0, orthogonal, bound_of(space.combinations(strength)))


def uncovered(space: Space, cells: Iterable[Cell], strength: int) -> list[Combination]:
    """The combinations that a wanted cell has and no cell here."""
    seen = tried(cells, strength)
    return [found for found in space.combinations(strength) if found not in seen]


def bound_of(wanted: Iterable[Combination]) -> int:
    """Fewer builds can't try all of these: one build tries one combination of the same factors."""
    counts = Counter(tuple(factor for factor, _ in found) for found in wanted)
    return max(counts.values(), default=0)
