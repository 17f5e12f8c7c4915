"""The season's picture: geometry by hand."""

from datetime import date, timedelta

import pytest

from app.web.season_charts import SeasonRow, season_picture

TODAY = date(2026, 2, 3)


def test_days_stand_in_proportion_and_inside():
    rows = [SeasonRow("Q-01", TODAY + timedelta(50), [(TODAY, "S-04", True), (TODAY + timedelta(25), "Quarry", False)], "late"),
            SeasonRow("Q-02", None, [], "not in sight")]  # fmt: skip
    found = season_picture(rows, TODAY, TODAY + timedelta(100))
    assert found.x_freeze == 346.0
    first, second = found.rows
    assert [dot.x for dot in first.dots] == [14.0, 97.0]  # 14 + 332 * 25 / 100
    assert [dot.booked for dot in first.dots] == [True, False]
    assert first.x_due == 180.0
    assert second.x_due is None
    assert second.y - first.y == 46.0
    assert "Q-01: due 25 Mar 2026; S-04 on 3 Feb, Quarry on 28 Feb, not booked; late" in found.summary
    assert all(14 <= x <= 346 for x, _, _ in found.months)


@pytest.mark.parametrize("days", [1, 20, 50, 400, 1500])
def test_the_axis_keeps_few_words(days):
    found = season_picture([SeasonRow("Q-01", TODAY + timedelta(days), [], "")], TODAY, None)
    assert 1 <= len(found.months) <= 8
    assert found.x_freeze is None


def test_nothing_to_draw_is_refused():
    with pytest.raises(ValueError, match="rows"):
        season_picture([], TODAY, None)
