"""Order of the tests: Williams squares, what is nearest to them, and how far a set of orders is from balance.

Sources: Williams (1949), Aust. J. Sci. Res. A 2, 149-168: first row 0, 1, n-1, 2, n-2, ... developed cyclically, with
its mirror for odd n (from memory; the property is counted in the reference cases).
"""

import math
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from itertools import combinations, pairwise, permutations
from typing import NamedTuple

POSITION_WEIGHT = 3.0
"""An early-late imbalance weighs more than a carry-over one: the track's drift is larger than what a run leaves behind."""
MOST_EXHAUSTIVE = 7
MOST_CHOICES = 500


def williams(n: int) -> list[tuple[int, ...]]:
    """n orders for even n, 2n for odd: every ordered pair of neighbours equally often, every place equally often."""
    if n < 1:
        return []
    first, low, high = [0], 1, n - 1
    while low <= high:
        first.append(low)
        if high != low:
            first.append(high)
        low, high = low + 1, high - 1
    rows = [tuple((item + shift) % n for item in first) for shift in range(n)]
    if n % 2 and n > 1:
        rows += [tuple(reversed(row)) for row in rows]
    return rows


def sequences_needed(n: int) -> int:
    """Fewest orders that Williams needs for n variants."""
    return len(williams(n))


def single_square_exists(n: int) -> bool:
    """Is there a Latin square of n orders in which every ordered pair of neighbours stands exactly once? Searched through."""
    if n > MOST_EXHAUSTIVE:
        raise ValueError(f"{n} variants are too many to search through")
    by_first = [[p for p in permutations(range(n)) if p[0] == start] for start in range(n)]
    by_first[0] = [tuple(range(n))]  # names are free, so the first row may be this one

    def extend(row: int, pairs: frozenset[tuple[int, int]], columns: tuple[frozenset[int], ...]) -> bool:
        if row == n:
            return True
        for order in by_first[row]:
            own = frozenset(pairwise(order))
            if own & pairs or any(item in column for item, column in zip(order, columns, strict=True)):
                continue
            if extend(row + 1, pairs | own, tuple(c | {i} for i, c in zip(order, columns, strict=True))):
                return True
        return False

    return extend(0, frozenset(), (frozenset(),) * n)


class CarryOver(NamedTuple):
    """What a set of orders balances. counts[i][j]: how often item i is followed by j; each: that count where it is even."""

    items: tuple[str, ...]
    latin_rows: bool
    uniform_on_periods: bool
    counts: tuple[tuple[int, ...], ...]
    each: int | None

    @property
    def balanced(self) -> bool:
        return self.each is not None


def carry_over(orders: Sequence[Sequence[str]]) -> CarryOver:
    """Count places and neighbours of orders that are of one length."""
    items = tuple(sorted({item for order in orders for item in order}))
    follows = Counter(pair for order in orders for pair in pairwise(order))
    counts = tuple(tuple(follows[a, b] for b in items) for a in items)
    off = {counts[i][j] for i in range(len(items)) for j in range(len(items)) if i != j}
    own = any(counts[i][i] for i in range(len(items)))
    places = [Counter(column) for column in zip(*orders, strict=True)]
    uniform = all(len({place[item] for item in items}) == 1 for place in places)
    each = next(iter(off)) if len(off) == 1 and not own and 0 not in off else None
    return CarryOver(items, all(sorted(order) == list(items) for order in orders), uniform, counts, each)


class Blocks(NamedTuple):
    """Counts of an incomplete block design. Efficiency = lambda v / (r k); None where it isn't balanced."""

    v: int
    b: int
    k: int
    r: int | None
    lam: int | None
    balanced: bool
    efficiency: float | None
    replications: tuple[int, ...]
    fewest_pairs: int
    most_pairs: int


def incomplete_blocks(blocks: Sequence[Sequence[str]]) -> Blocks:
    """Is every pair of items together equally often? For days on which not every variant can be driven by everyone."""
    items = sorted({item for block in blocks for item in block})
    times = Counter(item for block in blocks for item in block)
    together = Counter(tuple(sorted((a, b))) for block in blocks for i, a in enumerate(block) for b in block[i + 1 :])
    pairs = [together[a, b] for i, a in enumerate(items) for b in items[i + 1 :]]
    sizes, replications = {len(block) for block in blocks}, tuple(times[item] for item in items)
    even = len(set(replications)) == 1 and len(set(pairs)) == 1 and len(sizes) == 1
    r, lam, k = (replications[0], pairs[0], max(sizes)) if even else (None, None, max(sizes))
    efficiency = lam * len(items) / (r * k) if r and lam else None
    return Blocks(len(items), len(blocks), k, r, lam, even, efficiency, replications, min(pairs), max(pairs))


