"""The sheet as words: everything that decides is there, and no line is wider than a terminal."""

import pytest

from app.__main__ import main
from app.assess.printing import WIDTH
from tests.assess.folders import QUESTION, assess, laps, ratings, write
from tests.assess.test_answers import PREFERRED, THREE, USED


def text_of(capsys, *words):
    capsys.readouterr()
    status = main(["assess", *map(str, words)])
    captured = capsys.readouterr()
    assert captured.err == ""
    return status, captured.out


@pytest.fixture
def whole(tmp_path):
    rows = [*ratings(THREE), ("D1", "S1", 1, "A", "looks", 3), ("D1", "S4", 1, "A", "goal", 3)]
    tables = {"ratings": rows, "laps": laps(THREE), "preferences": PREFERRED, "exposure": USED}
    return write(tmp_path / "whole", **tables)


def flat(text):
    """The text in one line, so that a sentence is found wherever it was wrapped."""
    return " ".join(text.split())


def test_everything_that_decides_is_told(capsys, whole):
    status, text = text_of(capsys, whole)
    assert status == 0
    answer = assess(capsys, whole)[1][0]
    told = flat(text)
    verdict = answer["verdicts"][0]
    assert f"B: {verdict['verdict'].upper()}" in told
    for sentence in (verdict["sentence"], verdict["nearest"], answer["panel"][0]["sentence"][1:], answer["laps"][0]["sentence"]):
        assert sentence in told
    for sentence in [row["sentence"] for key in ("flags", "warnings", "failures") for row in answer[key]]:
        assert flat(sentence) in told
    goal = next(m for m in answer["criteria"] if m["criterion"] == "goal")
    row = next(line for line in text.splitlines() if line.strip().startswith("goal "))
    assert row.split()[1] == f"+{goal['mean']:.2f}"
    assert row.split()[-1] == str(goal["n"])
    assert "s a lap" in told
    assert "2 for, 0 none, 0 against" in told
    assert "looks: 1 mark" in told
    assert "unpaired: 1 run" in told


def test_no_line_is_wider_than_the_page(capsys, tmp_path):
    long = "goal " + "x" * 150
    rows = [(*row[:4], long if row[4] == "goal" else row[4], *row[5:]) for row in ratings(THREE, drivers=("D" * 120, "D2"))]
    folder = write(tmp_path / ("f" * 120), QUESTION.replace('"goal"', f'"{long}"'), ratings=rows)
    for words in ((folder,), (folder, "--after-each-session", "--outlook"), (tmp_path / ("n" * 200),)):
        _, text = text_of(capsys, *words)
        assert max(map(len, text.splitlines())) <= WIDTH == 100


def test_each_prefix_is_a_sheet_and_the_outlook_a_part_of_it(capsys, whole):
    _, text = text_of(capsys, whole, "--after-each-session", "--outlook")
    assert text.count("Method ") == 4
    answers = assess(capsys, whole, "--after-each-session", "--outlook")[1]
    outlooks = [outlook for answer in answers for outlook in answer["outlook"]]
    assert text.count("Next session") == len(outlooks) > 0
    assert all(outlook["sentence"] in flat(text) for outlook in outlooks)
    assert "P(settled)" in text
    assert "\n\n\n" not in text


def test_a_refusal_names_its_place(capsys, tmp_path):
    rows = ratings()
    rows[3] = (*rows[3][:5], "five")
    status, text = text_of(capsys, write(tmp_path / "bad", ratings=rows), tmp_path / "nowhere")
    assert status == 2
    assert "ratings.csv, line 4, column rating: 'five' is not a number." in flat(text)
    assert "There is no such folder." in text
