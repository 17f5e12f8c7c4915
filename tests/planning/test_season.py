"""The season's hours. Sources: dates by hand; the choice of blocks against every subset, counted by brute force."""

from datetime import date, timedelta
from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from app.planning.season import Block, Due, booked_season, cheapest_season, due_day, latest_ruling

DAY = date(2026, 3, 1)


def test_latest_ruling_date():
    """Freeze 30 Jun, tool 70 days, two corrections of 14 days: 98 days before, 24 Mar. Counted on a calendar."""
    assert latest_ruling(date(2026, 6, 30), 70, 2, 14) == date(2026, 3, 24)
    assert due_day(date(2026, 4, 1), date(2026, 3, 24)) == date(2026, 3, 24)
    assert due_day(None, None) is None


def test_what_the_booked_hours_settle():
    blocks = [Block("S-04", DAY, 150), Block("S-05", DAY + timedelta(7), 150), Block("S-06", DAY + timedelta(30), 150)]
    asked = [Due("Q-01", 2, 60, DAY + timedelta(10)), Due("Q-02", 2, 100, DAY + timedelta(10)), Due("Q-03", None, 60, None)]
    found = booked_season(asked, blocks, DAY)
    assert found.sessions["Q-01"] == ("S-04", "S-05")
    assert found.late == {"Q-02": 2}, "60 + 100 min don't fit into 150"
    assert "Q-03" not in found.sessions


def test_the_cheapest_hours_that_would():
    blocks = [Block("S-04", DAY, 150), Block("dear", DAY + timedelta(7), 150, False, 500.0),
              Block("cheap", DAY + timedelta(8), 150, False, 300.0), Block("late", DAY + timedelta(60), 150, False, 10.0)]  # fmt: skip
    found = cheapest_season([Due("Q-01", 2, 60, DAY + timedelta(10))], blocks, DAY)
    assert (found.bought, found.price, found.late) == (("cheap",), 300.0, {})


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 2), st.sampled_from([50.0, 80.0]), st.integers(5, 40)), min_size=1, max_size=3),
    st.lists(st.tuples(st.integers(0, 40), st.sampled_from([60.0, 150.0]), st.sampled_from([0.0, 100.0, 250.0])), min_size=1, max_size=5),
)
def test_no_cheaper_choice_settles_as_much(asked, offered):
    due = [Due(f"Q-{k}", n, minutes, DAY + timedelta(days)) for k, (n, minutes, days) in enumerate(asked)]
    blocks = [Block(f"B{k}", DAY + timedelta(days), minutes, not price, price) for k, (days, minutes, price) in enumerate(offered)]
    found = cheapest_season(due, blocks, DAY)
    settled = {q.question for q in due} - set(found.late)
    most, least = 0, 0.0
    for size in range(len(blocks) + 1):
        for some in combinations([b for b in blocks if not b.booked], size):
            there = [b for b in blocks if b.booked or b in some]
            n, price = _most_settled(due, there), sum(b.price for b in some)
            if n > most or (n == most and price < least):
                most, least = n, price
    assert (len(settled), found.price) == (most, least)


def _most_settled(due: list[Due], blocks: list[Block]) -> int:
    """Largest number of questions that all get their sessions, over every way to hand them out."""

    def can(questions: tuple[Due, ...], left: dict[str, float]) -> bool:
        if not questions:
            return True
        first, *rest = questions
        fitting = [b.name for b in blocks if first.due is not None and b.on <= first.due and left[b.name] >= first.minutes]
        return any(can(tuple(rest), {n: m - first.minutes * (n in some) for n, m in left.items()})
                   for some in combinations(fitting, first.sessions or 0))  # fmt: skip

    whole = {b.name: b.minutes for b in blocks}
    return max(k for k in range(len(due) + 1) for some in combinations(due, k) if can(some, whole))
