"""Covering arrays: valid always, as small as is known where it is known, the same on every machine."""

import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.covering.check import bound_of, check_array, uncovered
from app.covering.constructions import binary_array, binary_minimum, copies, lines, most_binary_factors
from app.covering.propose import propose
from app.covering.space import Space, combinations_in, matches, tried

# Least runs at strength 2. Binary: Kleitman & Spencer 1973, Katona 1973. 3^5 to 3^9, 4^6: the published tables of covering array
# numbers, from memory; 3^4 and 4^5 are orthogonal arrays; mixed: the product of the two largest numbers of levels is a lower
# bound, so a valid array of that size is least.
KNOWN = {
    (3, 2, 3, 4): 12, (2, 2, 3, 3, 4): 12, (3, 3, 2, 2, 2): 9, (6, 5, 4): 30, (6, 4, 3, 2): 24, (5, 3, 3, 3, 3, 2, 2, 2): 15,
    (3,) * 4: 9, (4,) * 5: 16, (3,) * 5: 11, (3,) * 6: 12, (3,) * 7: 12, (3,) * 8: 13, (3,) * 9: 13, (4,) * 6: 19, (2,) * 4: 5,
}  # fmt: skip
KNOWN_TRIPLES = {(2,) * 4: 8, (2,) * 5: 10, (2,) * 11: 12, (3,) * 4: 27, (3,) * 6: 33, (3, 2, 3, 4): 36}  # the same tables, from memory


@pytest.mark.parametrize("factors", range(2, 36))
def test_binary_grids_take_exactly_the_known_minimum(factors):
    """Kleitman & Spencer (1973), Katona (1973): exact. Asked for is at most 1.15 times that."""
    array = binary_array(factors)
    check = check_array(array, (2,) * factors)
    assert check.covering
    assert check.runs == binary_minimum(factors)
    found = propose(Space((2,) * factors))
    assert len(found.builds) == binary_minimum(factors) == found.floor
    assert uncovered(Space((2,) * factors), found.builds, 2) == []


def test_the_most_factors_of_each_number_of_runs():
    """C(N-1, ceil(N/2)): 3, 4, 10, 15, 35, 56, 126 (reference case G-ca-binary-min)."""
    assert [most_binary_factors(runs) for runs in range(4, 11)] == [3, 4, 10, 15, 35, 56, 126]


@pytest.mark.parametrize("q", [2, 3, 4, 5, 7, 8, 9])
def test_lines_over_a_field_are_orthogonal_and_their_copies_cover(q):
    """Counted: index one orthogonal array of q^2 runs; copies of 2 q^2 - q runs."""
    check = check_array(lines(q), (q,) * (q + 1))
    assert check.orthogonal
    assert check.runs == check.lower_bound == q * q
    wide = check_array(copies(q, q * (q + 1)), (q,) * (q * (q + 1)))
    assert wide.covering
    assert wide.runs == 2 * q * q - q


@pytest.mark.parametrize(("levels", "known"), KNOWN.items())
def test_small_grids_take_the_known_minimum(levels, known):
    found = propose(Space(levels))
    assert uncovered(Space(levels), found.builds, 2) == []
    assert len(found.builds) == known


@pytest.mark.parametrize(("levels", "known"), KNOWN_TRIPLES.items())
def test_small_grids_of_triples_take_the_known_minimum(levels, known):
    found = propose(Space(levels), 3)
    assert uncovered(Space(levels), found.builds, 3) == []
    assert len(found.builds) == known


def test_ten_options_of_four_levels_take_at_most_28_builds_within_two_seconds():
    """Goal of our own: valid, at most 28 builds, 2 s of CPU."""
    began = time.process_time()
    found = propose(Space((4,) * 10))
    took = time.process_time() - began
    print(f"\n{len(found.builds)} builds, {took:.2f} s")
    assert uncovered(Space((4,) * 10), found.builds, 2) == []
    assert len(found.builds) <= 28
    assert took <= 2.0


def test_72_cells_need_twelve_builds():
    """Check value 36: the full grid is 72, the pairwise floor 4 x 3 = 12."""
    space = Space((3, 2, 3, 4))
    assert space.cells == 72
    assert bound_of(space.combinations(2)) == 12
    found = propose(space)
    assert len(found.builds) == 12
    assert found.least


def test_the_builds_that_try_the_most_come_first():
    builds = propose(Space((3, 2, 3, 4))).builds
    seen, gains = set(), []
    for cell in builds:
        gains.append(len(set(combinations_in(cell, 2)) - seen))
        seen.update(combinations_in(cell, 2))
    assert gains == sorted(gains, reverse=True)
    assert gains[0] == 6


# --- any grid, any rules, anything proven already
@st.composite
def spaces(draw):
    levels = tuple(draw(st.lists(st.integers(2, 4), min_size=2, max_size=5)))
    factors = range(len(levels))

    def pattern():
        chosen = draw(st.lists(st.sampled_from(factors), min_size=1, max_size=3, unique=True))
        return tuple((f, frozenset(draw(st.sets(st.integers(0, levels[f] - 1), min_size=1)))) for f in sorted(chosen))

    forbidden = tuple(pattern() for _ in range(draw(st.integers(0, 4))))
    required = tuple(pattern() for _ in range(draw(st.integers(0, 2))))
    return Space(levels, forbidden, required)


@settings(max_examples=150, deadline=None)
@given(spaces(), st.integers(2, 3), st.data())
def test_every_required_combination_is_proven_or_proposed_and_nothing_forbidden_is(space, strength, data):
    every = list(space.every_cell())
    done = data.draw(st.lists(st.sampled_from(every), max_size=6))
    found = propose(space, strength, done, work=60_000)
    wanted = {c for cell in every if space.wants(cell) for c in combinations_in(cell, strength)}  # by listing, not by the search
    assert wanted <= tried([*found.builds, *done], strength)
    for cell in found.builds:
        assert not any(matches(cell, pattern) for pattern in space.forbidden)
        assert not space.required or any(matches(cell, pattern) for pattern in space.required)
    assert set(space.combinations(strength)) == wanted
    assert found.floor <= len(found.builds)
    assert propose(space, strength, done, work=60_000) == found


@settings(max_examples=60, deadline=None)
@given(spaces(), st.data())
def test_no_build_is_proposed_that_tries_nothing_new(space, data):
    found = propose(space, 2, work=60_000)
    seen = set()
    for cell in found.builds:
        assert not set(combinations_in(cell, 2)) <= seen
        seen.update(combinations_in(cell, 2))
