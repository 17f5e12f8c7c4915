"""Orders and their balance.

Outside sources: the reference cases carry_over_check, least_sequences and incomplete_block_check (Williams 1949, published
designs; see tests/evidence). Here: check value 35 (2 -> 2, 3 -> 6, 4 -> 4, 5 -> 10), and what is said of nearest orders.
"""

from itertools import permutations

import pytest

from app.planning.balance import (
    carry_over,
    imbalance,
    imbalance_words,
    nearest_orders,
    sequences_needed,
    single_square_exists,
    williams,
)


@pytest.mark.parametrize(("n", "needed"), [(2, 2), (3, 6), (4, 4), (5, 10)])
def test_sequences_for_carry_over_balance(n, needed):
    """Check value 35."""
    assert sequences_needed(n) == needed
    assert single_square_exists(n) == (needed == n)


@pytest.mark.parametrize("n", range(2, 13))
def test_a_williams_square_is_balanced_when_counted(n):
    orders = [[f"v{i:02d}" for i in row] for row in williams(n)]
    found = carry_over(orders)
    assert found.latin_rows
    assert found.uniform_on_periods
    assert found.each == (2 if n % 2 and n > 2 else 1)
    assert imbalance(orders).total == 0


def test_three_variants_with_three_drivers_balance_position_only():
    """job.md 2.3.8: with 3 drivers only position is balanced, and it says so."""
    chosen, told = nearest_orders(["t40", "t45", "t50"], 3)
    assert imbalance(chosen).position == 0
    assert told == "3 variants need 6 orders for carry-over balance; with 3 only position is balanced."
    assert nearest_orders(["t40", "t45", "t50"], 6)[1] == ""


def test_nearest_orders_are_nearest_of_all_choices():
    """Against every choice of 3 of the 6 orders of three variants, counted by brute force."""
    every = list(permutations("ABC"))
    best = min(imbalance([a, b, c]).total for a in every for b in every for c in every)
    assert imbalance(nearest_orders("ABC", 3)[0]).total == best


def test_what_was_driven_before_counts():
    late = [("B", "C"), ("B", "C")]
    found = imbalance([*late, ("C", "B")])
    assert found.early_late == {"B": (2, 1), "C": (1, 2)}
    assert found.after == {("B", "C"): 2, ("C", "B"): 1}
    assert imbalance_words(found) == (
        "B: 2 early, 1 late.", "C: 1 early, 2 late.", "C comes 2 times right after B, and 1 times right before it.",
    )  # fmt: skip
    assert imbalance_words(imbalance([*late, ("C", "B"), ("C", "B")])) == ()
