"""The sheet as words: everything that decides is there, and no line is wider than a terminal."""

import pytest

from app.__main__ import main
from app.assess.printing import SHOWN_CANDIDATES, WIDTH
from tests.assess.folders import PACE, QUESTION, assess, laps, ratings, write
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


def plans_in(text):
    return [line.strip() for line in text.splitlines() if "runs each: P(settled)" in line]


def test_only_sessions_worth_a_look_are_shown(capsys, tmp_path):
    """Fewer runs each line, since none that costs as much as another and promises no more is worth a look."""
    folder = write(tmp_path / "equal", ratings=ratings(THREE, marks={"A": 6, "B": 6}))
    plans = plans_in(text_of(capsys, folder, "--outlook")[1])
    candidates = assess(capsys, folder, "--outlook")[1][0]["outlook"][0]["candidates"]
    assert len(candidates) == 12
    assert 0 < len(plans) <= SHOWN_CANDIDATES == 3
    assert not [plan for plan in plans if "less than" in plan]
    best = candidates[0]
    who = " and ".join(best["drivers"])
    assert plans[0].startswith(f"{who}, {best['runs_each']} runs each: P(settled) .{int(100 * best['p_settle'])} (")
    chances = [float(plan.split("P(settled) ")[1].split(" ")[0]) for plan in plans]
    assert chances == sorted(set(chances), reverse=True)


def test_sessions_that_settle_next_to_nothing_are_one_sentence(capsys, tmp_path):
    folder = write(tmp_path / "early", ratings=ratings(("S1",), ("D1",)))
    _, text = text_of(capsys, folder, "--outlook")
    candidates = assess(capsys, folder, "--outlook")[1][0]["outlook"][0]["candidates"]
    assert candidates
    assert max(plan["p_settle"] for plan in candidates) < 0.01
    assert plans_in(text) == []
    assert "4 ways to drive it looked at, up to 8 runs: each settles it with a chance of less than .01." in flat(text)


def test_what_a_next_session_settles_is_said_once(capsys, tmp_path):
    folder = write(tmp_path, ratings=ratings(THREE, marks={"A": 6, "B": 6}))
    sentence = assess(capsys, folder, "--outlook")[1][0]["outlook"][0]["sentence"]
    assert flat(text_of(capsys, folder, "--outlook")[1]).count(sentence) == 1


def test_spoiled_laps_are_told_without_the_lap_times_again(capsys, tmp_path):
    rows = laps(THREE)
    flags = [("driver", "session", "run", "lap", "flag"), *[(*row[:3], row[4], "hit") for row in rows[1:] if row[3] == "B" and row[4] <= 3]]
    text = flat(text_of(capsys, write(tmp_path, PACE, laps=rows, lap_flags=flags))[1])
    assert "Look out - 50 % of B's laps were spoiled (flagged or far off) against 0 % of A's: look at why" in text
    assert text.count("of a 5-minute race") == 1


def test_a_scale_with_an_ideal_is_read_without_a_double_negative(capsys, tmp_path):
    question = 'control = "A"\ngoal = [{ attribute = "balance" }]\n[scale]\nlowest = -5\nhighest = 5\nkind = "ideal_zero"\n'
    folder = write(tmp_path, question, ratings=ratings(THREE, attributes=("balance",), marks={"A": 1, "B": -3}))
    text = flat(text_of(capsys, folder)[1])
    assert "marks farther from ideal" in text
    assert "marks, + is nearer" in text
    assert "marks nearer ideal" not in text
    assert {measure["unit"] for measure in assess(capsys, folder)[1][0]["criteria"]} == {"marks nearer ideal"}


def test_a_must_is_told_in_words_and_the_figures_are_explained(capsys, whole):
    text = flat(text_of(capsys, whole)[1])
    rule = assess(capsys, whole)[1][0]["rule"]
    assert [row["met"] for row in rule if row["role"] == "must"] == [True]
    assert "a must, held: P(worse by more than its margin)" in text
    assert text.count("How to read it: P(better) .90 means") == 1


def test_choices_without_a_preference_and_marks_not_asked_for(capsys, tmp_path):
    question = 'control = "A"\ngoal = [{ preference = true }]\n'
    rows = [PREFERRED[0], *[(driver, session, "none") for driver, session in (("D1", "S1"), ("D2", "S1"), ("D1", "S2"))]]
    text = flat(text_of(capsys, write(tmp_path, question, ratings=ratings(THREE), preferences=rows))[1])
    assert "B or A: 3 choices without a preference." in text
    assert "No marks on what the question asks about." in text
    assert "No marks yet." not in text


def test_a_figure_without_a_must_is_readable(capsys, tmp_path):
    question = 'control = "A"\nkind = "no_worse"\nfact = { name = "mass", unit = "g", values = { A = 12.4, B = 11.3 } }\n'
    text = flat(text_of(capsys, write(tmp_path / "rated", question, ratings=ratings(THREE)))[1])
    assert "B: RETEST (too little to go on) Retest: mass 11.3 g against 12.4 g, but nothing compares B with A on the track." in text
    text = flat(text_of(capsys, write(tmp_path / "timed", question, laps=laps(THREE)))[1])
    assert "B: ADOPT (no worse) Adopt: mass 11.3 g against 12.4 g; the question names no must" in text
    assert "()" not in text
