"""Search for a small array: greedy, one build after another, then fewer builds by tabu search. Counted in steps, so that a
slow machine finds the same builds.

Greedy in the manner of Cohen, Dalal, Fredman & Patton (1997), fewer builds in that of Nurmela (2004): take a combination that
is left out, and of the builds that lack one level of it change the one that costs least.
"""

from collections.abc import Iterable, Sequence
from itertools import combinations
from random import Random

from app.covering.space import Cell, Combination, Space

TABU_STEPS = 8
TRIES = 24  # candidates a greedy build


class Index:
    """Every combination of `strength` factors as one number; `wanted[n]` is 1 where it must be tried."""

    def __init__(self, space: Space, strength: int, wanted: Iterable[Combination]) -> None:
        self.space, self.strength = space, min(strength, len(space.levels))
        self.of_factor: list[list[tuple[int, int, tuple[tuple[int, int], ...]]]] = [[] for _ in space.levels]
        self.subsets: list[tuple[int, tuple[tuple[int, int], ...]]] = []
        self.starts: dict[tuple[int, ...], tuple[int, tuple[tuple[int, int], ...]]] = {}
        size = 0
        for factors in combinations(range(len(space.levels)), self.strength):
            strides, stride = [], 1
            for factor in factors:
                strides.append((factor, stride))
                stride *= space.levels[factor]
            self.subsets.append((size, tuple(strides)))
            self.starts[factors] = self.subsets[-1]
            for factor, step in strides:
                self.of_factor[factor].append((size, step, tuple(pair for pair in strides if pair[0] != factor)))
            size += stride
        self.wanted = bytearray(size)
        self.named: dict[int, Combination] = {}
        for found in wanted:
            number = self.number(found)
            self.wanted[number] = 1
            self.named[number] = found

    def number(self, found: Combination) -> int:
        start, strides = self.starts[tuple(factor for factor, _ in found)]
        return start + sum(level * stride for (_, level), (_, stride) in zip(found, strides, strict=True))

    def numbers(self, cell: Sequence[int]) -> list[int]:
        return [start + sum(cell[factor] * stride for factor, stride in strides) for start, strides in self.subsets]


def greedy(index: Index, rng: Random, tries: int = TRIES) -> list[Cell]:
    """Builds until every wanted combination is tried, each the best of some tries."""
    left, rows = set(index.named), []
    while left:
        first = sorted(left)
        best: Cell = ()
        gain = -1
        for _ in range(tries):
            row = _grown(index, left, index.named[rng.choice(first)], rng)
            found = sum(number in left for number in index.numbers(row))
            if found > gain:
                best, gain = row, found
        rows.append(best)
        left.difference_update(index.numbers(best))
    return rows


def _grown(index: Index, left: set[int], fixed: Combination, rng: Random) -> Cell:
    """A wanted cell with the combination `fixed`, factor after factor the level that tries the most."""
    row = [-1] * len(index.space.levels)
    for factor, level in fixed:
        row[factor] = level
    others = [factor for factor, level in enumerate(row) if level < 0]
    rng.shuffle(others)
    checked = bool(index.space.forbidden or index.space.required)
    for factor in others:
        scores = [0] * index.space.levels[factor]
        for start, stride, rest in index.of_factor[factor]:
            part = start
            for other, step in rest:
                if row[other] < 0:
                    break
                part += row[other] * step
            else:
                for level in range(len(scores)):
                    scores[level] += part + level * stride in left
        order = sorted(range(len(scores)), key=lambda level: (-scores[level], rng.random()))
        row[factor] = next((level for level in order if not checked or _possible(index.space, row, factor, level)), order[0])
    return tuple(row)


def _possible(space: Space, row: Sequence[int], factor: int, level: int) -> bool:
    fixed = [(f, has) for f, has in enumerate(row) if has >= 0 and f != factor]
    return space.box(tuple(sorted([*fixed, (factor, level)]))) is not None


def thinned(index: Index, rows: Sequence[Cell]) -> list[Cell]:
    """Without the builds that try nothing by themselves; the last ones go first."""
    counts = [0] * len(index.wanted)
    for row in rows:
        for number in index.numbers(row):
            counts[number] += 1
    kept = list(rows)
    for row in reversed(rows):
        numbers = index.numbers(row)
        if all(counts[number] > 1 or not index.wanted[number] for number in numbers):
            kept.reverse()
            kept.remove(row)
            kept.reverse()
            for number in numbers:
                counts[number] -= 1
    return kept


