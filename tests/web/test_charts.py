"""Pictures: words in them never run into each other. Source: the letters' width at the drawn size, from memory."""

from itertools import pairwise

import pytest

from app.web.charts import MarkPoint, mark_strip


def day(runs, every_third_is_test=True, variant="d0"):
    return [
        MarkPoint(f"R-{n + 1:02d}", 12.0 * n, 6.0, is_control=not (every_third_is_test and n % 3 == 1), variant=variant)
        for n in range(runs)
    ]


@pytest.mark.parametrize("runs", [1, 5, 9, 14, 30])
def test_names_below_a_strip_never_touch_and_tests_have_room_first(runs):
    (strip,) = mark_strip([("AQ", day(runs))], 1, 10).strips
    named = sorted(mark.x for mark in strip.marks if mark.named)
    width = 7.0 * len("R-01")
    assert all(b - a >= width for a, b in pairwise(named))
    assert len(strip.marks) == runs
    if runs <= 9:
        assert len(named) == runs
    tests = [mark for mark in strip.marks if not mark.is_control]
    if runs in (5, 9, 14):
        assert all(mark.named for mark in tests)


def test_a_long_code_takes_the_room_it_needs():
    (strip,) = mark_strip([("AQ", day(9, variant="thick-one"))], 1, 10).strips
    named = sorted(mark.x for mark in strip.marks if mark.named)
    assert 1 < len(named) < 9
    assert all(b - a >= 7.0 * len("thick-one") for a, b in pairwise(named))
