"""Bytes -> a table, or the lines that can't be read."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app import tables
from app.tables import LineError, TableRefused, read_table

HEADER = b"driver,session,run,variant,rating\n"


def refused(content: bytes) -> list[LineError]:
    with pytest.raises(TableRefused) as caught:
        read_table(content)
    return caught.value.errors.lines


def cells(content: bytes) -> list[tuple[str, ...]]:
    return [row.cells for row in read_table(content).rows]


def test_a_plain_table_is_read_with_the_line_of_each_row():
    table = read_table(HEADER + b"AQ,S1,1,t40,7\nMS,S1,2,t45,6.5\n")
    assert table.header == ("driver", "session", "run", "variant", "rating")
    assert [(row.line, row.cells[-1]) for row in table.rows] == [(2, "7"), (3, "6.5")]
    assert table.delimiter == "comma"


@pytest.mark.parametrize(
    "content, name",
    [
        (b"driver,rating\nA;Q,7\n", "comma"),
        (b"driver;rating\nA,Q;7\n", "semicolon"),
        (b"driver\trating\nA;Q\t7\n", "tab"),
    ],
)
def test_the_delimiter_is_seen_from_the_header_line_alone(content, name):
    table = read_table(content)
    assert table.delimiter == name
    assert len(table.rows[0].cells) == 2


def test_a_delimiter_inside_quotes_of_the_header_does_not_count():
    assert read_table(b'"a,b,c,d";rating\nx;7\n').header == ("a,b,c,d", "rating")


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbfdriver,rating\r\nAQ,7\r\n",
        "driver,rating\nAQ,7\n".encode("utf-16"),
        b"driver,rating\rAQ,7\r",
        b"\n\n  \ndriver,rating\n\nAQ,7\n,\n",
        b"driver,rating,,\nAQ,7,,\n",
    ],
)
def test_marks_at_the_front_line_ends_and_blank_lines_make_no_difference(content):
    table = read_table(content)
    assert table.header[:2] == ("driver", "rating")
    assert [row.cells[:2] for row in table.rows] == [("AQ", "7")]


def test_a_quoted_line_end_stays_in_its_cell_and_the_line_is_that_of_the_records_start():
    table = read_table(b'driver,remark\nAQ,"one\ntwo"\nMS,x\n')
    assert [(row.line, row.cells) for row in table.rows] == [(2, ("AQ", "one\ntwo")), (4, ("MS", "x"))]


@pytest.mark.parametrize(
    "content, line, words",
    [
        (b"", 1, "is empty"),
        (b"\n \n;;;\n", 1, "is empty"),
        (HEADER, 1, "no row below"),
        (HEADER + b'AQ,S1,1,"t40,7\nMS,S1,2,t45,6\n', 2, "never closed"),
        (HEADER + b'AQ,S1,1,t40,7\nAQ,S1,2,"t"40,7\n', 3, "after a closing quote"),
        (HEADER + b"AQ,S1,1,t40,7\nAQ,S1,2,t45\n", 3, "has 4 cells, the header line has 5; too few"),
        (HEADER + b"AQ,S1,1,t40,7,5\n", 2, "has 6 cells, the header line has 5; too many"),
        (b"driver,Driver,rating\nAQ,AQ,7\n", 1, "name of two columns"),
        (b"driver,,rating\nAQ,x,7\n", 2, "column without a name"),
        (HEADER + b"AQ,S1,1,t\x0040,7\n", 2, "NUL"),
        (HEADER + b"AQ,S1,1,t40,7\nM\xfcller,S1,2,t45,6\n", 3, "is not UTF-8"),
        ("driver,rating\nAQ,7\n".encode("utf-16")[:-1], 2, "is not valid UTF-16"),
        ("driver,rating\nAQ,7\n".encode("utf-16-le"), 1, "NUL"),
        (b"driver,rating\nAQ," + b"7" * 140_000 + b"\n", 2, "more than 131 072 characters"),
        (b",".join(b"c%d" % n for n in range(101)) + b"\n" + b",".join([b"x"] * 101) + b"\n", 1, "101 columns"),
        (b"a" * 81 + b",rating\nx,7\n", 1, "81 characters"),
    ],
)
def test_what_can_not_be_read_is_refused_with_its_line(content, line, words):
    errors = refused(content)
    assert errors[0].line == line
    assert words in errors[0].reason


def test_every_bad_line_is_listed_up_to_a_limit_and_the_rest_counted():
    with pytest.raises(TableRefused) as caught:
        read_table(b"driver,rating\n" + b"AQ\n" * 250)
    errors = caught.value.errors
    assert (len(errors.lines), errors.more, errors.count) == (200, 50, 250)
    assert caught.value.title == "250 things are wrong in the table"


def test_too_many_rows_and_too_many_bytes_are_refused(monkeypatch):
    assert "200 000 rows" in refused(b"a,b\n" + b"1,2\n" * 200_001)[0].reason
    monkeypatch.setattr(tables, "MOST_BYTES", 20)
    assert "at most 20 are read" in refused(HEADER + b"AQ,S1,1,t40,7\n")[0].reason


def test_a_shown_value_is_short_and_without_invisible_characters():
    error = refused("driver,rating,\nAQ,7,‮evil‬".encode() + b"x" * 100 + b"\n")[0]
    assert "‮" not in error.value
    assert len(error.value) <= 60


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.binary(max_size=400), st.text(alphabet='a1,;\t"\n\r é\x00', max_size=200).map(str.encode)))
def test_whatever_bytes_come_they_are_read_or_refused_with_a_line(content):
    try:
        table, errors = read_table(content), []
    except TableRefused as refusal:
        table, errors = None, refusal.errors.lines
    if table is None:
        assert errors
        assert all(error.line >= 1 and error.reason and error.column for error in errors)
    else:
        assert table.rows
        assert all(len(row.cells) == len(table.header) for row in table.rows)


cell_texts = st.text(alphabet=st.characters(blacklist_categories=("Cs", "Cc")), max_size=12).map(str.strip)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(cell_texts, min_size=3, max_size=3), min_size=1, max_size=8), st.sampled_from(",;\t"))
def test_what_a_spreadsheet_writes_is_read_back_cell_for_cell(rows, delimiter):
    import csv
    import io

    rows = [row for row in rows if any(row)]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerows([["one", "two", "three"], *rows])
    content = out.getvalue().encode()
    if rows:
        assert cells(content) == [tuple(row) for row in rows]