class Table:
    """So many builds, changed one level at a time until nothing wanted is left out."""

    def __init__(self, index: Index, rows: Sequence[Cell]) -> None:
        self.index, self.rows = index, [list(row) for row in rows]
        self.counts = [0] * len(index.wanted)
        for row in rows:
            for number in index.numbers(row):
                self.counts[number] += 1
        self.left = [number for number in index.named if not self.counts[number]]
        self.place = {number: place for place, number in enumerate(self.left)}
        self.checked = bool(index.space.forbidden or index.space.required)
        self.work = 0  # combinations looked at, the measure of what a search cost

    def cost(self, row: Sequence[int], factor: int, level: int) -> int:
        """How many more combinations are left out once this build has that level."""
        counts, wanted, old, more = self.counts, self.index.wanted, row[factor], 0
        for start, stride, rest in self.index.of_factor[factor]:
            part = start
            for other, step in rest:
                part += row[other] * step
            here, there = part + old * stride, part + level * stride
            if wanted[here] and counts[here] == 1:
                more += 1
            if wanted[there] and not counts[there]:
                more -= 1
        self.work += len(self.index.of_factor[factor])
        return more

    def change(self, row: list[int], factor: int, level: int) -> None:
        counts, old = self.counts, row[factor]
        for start, stride, rest in self.index.of_factor[factor]:
            part = start + sum(row[other] * step for other, step in rest)
            here, there = part + old * stride, part + level * stride
            counts[here] -= 1
            if not counts[here] and self.index.wanted[here]:
                self.place[here] = len(self.left)
                self.left.append(here)
            if not counts[there] and self.index.wanted[there]:
                self._settle(there)
            counts[there] += 1
        row[factor] = level

    def _settle(self, number: int) -> None:
        place, last = self.place.pop(number), self.left.pop()
        if last != number:
            self.left[place] = last
            self.place[last] = place

    def may(self, row: list[int], factor: int, level: int) -> bool:
        if not self.checked:
            return True
        return self.index.space.wants([*row[:factor], level, *row[factor + 1 :]])

    def search(self, rng: Random, work: int) -> bool:
        """Whether every wanted combination is tried within so much work."""
        tabu: dict[tuple[int, int], int] = {}
        step, until = 0, self.work + work
        while self.left and self.work < until:
            step += 1
            found = self.index.named[self.left[rng.randrange(len(self.left))]]
            moves = []
            for place, row in enumerate(self.rows):
                missing = [(factor, level) for factor, level in found if row[factor] != level]
                if len(missing) == 1 and self.may(row, *missing[0]):
                    moves.append((self.cost(row, *missing[0]), tabu.get((place, missing[0][0]), 0) > step, rng.random(), place, missing[0]))
            self.work += len(self.rows)
            fresh = [move for move in moves if not move[1] or len(self.left) + move[0] == 0]
            if fresh:
                _, _, _, place, (factor, level) = min(fresh)
                self.change(self.rows[place], factor, level)
                tabu[place, factor] = step + TABU_STEPS + rng.randrange(4)
            else:
                self._rewrite(rng.randrange(len(self.rows)), found, rng)
        return not self.left

    def _rewrite(self, place: int, found: Combination, rng: Random) -> None:
        """A build anew, around a combination that no build is one level away from."""
        row = self.rows[place]
        wanted = list(row)
        for factor, level in found:
            wanted[factor] = level
        if self.checked and not self.index.space.wants(wanted):
            box = self.index.space.box(found, rng) or []
            wanted = [has if has in levels else rng.choice(sorted(levels)) for has, levels in zip(wanted, box, strict=True)]
        for factor, level in enumerate(wanted):
            if row[factor] != level:
                self.change(row, factor, level)


def fewer(index: Index, rows: Sequence[Cell], floor: int, rng: Random, work: int) -> list[Cell]:
    """The same combinations in fewer builds, until the floor is reached or the work is done."""
    best = thinned(index, rows)
    while len(best) > max(floor, 1) and work > 0:
        table = Table(index, _without_the_least(index, best))
        done = table.search(rng, work)
        work -= table.work
        if not done:
            break
        best = thinned(index, [tuple(row) for row in table.rows])
    return best


def _without_the_least(index: Index, rows: Sequence[Cell]) -> list[Cell]:
    """All but the build that tries the fewest combinations by itself."""
    counts: dict[int, int] = {}
    for row in rows:
        for number in index.numbers(row):
            counts[number] = counts.get(number, 0) + 1
    own = [sum(counts[number] == 1 and index.wanted[number] for number in index.numbers(row)) for row in rows]
    least = own.index(min(own))
    return [row for place, row in enumerate(rows) if place != least]
