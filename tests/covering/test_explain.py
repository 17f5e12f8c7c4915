"""What explains the misfits: found by construction, compared with a search written a second time."""

from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from app.covering.explain import explain
from app.covering.space import Space, contains

SPACE = Space((3, 2, 3, 4))
EVERY = list(SPACE.every_cell())
PAIR = ((0, 2), (1, 1))


def test_one_pair_in_every_misfit_is_named():
    """Made so: outer hole with the low mount rubs, nothing else does."""
    found = explain(SPACE, [c for c in EVERY if contains(c, PAIR)], [c for c in EVERY if not contains(c, PAIR)])
    assert found.named == PAIR
    assert found.misfits == 12


def test_a_level_alone_is_named_and_no_pair_with_it():
    found = explain(SPACE, [c for c in EVERY if c[2] == 1], [c for c in EVERY if c[2] != 1])
    assert found.named == ((2, 1),)


def test_three_levels_together_are_named_where_no_pair_will_do():
    triple = ((0, 2), (1, 1), (2, 2))
    found = explain(SPACE, [c for c in EVERY if contains(c, triple)], [c for c in EVERY if not contains(c, triple)])
    assert found.named == triple


def test_with_few_builds_several_are_possible_and_the_next_build_tells_them_apart():
    found = explain(SPACE, [(2, 1, 2, 0)], [(0, 0, 0, 0), (2, 0, 1, 1), (1, 1, 1, 2)])
    assert found.named is None
    assert len(found.minimal) > 1
    assert found.next_build is not None
    assert found.next_build not in [(2, 1, 2, 0), (0, 0, 0, 0), (2, 0, 1, 1), (1, 1, 1, 2)]
    assert 0 < sum(contains(found.next_build, c) for c in found.minimal) < len(found.minimal)


def test_asking_the_next_build_again_and_again_ends_at_the_true_pair():
    rubs, fits = [(2, 1, 2, 0)], [(0, 0, 0, 0)]
    for _ in range(20):
        found = explain(SPACE, rubs, fits)
        if found.named or found.next_build is None:
            break
        (rubs if contains(found.next_build, PAIR) else fits).append(found.next_build)
    assert found.named == PAIR


def test_two_causes_are_not_called_one():
    other = ((2, 0), (3, 3))
    rubs = [c for c in EVERY if contains(c, PAIR) or contains(c, other)]
    found = explain(SPACE, rubs, [c for c in EVERY if c not in rubs])
    assert found.minimal == ()
    assert {c for c, _ in found.part} == {PAIR, other}


def test_what_fits_elsewhere_explains_nothing():
    found = explain(SPACE, [(0, 0, 0, 0), (1, 1, 1, 1)], [])
    assert found.minimal == ()
    assert found.part


@settings(max_examples=200, deadline=None)
@given(st.sets(st.sampled_from(EVERY), min_size=1, max_size=5), st.sets(st.sampled_from(EVERY), max_size=12))
def test_explanations_are_exactly_the_minimal_ones(rubs, fits):
    fits = fits - rubs
    found = explain(SPACE, sorted(rubs), sorted(fits))
    every = [c for size in (1, 2, 3) for c in combinations(tuple((f, n) for f in range(4) for n in range(SPACE.levels[f])), size)
             if len({f for f, _ in c}) == size]  # fmt: skip
    explaining = [c for c in every if all(contains(r, c) for r in rubs) and not any(contains(f, c) for f in fits)]
    minimal = [c for c in explaining if not any(set(d) < set(c) for d in explaining)]
    assert sorted(found.minimal) == sorted(minimal)
