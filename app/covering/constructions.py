"""Arrays that are known by construction: no search finds smaller ones in reasonable time, and none is needed.

Binary, strength 2: Kleitman & Spencer (1973) and Katona (1973): N runs serve at most C(N-1, ceil(N/2)) factors, exactly.
Equal levels, a prime power q: the orthogonal array of lines over the field of q elements, q^2 runs for q + 1 factors (Bose
& Bush 1952); and copies of it side by side with its runs that are not constant below, 2 q^2 - q runs for q (q + 1) factors (the product
of Stevens, Moura & Mendelsohn 1998, from memory; every array made here is checked by counting in the tests).
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations
from math import comb

from app.covering.space import Cell

FIELDS = (2, 3, 4, 5, 7, 8, 9, 11, 13)
_POLYNOMIALS = {4: (2, (1, 1)), 8: (2, (1, 1, 0)), 9: (3, (2, 0))}  # q -> p, and x^m in lower powers, constant first


def most_binary_factors(runs: int) -> int:
    """How many two-level factors that many runs serve at strength 2; 0 below four runs."""
    return comb(runs - 1, -(-runs // 2)) if runs >= 4 else 0


def binary_minimum(factors: int) -> int:
    """Least runs of a strength-2 array of two-level factors; exact, for two factors and more."""
    runs = 4
    while most_binary_factors(runs) < factors:
        runs += 1
    return runs


def binary_array(factors: int) -> list[Cell]:
    """An array of `binary_minimum(factors)` runs: one of zeros, and each factor a set of half of the others."""
    runs = binary_minimum(factors)
    sets = combinations(range(runs - 1), -(-runs // 2))
    columns = [set(ones) for ones, _ in zip(sets, range(factors), strict=False)]
    return [(0,) * factors, *(tuple(int(run in ones) for ones in columns) for run in range(runs - 1))]


def lines(q: int) -> list[Cell]:
    """The orthogonal array of q^2 runs and q + 1 factors of q levels. The first q runs are constant but for their last factor."""
    add, times = _field(q)
    return [(*(add(times(slope, x), shift) for slope in range(q)), x) for x in range(q) for shift in range(q)]


def copies(q: int, factors: int) -> list[Cell]:
    """2 q^2 - q runs for up to q (q + 1) factors of q levels: q copies of `lines`, then a factor of `lines` for each copy."""
    wide = -(-factors // q)  # factors a copy, at most q + 1
    rows = lines(q)
    beside = [tuple(row[n % wide] for n in range(factors)) for row in rows]
    return beside + [tuple(row[n // wide] for n in range(factors)) for row in rows[q:]]


def known_arrays(levels: Sequence[int]) -> Iterator[list[Cell]]:
    """Strength-2 arrays for these factors without constraints, from what is known for as many of the most levels."""
    count, most = len(levels), max(levels)
    if most == 2:
        yield binary_array(count)
        return
    for q in (q for q in FIELDS if q >= most):
        if count <= q + 1:
            yield _fitted([row[:count] for row in lines(q)], levels)
            return
        if -(-count // q) <= q + 1:
            yield _fitted(copies(q, count), levels)


def _fitted(rows: Sequence[Cell], levels: Sequence[int]) -> list[Cell]:
    """A level that a factor doesn't have becomes one it has: every pair stays covered."""
    return [tuple(level % has for level, has in zip(row, levels, strict=True)) for row in rows]


def _field(q: int) -> tuple[Callable[[int, int], int], Callable[[int, int], int]]:
    """Addition and multiplication of the field of q elements, written 0 to q - 1."""
    if q not in _POLYNOMIALS:
        return lambda a, b: (a + b) % q, lambda a, b: a * b % q
    p, lower = _POLYNOMIALS[q]
    size = len(lower)

    def digits(n: int) -> list[int]:
        return [n // p**place % p for place in range(size)]

    def number(found: Sequence[int]) -> int:
        return sum(digit * p**place for place, digit in enumerate(found))

    def add(a: int, b: int) -> int:
        return number([(x + y) % p for x, y in zip(digits(a), digits(b), strict=True)])

    def times(a: int, b: int) -> int:
        long = [0] * (2 * size - 1)
        for i, x in enumerate(digits(a)):
            for j, y in enumerate(digits(b)):
                long[i + j] = (long[i + j] + x * y) % p
        for place in range(2 * size - 2, size - 1, -1):
            for n, coefficient in enumerate(lower):
                long[place - size + n] = (long[place - size + n] + long[place] * coefficient) % p
        return number(long[:size])

    return add, times