class Imbalance(NamedTuple):
    """How far the orders of a programme are from balance, history counted.

    early_late : item -> (early, late) times;  after : (a, b) -> times that b came right after a (controls between)
    scores     : item -> sum of its places, -1 for first to +1 for last
    """

    early_late: dict[str, tuple[int, int]]
    after: dict[tuple[str, str], int]
    scores: dict[str, float]

    @property
    def position(self) -> float:
        return round(sum(abs(score) for score in self.scores.values()), 9)

    @property
    def carry_over(self) -> int:
        pairs = {tuple(sorted(pair)) for pair in self.after}
        return sum(abs(self.after.get((a, b), 0) - self.after.get((b, a), 0)) for a, b in pairs)

    @property
    def total(self) -> float:
        return POSITION_WEIGHT * self.position + self.carry_over

    def of(self, items: Collection[str]) -> "Imbalance":
        """The same for some items only, such as those that a plan drives."""
        return Imbalance(
            {item: halves for item, halves in self.early_late.items() if item in items},
            {pair: times for pair, times in self.after.items() if set(pair) <= set(items)},
            {item: score for item, score in self.scores.items() if item in items},
        )


def place(k: int, n: int) -> float:
    """-1 for the first of n, +1 for the last, 0 for one alone."""
    return 2.0 * k / (n - 1) - 1.0 if n > 1 else 0.0


def imbalance(orders: Iterable[Sequence[str]]) -> Imbalance:
    """Orders of tests, one a driver and session. Position: sum over items of |sum of places|; carry-over: sum over pairs of

    |a before b - b before a|. Both are 0 for a Williams square.
    """
    score: dict[str, float] = {}
    halves: dict[str, list[int]] = {}
    after: dict[tuple[str, str], int] = {}
    for order in orders:
        n = len(order)
        for k, item in enumerate(order):
            at = place(k, n)
            score[item] = score.get(item, 0.0) + at
            halves.setdefault(item, [0, 0])
            if at:
                halves[item][at > 0] += 1
        for pair in pairwise(order):
            if pair[0] != pair[1]:
                after[pair] = after.get(pair, 0) + 1
    return Imbalance({item: (early, late) for item, (early, late) in sorted(halves.items())}, after, score)


def nearest_orders(items: Sequence[str], how_many: int) -> tuple[list[tuple[str, ...]], str]:
    """`how_many` orders of the items, a Williams square where it fits, else the rows nearest to one; and what is said of it."""
    n, rows = len(items), williams(len(items))
    named = [tuple(items[i] for i in row) for row in rows]
    whole, rest = divmod(how_many, max(len(rows), 1))
    chosen = named * whole
    chosen += _nearest(named, rest)
    if n < 2 or rest == 0:
        return chosen, ""
    found = imbalance(chosen)
    told = f"{n} variants need {len(rows)} orders for carry-over balance; with {how_many} "
    if found.position == 0:
        return chosen, told + ("only position is balanced." if found.carry_over else "position and direction are balanced.")
    return chosen, told + "neither position nor carry-over can be even."


def _nearest(rows: Sequence[tuple[str, ...]], how_many: int) -> list[tuple[str, ...]]:
    """Of all choices of rows the best balanced; where they are too many, the rows one by one, each the best next."""
    if math.comb(len(rows), how_many) <= MOST_CHOICES:
        return list(min(combinations(rows, how_many), key=lambda some: imbalance(some).total))
    found: list[tuple[str, ...]] = []
    for _ in range(how_many):
        found.append(min((row for row in rows if row not in found), key=lambda row: imbalance([*found, row]).total))
    return found


def imbalance_words(found: Imbalance) -> tuple[str, ...]:
    """The imbalance in sentences; () when there is none."""
    told = [f"{item}: {early} early, {late} late." for item, (early, late) in found.early_late.items() if early != late]
    for (a, b), times in sorted(found.after.items()):
        other = found.after.get((b, a), 0)
        if times > other:
            told.append(f"{b} comes {times} times right after {a}, and {other} times right before it.")
    return tuple(told)
