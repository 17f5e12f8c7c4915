"""Generated files: 1 000 in every layout come back lap by lap, 1 000 spoiled ones are taken or refused line by line.

`python -m tests.campaigns lap_files` does the same with 10 000. Shares and limits are ours; no standard is known for such files.
"""

import pytest
from hypothesis import HealthCheck, given, settings

from app.tables import TableRefused
from app.timing.columns import propose_roles
from app.timing.laps import read_laps
from app.timing.rules import MOST_CHARACTERS, MOST_LAPS, Role
from app.timing.table import read_file
from tests.timing.layouts import ANYTHING, WRITTEN, check_never_crashes, check_round_trip, spoiled

EASY = settings(deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)


@settings(EASY, max_examples=1000)
@given(WRITTEN)
def test_every_layout_comes_back_lap_by_lap(written):
    check_round_trip(written)


@settings(EASY, max_examples=700)
@given(spoiled())
def test_a_spoiled_file_is_taken_or_refused_line_by_line(text):
    check_never_crashes(text)


@settings(EASY, max_examples=300)
@given(ANYTHING)
def test_any_text_is_taken_or_refused_line_by_line(text):
    check_never_crashes(text)


def refused(text, roles=(), **look):
    """(line, column, value, reason) of everything that is wrong."""
    def read():
        table = read_file(text, **look)
        return read_laps(table, roles or propose_roles(table))

    with pytest.raises(TableRefused) as said:
        read()
    return [(e.line, e.column, e.value, e.reason) for e in said.value.errors.lines]


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("", 1, "whole file", "is empty"),
        ("Lap;Time\n", 1, "whole file", "no lap below it"),
        ("Lap;Time\n1;22,4\n2;abc\n3;22,5", 3, "Time", "is no lap time; write it like 22,41"),
        ("Lap;Time\n1;22,4\n2;22.5\n3;22,5\n", 3, "Time", "has a decimal point, the rest of the file a comma"),
        ("Lap;Time\nx;22,4\n2;22,5\n3;22,5\n", 2, "Lap", "is no lap number"),
        ("Lap;Time\n1;22,4\n2;22,5;9\n3;22,5\n", 3, "whole row", "is one cell too many"),
        ('Lap;Time\n1;22,4\n2;"22,5\n3;22,5\n', 3, "whole row", "a quote"),
        ("Lap;Time\n1;22,4\n2;1:75,2\n3;22,5\n", 3, "Time", "more than 59"),
        ("Lap;Time\n1;22,4\n2;2:00:01,0\n3;22,5\n", 3, "Time", "longer than an hour"),
        ("Transponder;Time\n4410;22,4\n;22,5\n4410;22,5\n4410;22,6\n", 3, "Transponder", "is empty"),
        ("Passing;Lap time\n10:00:22;22,1\n10:00;22,2\n10:01:30;22,3\n", 3, "Passing", "no clock to the second"),
        ("Passing;Lap time\n10:00:22;22,1\n10:00:22;22,2\n10:01:30;22,3\n", 3, "Passing", "is the moment of line 2 too"),
        ("Passing;Lap time\n2026-13-01 10:00:22;22,1\n2026-01-01 10:00:50;22,2\n2026-01-01 10:01:20;22,2", 2, "Passing", "in no calendar"),
        ("Lap;Time\n1;22,4\x00\n", 2, "whole file", "NUL"),
    ],
)  # fmt: skip
def test_what_can_t_be_taken_is_said_with_line_column_and_the_way_out(text, line, column, words):
    found = refused(text)
    assert any((at, where) == (line, column) and words in reason for at, where, _, reason in found), found


def test_columns_that_make_no_laps_are_refused_by_name():
    text = "a;b;c\n1;22,4;22,5\n2;22,6;22,7\n"
    assert refused(text, (Role.TIME, Role.TIME, Role.IGNORE))[0][1:] == (
        "b", "", "is a second column of “lap time”; choose “not read” for one of them")  # fmt: skip
    assert "is in no column" in refused(text, (Role.LAP, Role.IGNORE, Role.IGNORE))[0][3]
    assert "column of its own" in refused(text, (Role.WHO, Role.CAR, Role.CAR))[0][3]
    assert "is a second clock" in refused(text, (Role.CLOCK, Role.START, Role.TIME))[0][3]


def test_a_file_of_100_000_laps_is_refused_at_once_with_the_limits():
    """MOST_CHARACTERS and MOST_LAPS are our own limits: a hall day of ten cars has fewer than 15 000 laps."""
    found = refused("lap;time\n" + "".join(f"{n};22,41\n" for n in range(100_000)))
    assert found[0][:2] == (MOST_CHARACTERS // 12 + found[0][0] - MOST_CHARACTERS // 12, "whole file")
    assert "at most 900 000 are read at once, about 30 000 laps; split it by half day or by car" in found[0][3]
    found = refused("22,41\n" * (MOST_LAPS + 7))
    assert found[0][0] == MOST_LAPS + 1
    assert f"at most {MOST_LAPS} are read at once" in found[0][3]


def test_the_largest_file_that_is_taken_is_read_in_seconds():
    """Our own budget: 5 s on the two cores that the tests run on."""
    import time

    text = "lap;transponder;time\n" + "".join(f"{n};{4410 + n % 9};22,{n % 90 + 10}\n" for n in range(1, MOST_LAPS + 1))
    began = time.perf_counter()
    table = read_file(text)
    assert len(read_laps(table, propose_roles(table)).laps) == MOST_LAPS
    assert time.perf_counter() - began < 5


def test_passings_alone_make_laps_and_a_pause_makes_none():
    """Laps are the time between two passings; more than three times the usual one is a pause (our own limit)."""
    text = "4410 10:00:00.0\n4410 10:00:22.4\n4410 10:00:44.5\n4410 10:12:00.0\n4410 10:12:22.2\n"
    table = read_file(text)
    assert propose_roles(table) == (Role.WHO, Role.CLOCK)
    assert [lap.time_ms for lap in read_laps(table, propose_roles(table)).laps] == [22_400, 22_100, 22_200]


def test_a_clock_goes_past_midnight_and_the_newest_line_may_stand_first():
    text = "Passing;Lap time\n00:00:12,0;22,1\n23:59:49,9;22,3\n23:59:27,6;22,2\n"
    laps = read_laps(read_file(text), (Role.CLOCK, Role.TIME)).laps
    assert [lap.time_ms for lap in laps] == [22_200, 22_300, 22_100]
    assert laps[-1].end_ms == 24 * 3_600_000 + 12_000


def test_a_title_above_the_table_is_shown_and_not_read():
    for title in ("Quarry timing room\n", "Quarry timing room;;;\n", "Heat 3\n\nQuarry;3 Feb\n"):
        table = read_file(title + "Lap;Car;Passing;Lap time\n" + "".join(f"{n};blue car;10:0{n}:22;22,{n}1\n" for n in range(1, 6)))
        assert table.names == ("Lap", "Car", "Passing", "Lap time")
        assert table.above[0].line == 1
        assert len(table.rows) == 5
