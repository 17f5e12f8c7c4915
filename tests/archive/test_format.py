"""How values stand in an archive's tables."""

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.archive.cells import Column, Kind, decode, encode
from app.archive.format import BadArchive, read_rows, write_rows

texts = st.text(alphabet=st.characters(blacklist_categories=("Cs",), blacklist_characters="\x00"), max_size=20)
json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**15), 10**15)
    | st.floats(allow_nan=False, allow_infinity=False)
    | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)
COLUMNS = (
    Column("id", Kind.WHOLE, False),
    Column("large", Kind.LARGE, True),
    Column("figure", Kind.DECIMAL, True),
    Column("yes", Kind.BOOLEAN, True),
    Column("day", Kind.DAY, True),
    Column("at", Kind.MOMENT, True),
    Column("words", Kind.TEXT, True),
    Column("detail", Kind.JSON, False),
)
rows = st.tuples(
    st.integers(-(2**31), 2**31 - 1),
    st.none() | st.integers(-(2**63), 2**63 - 1),
    st.none() | st.floats(allow_nan=False, allow_infinity=False),
    st.none() | st.booleans(),
    st.none() | st.dates(min_value=date(1000, 1, 1)),
    st.none() | st.datetimes(min_value=datetime(1000, 1, 1), timezones=st.just(UTC)),
    st.none() | texts,
    json_values,
)


@given(st.lists(rows, max_size=6))
def test_whatever_is_written_reads_back_the_same(given_rows):
    content = b"".join(write_rows(COLUMNS, given_rows))
    found = [tuple(values.values()) for _, values in read_rows("things", COLUMNS, content)]
    assert found == given_rows


@pytest.mark.parametrize(
    "text, cell",
    [
        ("", ""),
        ("plain", "plain"),
        ("\\N", "\\\\N"),
        ("=1", "'=1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@a", "'@a"),
        ("'x", "''x"),
        (None, "\\N"),
    ],
)
def test_texts_that_a_spreadsheet_would_run_are_guarded_and_nothing_is_told_from_empty(text, cell):
    assert encode(text, Kind.TEXT) == cell
    assert decode(cell, Column("words", Kind.TEXT, True)) == text


def test_a_negative_number_is_not_guarded_since_only_text_is():
    assert encode(-5, Kind.WHOLE) == "-5"


def test_moments_are_written_in_utc_whatever_their_zone():
    berlin = timezone(timedelta(hours=1))
    assert encode(datetime(2026, 2, 3, 10, 24, tzinfo=berlin), Kind.MOMENT) == "2026-02-03T09:24:00.000000Z"


@pytest.mark.parametrize(
    "kind, cell",
    [
        (Kind.WHOLE, "x"),
        (Kind.WHOLE, "1.5"),
        (Kind.WHOLE, "1_0"),
        (Kind.WHOLE, "٣"),
        (Kind.WHOLE, ""),
        (Kind.WHOLE, "2147483648"),
        (Kind.LARGE, "9" * 30),
        (Kind.DECIMAL, "nan"),
        (Kind.DECIMAL, "inf"),
        (Kind.DECIMAL, "1e999"),
        (Kind.DECIMAL, "1,5"),
        (Kind.BOOLEAN, "True"),
        (Kind.BOOLEAN, "1"),
        (Kind.DAY, "2026-02-30"),
        (Kind.DAY, "3.2.2026"),
        (Kind.MOMENT, "2026-02-03"),
        (Kind.MOMENT, "2026-02-03T25:00:00.000000Z"),
        (Kind.MOMENT, "2026-02-03T09:24:00.000000+00:00"),
        (Kind.JSON, "{"),
        (Kind.JSON, "NaN"),
        (Kind.JSON, '"\\u0000"'),
        (Kind.JSON, '"\\ud800"'),
        (Kind.JSON, "[" * 100_000),
        (Kind.TEXT, "x" * 11),
        (Kind.TEXT, "\x00"),
        (Kind.WHOLE, "\\N"),
    ],
)
def test_a_cell_that_is_none_of_its_kind_is_refused(kind, cell):
    with pytest.raises(ValueError, match=r"(is|has) "):
        decode(cell, Column("thing", kind, False, longest=10))


def test_a_backslash_u_in_a_text_is_no_nul():
    written = encode({"a": "\\u0000"}, Kind.JSON)
    assert decode(written, Column("detail", Kind.JSON, False)) == {"a": "\\u0000"}


@pytest.mark.parametrize(
    "content, words",
    [
        (b"", "has no header line"),
        (b"id\r\n1\r\n", "has no column large"),
        (b"\xff\xfe", "is not UTF-8"),
        (b"id,large,figure,yes,day,at,words,detail,more\r\n", "a column “more” that is not known"),
        (b"large,id,figure,yes,day,at,words,detail\r\n", "its columns in another order"),
        (b"id,large,figure,yes,day,at,words,detail\r\n1\r\n", "line 2: it has 1 cells, not 8"),
        (
            b"id,large,figure,yes,day,at,words,detail\r\nx,\\N,\\N,\\N,\\N,\\N,,{}\r\n",
            "Table things, line 2, column id: “x” is not a whole number",
        ),
        (
            b'id,large,figure,yes,day,at,words,detail\r\n1,\\N,\\N,\\N,\\N,\\N,"a\nb",{}\r\n2,"',
            "line 4: it can't be read as cells",
        ),
    ],
)
def test_a_table_that_can_not_be_read_is_refused_with_its_line(content, words):
    with pytest.raises(BadArchive, match="Table things") as caught:
        list(read_rows("things", COLUMNS, content))
    assert words in caught.value.title
