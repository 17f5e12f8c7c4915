"""Reading cells: what a spreadsheet or an editor writes is read, what makes no sense names its place."""

import pytest

from app.assess.folder import read_folder
from app.assess.tables import naturally, read_table
from app.evidence.description import natural_order
from tests.assess.folders import RATINGS, error_of, laps, ratings, write


def rewritten(folder, text, name="ratings.csv"):
    (folder / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    return folder


def as_text(rows, end="\n"):
    return end.join(",".join(map(str, row)) for row in rows) + end


@pytest.fixture
def plain(tmp_path):
    return write(tmp_path / "plain", ratings=ratings())


@pytest.mark.parametrize("dressed", [
    lambda text: "\ufeff" + text,
    lambda text: text.replace("\n", "\r\n"),
    lambda text: text.replace("\n", "\r"),
    lambda text: text.replace("\n", "\n\n"),
    lambda text: text.replace("\n", "\n , ,\n"),
    lambda text: text.replace("D1", '"D1"').replace("goal", '"goal"'),
    lambda text: text.replace(",A,", ", A ,"),
    lambda text: text.rstrip("\n"),
], ids=["BOM", "CRLF", "CR", "blank lines", "lines of commas", "quotes", "spaces", "no last line break"])  # fmt: skip
def test_the_same_table_in_another_dress_is_the_same_evidence(plain, tmp_path, dressed):
    other = rewritten(write(tmp_path / "other"), dressed(as_text(ratings())))
    assert read_folder(str(other)).evidence() == read_folder(str(plain)).evidence()


def test_the_order_of_columns_and_columns_of_ones_own_change_nothing(plain, tmp_path):
    rows = [(row[5], "note", *row[:5], "x") for row in ratings()]
    rows[0] = ("rating", "weather", *RATINGS[:5], "weather")
    other = write(tmp_path / "other", ratings=rows)
    assert read_folder(str(other)).evidence() == read_folder(str(plain)).evidence()


def test_a_comma_and_a_line_break_in_a_quoted_cell_belong_to_it(tmp_path, capsys):
    text = as_text(ratings()).replace("D1", '"Doe,\nJ"')
    folder = rewritten(write(tmp_path), text)
    assert {mark.driver for mark in read_folder(str(folder)).evidence().marks} == {"Doe,\nJ", "D2"}
    broken = text.replace("S2,1,A,goal,5", "S2,1,A,goal,five")  # 16 marks of two lines each for D1, then D2's
    lines = broken.split("five")[0].count("\n")
    assert error_of(capsys, rewritten(folder, broken))[:3] == ("ratings.csv", lines, "rating")


BAD_CELLS = {
    "five": "not a number", "": "blank", "nan": "not a number", "inf": "not a number", "1e999": "out of reach",
    "5;5": "not a number", "0x5": "not a number", "1_0": "not a number", "٥": "not a number", "9" * 5000: "out of reach",
    "x" * 200_000: "CSV",
}  # fmt: skip


@pytest.mark.parametrize("cell", BAD_CELLS, ids=lambda cell: cell[:6] or "blank")
def test_a_cell_that_is_no_mark_is_refused_at_its_place(tmp_path, capsys, cell):
    rows = ratings()
    rows[6] = (*rows[6][:5], cell)
    file, line, column, reason = error_of(capsys, write(tmp_path, ratings=rows))
    assert (file, line) == ("ratings.csv", 7)
    assert BAD_CELLS[cell] in reason
    assert column == (None if BAD_CELLS[cell] == "CSV" else "rating")
    assert len(reason) < 200


def test_a_decimal_comma_is_told_apart(tmp_path, capsys):
    rows = ratings()
    rows[3] = (*rows[3][:5], '"5,5"')
    assert "after a point" in error_of(capsys, write(tmp_path, ratings=rows))[3]


@pytest.mark.parametrize("column", RATINGS)
def test_a_missing_column_is_refused_in_the_header(tmp_path, capsys, column):
    place = RATINGS.index(column)
    rows = [(*row[:place], *row[place + 1 :]) for row in ratings()]
    file, line, named, reason = error_of(capsys, write(tmp_path, ratings=rows))
    assert (file, line, named) == ("ratings.csv", 1, column)
    assert "missing" in reason


@pytest.mark.parametrize("column", RATINGS[:5])
def test_a_blank_cell_is_refused(tmp_path, capsys, column):
    rows = ratings()
    place = RATINGS.index(column)
    rows[4] = (*rows[4][:place], "", *rows[4][place + 1 :])
    assert error_of(capsys, write(tmp_path, ratings=rows))[:3] == ("ratings.csv", 5, column)


@pytest.mark.parametrize(("content", "line", "word"), [
    (b"", 1, "empty"),
    (b"driver;session;run;variant;attribute;rating\n", 1, "commas"),
    (b"driver,session,run,variant,attribute,rating\nD\xe9,S1,1,A,goal,5\n", 2, "UTF-8"),
    ("driver,session\n".encode("utf-16"), 1, "UTF-8"),
    (b"driver,session,run,variant,attribute,rating\nD1,S1,1,A,goal,5\0\n", 2, "null"),
    (b'driver,session,run,variant,attribute,rating\nD1,S1,1,A,goal,5\n"D1,S1,1,A,must,5\n', 3, "CSV"),
    (b"driver,session,run,variant,attribute,rating\nDoe, J,S1,1,A,goal,5\n", 2, "more cells"),
    (b"driver,driver,session,run,variant,attribute,rating\n", 1, "twice"),
], ids=["empty", "semicolons", "latin-1", "utf-16", "null byte", "open quote", "a cell too many", "column twice"])  # fmt: skip
def test_a_file_that_is_no_table_is_refused(tmp_path, capsys, content, line, word):
    file, at, _, reason = error_of(capsys, rewritten(write(tmp_path), content))
    assert (file, at) == ("ratings.csv", line)
    assert word in reason


@pytest.mark.parametrize(("column", "cell"), [
    ("lap_time_s", "0"), ("lap_time_s", "-20"), ("lap_time_s", "1e12"), ("lap_time_s", "nan"), ("clock_s", "-1"),
    ("clock_s", "1e9"), ("clock_s", ""), ("lap", "0"), ("lap", "1.5"), ("lap", "9" * 6000), ("variant", ""),
])  # fmt: skip
def test_a_negative_or_absurd_time_is_refused(tmp_path, capsys, column, cell):
    rows = laps()
    place = rows[0].index(column)
    rows[8] = (*rows[8][:place], cell, *rows[8][place + 1 :])
    assert error_of(capsys, write(tmp_path, ratings=ratings(), laps=rows))[:3] == ("laps.csv", 9, column)


@pytest.mark.parametrize("cell", ["-1", "1e6", "soon"])
def test_a_clock_out_of_the_day_is_refused(tmp_path, capsys, cell):
    rows = [(*row, "" if i else "clock_min") for i, row in enumerate(ratings())]
    rows[2] = (*rows[2][:6], cell)
    assert error_of(capsys, write(tmp_path, ratings=rows))[:3] == ("ratings.csv", 3, "clock_min")


def test_a_file_that_is_a_directory_is_refused(tmp_path, capsys):
    (write(tmp_path) / "ratings.csv").mkdir()
    assert error_of(capsys, tmp_path)[:2] == ("ratings.csv", None)


def test_names_sort_as_the_engine_sorts_them():
    names = ["S10", "S2", "S1", "warm up", "S2b", "a1b10", "a1b9", "10", "9"]
    assert naturally(names) == natural_order(names)
    assert naturally(names)[2:6] == ("S1", "S2", "S2b", "S10")


def test_names_that_look_like_numbers_without_end_sort_too():
    assert naturally(["nan", "inf", "9" * 5000, "7", "²"]) == ("7", "9" * 5000, "inf", "nan", "²")


def test_a_table_that_is_not_there_is_none(tmp_path):
    assert read_table(tmp_path, "laps.csv", ("driver",)) is None
