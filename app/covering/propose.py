"""The fewest trial builds that try every combination still open."""

from collections.abc import Collection, Iterator, Sequence
from random import Random
from typing import NamedTuple

from app.covering.check import bound_of
from app.covering.constructions import binary_minimum, known_arrays
from app.covering.search import TRIES, Index, fewer, greedy
from app.covering.space import Cell, Combination, Space, tried

WORK = 1_500_000  # combinations looked at: about a second of one core
STARTS = 3


class Proposal(NamedTuple):
    """builds : in the order in which to try them, those that try the most first.  open : combinations they try that nothing
    had tried.  floor : fewer builds can't do; equal to the number of builds where that is the least possible."""

    builds: tuple[Cell, ...]
    open: int
    floor: int

    @property
    def least(self) -> bool:
        return len(self.builds) == self.floor


def propose(space: Space, strength: int = 2, done: Collection[Sequence[int]] = (), *, seed: int = 1, work: int = WORK) -> Proposal:
    """Builds to try, given the cells that are proven already.

    strength : 2 for pairs, 3 for triples.  seed, work : the same give the same builds on every machine.
    No build matches a forbidden pattern or lies outside what is required.
    """
    proven = tried(done, strength)
    wanted = [found for found in space.combinations(strength) if found not in proven]
    if not wanted:
        return Proposal((), 0, 0)
    floor = _floor(space, strength, wanted, bool(proven))
    index, rng = Index(space, strength, wanted), Random(seed)
    best: list[Cell] = []
    for rows in _starts(space, strength, index, rng, work):
        rows = fewer(index, rows, floor, rng, work // STARTS)
        if not best or len(rows) < len(best):
            best = rows
        if len(best) == floor:
            break
    return Proposal(_in_order(index, best), len(wanted), floor)


def _starts(space: Space, strength: int, index: Index, rng: Random, work: int) -> Iterator[list[Cell]]:
    """Arrays to begin from: known ones where nothing is forbidden, then greedy ones."""
    if strength == 2 and len(space.levels) > 1 and not space.forbidden and not space.required:
        yield from known_arrays(space.levels)
    one = len(index.subsets) * max(space.levels) * index.strength
    tries = max(1, min(TRIES, work // (one * 40)))
    for _ in range(STARTS - 1):
        yield greedy(index, rng, tries)


def _floor(space: Space, strength: int, wanted: Sequence[Combination], begun: bool) -> int:
    """Fewer builds can't do: by counting, and exactly for two-level factors of which nothing is proven."""
    floor, pairs = bound_of(wanted), space.levels.count(2)
    free = strength == 2 and not begun and not space.forbidden and not space.required
    return max(floor, binary_minimum(pairs)) if free and pairs > 1 else floor


def _in_order(index: Index, rows: Sequence[Cell]) -> tuple[Cell, ...]:
    """Each next build tries the most of what is left, so that a list that is broken off has shown the most."""
    left, waiting, found = set(index.named), sorted(set(rows)), []
    while waiting and left:
        best = max(waiting, key=lambda row: sum(number in left for number in index.numbers(row)))
        waiting.remove(best)
        left.difference_update(index.numbers(best))
        found.append(best)
    return tuple(found)
