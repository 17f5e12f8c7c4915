"""Which combination explains the builds that did not fit: in every one of them, and in none that fitted."""

from collections.abc import Collection, Iterable, Sequence
from itertools import combinations
from typing import NamedTuple

from app.covering.space import Cell, Combination, Space, contains

MOST = 3  # levels in an explanation


class Explained(NamedTuple):
    """minimal : the explanations of which no part is one, the shortest first; one alone is the explanation.
    part : where none explains all, combinations that no fitting build has, each with how many misfits it explains, until all
    are explained or none more can be.  next_build : an untried build that tells the explanations apart."""

    misfits: int
    minimal: tuple[Combination, ...] = ()
    part: tuple[tuple[Combination, int], ...] = ()
    next_build: Cell | None = None

    @property
    def named(self) -> Combination | None:
        return self.minimal[0] if len(self.minimal) == 1 else None


def explain(space: Space, misfits: Sequence[Cell], fits: Collection[Cell], *, most: int = MOST) -> Explained:
    """Look for levels, pairs and triples (up to `most` levels) in all misfits and in no fitting build."""
    if not misfits:
        return Explained(0)
    shared = tuple(pair for pair in enumerate(misfits[0]) if all(cell[pair[0]] == pair[1] for cell in misfits))
    found = _minimal(shared, fits, most)
    if not found:
        return Explained(len(misfits), part=_parts(misfits, fits, most))
    apart = _telling(space, found, misfits, fits) if len(found) > 1 else None
    return Explained(len(misfits), tuple(found), next_build=apart)


def _minimal(levels: Sequence[tuple[int, int]], fits: Collection[Cell], most: int) -> list[Combination]:
    found: list[Combination] = []
    for size in range(1, most + 1):
        for candidate in combinations(levels, size):
            known = any(set(shorter) <= set(candidate) for shorter in found)
            if not known and not any(contains(cell, candidate) for cell in fits):
                found.append(candidate)
    return found


def _parts(misfits: Sequence[Cell], fits: Collection[Cell], most: int) -> tuple[tuple[Combination, int], ...]:
    """Greedy: the combination that explains the most misfits, then of the others, and so on; the shortest of equals."""
    left, found = list(misfits), []
    candidates = sorted({c for cell in misfits for c in _minimal(tuple(enumerate(cell)), fits, most)}, key=lambda c: (len(c), c))
    while left and candidates:
        best = max(candidates, key=lambda c: sum(contains(cell, c) for cell in left))
        explained = [cell for cell in left if contains(cell, best)]
        if not explained:
            break
        found.append((best, len(explained)))
        left = [cell for cell in left if cell not in explained]
    return tuple(found)


def _telling(space: Space, candidates: Sequence[Combination], misfits: Sequence[Cell], fits: Collection[Cell]) -> Cell | None:
    """The untried build that has about half of the candidates; a fitting build with one candidate in it, or a misfit changed."""
    known = {*map(tuple, misfits), *map(tuple, fits)}
    best, far = None, float("inf")
    for cell in _near(space, candidates, misfits, fits):
        if cell in known or not space.allows(cell):
            continue
        has = sum(contains(cell, candidate) for candidate in candidates)
        if 0 < has < len(candidates) and abs(has - len(candidates) / 2) < far:
            best, far = cell, abs(has - len(candidates) / 2)
    return best


def _near(space: Space, candidates: Sequence[Combination], misfits: Sequence[Cell], fits: Collection[Cell]) -> Iterable[Cell]:
    for cell in sorted(fits):
        for candidate in candidates:
            given = dict(candidate)
            yield tuple(given.get(factor, level) for factor, level in enumerate(cell))
    for cell in misfits:
        for size in (1, 2):
            for factors in combinations(range(len(cell)), size):
                yield from _changed(space, cell, factors)


def _changed(space: Space, cell: Cell, factors: Sequence[int]) -> Iterable[Cell]:
    if not factors:
        yield cell
        return
    for level in range(space.levels[factors[0]]):
        if level != cell[factors[0]]:
            yield from _changed(space, (*cell[: factors[0]], level, *cell[factors[0] + 1 :]), factors[1:])
