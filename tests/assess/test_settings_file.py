"""question.toml: what it may say, what it becomes, and where a refusal points."""

import pytest

from app.assess.folder import read_folder
from app.evidence.inputs import Fact, Goal, Must
from app.evidence.rows import Durability
from app.evidence.scales import Scale
from tests.assess.folders import QUESTION, error_of, laps, ratings, write

FULL = """\
control = "A"
kind = "gain"
goal  = [{ attribute = "goal", weight = 0.5 },
         { lap_time = true, weight = 0.25 },
         { preference = true, weight = 0.25 }]
musts = [{ attribute = "must", margin = 0.7 }, { lap_time = true, margin_percent = 0.4 }]
worthwhile = 0.6
worthwhile_percent = 0.2
minutes_per_run = 8
condition = "grip"
[scale]
lowest = 0
highest = 20
step = 0.5
kind = "quality"
[scale.must]
lowest = -5
highest = 5
step = 1
kind = "ideal_zero"
[durability]
highest_rate = 1.5
per = 500
unit = "minutes"
[gates]
drivers = 3
sessions = 4
ignore = ["late_only", "one_driver"]
"""


def question_of(tmp_path, text, **tables):
    folder = write(tmp_path / "f", text, **(tables or {"ratings": ratings(marks={"A": 2, "B": 3})}))
    return read_folder(str(folder)).question


def test_every_key_arrives_in_the_rule(tmp_path):
    grips = [("session", "grip"), ("S1", "high"), ("S2", "low")]
    question = question_of(tmp_path, FULL, ratings=ratings(marks={"A": 2, "B": 3}), sessions=grips)
    rule = question.rule
    assert rule.goals == (Goal("goal", 0.5), Goal("lap_time", 0.25), Goal("preference", 0.25))
    assert rule.musts == (Must("must", 0.7), Must("lap_time", 0.4))
    assert (rule.worthwhile, rule.worthwhile_percent) == (0.6, 0.2)
    assert (rule.drivers, rule.sessions, rule.brackets, rule.blind_share) == (3, 4, 1, 0.0)
    assert rule.ignored_gates == ("late_only", "one_driver")
    assert rule.durability == Durability(1.5, 500.0, "minutes")
    assert dict(question.scales) == {"goal": Scale(0, 20, 0.5), "must": Scale(-5, 5, 1, "ideal_zero")}


def test_what_is_left_out_has_a_default(tmp_path):
    question = question_of(tmp_path, 'control = "A"\ngoal = [{ attribute = "goal" }]\n')
    assert question.rule.goals == (Goal("goal", 1.0),)
    assert (question.rule.drivers, question.rule.sessions, question.rule.durability) == (2, 2, None)
    assert question.scales["goal"] == Scale(1, 10, 1, "quality")


def test_an_attributes_own_scale_keeps_what_it_leaves_open(tmp_path):
    text = QUESTION.replace("step = 1", "step = 0.5\n[scale.must]\nhighest = 9")
    assert dict(question_of(tmp_path, text).scales) == {"goal": Scale(1, 10, 0.5), "must": Scale(1, 9, 0.5)}


def test_no_worse_takes_failures_or_a_figure(tmp_path):
    failures = 'control = "A"\nkind = "no_worse"\nfact = { failures = true }\nmusts = [{ attribute = "must" }]\n'
    assert question_of(tmp_path / "1", failures).rule.fact_failures
    figure = failures.replace("{ failures = true }", '{ name = "mass_g", better = "lower", values = { A = 12.4, B = 11, C = 9 } }')
    question = question_of(tmp_path / "2", figure)
    assert question.rule.fact == Fact("mass_g", {"A": 12.4, "B": 11.0, "C": 9.0}, "lower")
    assert question.variants == ("A", "B", "C")  # C has a figure only


WRONG = [  # what is written, by what, and the line and key that the refusal must name
    ("goal = [", "goals = [", 3, "goals", "'goal'"),
    ("kind = ", "knid = ", 2, "knid", "'kind'"),
    ("minutes_per_run", "minutes_a_run", 5, "minutes_a_run", "'minutes_per_run'"),
    ("lowest", "lowset", 7, "lowset", "'lowest'"),
    ("margin", "magrin", 4, "magrin", "'margin'"),
    ("weight = 1.0", "weigth = 1.0", 3, "weigth", "'weight'"),
    ("weight = 1.0", "weight = 0.8", 3, "weight", "sum to 0.8"),
    ("weight = 1.0", "weight = -1.0", 3, "weight", "more than zero"),
    ("weight = 1.0", "weight = nan", 3, "weight", "finite"),
    ("weight = 1.0", 'weight = "1"', 3, "weight", "number"),
    ("margin = 0.5", "margin = 0", 4, "margin", "more than zero"),
    ("margin = 0.5", "margin = inf", 4, "margin", "finite"),
    ("margin = 0.5", "margin_percent = 0.5", 4, "margin_percent", "points"),
    ('attribute = "must", margin', "lap_time = true, margin", 4, "margin", "percent"),
    ('attribute = "must"', "lap_time = false", 4, "lap_time", "true"),
    ('attribute = "must"', 'attribute = "lap_time"', 4, "attribute", "not rated"),
    ('attribute = "must"', 'attribute = ""', 4, "attribute", "text"),
    ('attribute = "must", ', "", 4, "musts", "Each entry"),
    ('{ attribute = "must", margin = 0.5 }', '{ attribute = "m" }, { attribute = "m" }', 4, "musts", "twice"),
    ('[{ attribute = "goal", weight = 1.0 }]', "[]", 3, "goal", "must say on what"),
    ('[{ attribute = "goal", weight = 1.0 }]', '"goal"', 3, "goal", "list"),
    ('kind = "gain"', 'kind = "better"', 2, "kind", "gain, no_worse"),
    ('kind = "gain"', 'kind = "no_worse"', 1, "fact", "fact"),
    ('kind = "gain"', "fact = { failures = true }", 2, "fact", "no_worse"),
    ('control = "A"', "control = 1", 1, "control", "quotes"),
    ('control = "A"', "", 1, "control", "missing"),
    ('control = "A"', 'control = "Z"', 1, "control", "no row in any table"),
    ("minutes_per_run = 6", "minutes_per_run = 0", 5, "minutes_per_run", "more than zero"),
    ("minutes_per_run = 6", "minutes_per_run = 1" + "0" * 4200, 5, "minutes_per_run", "finite"),
    ("minutes_per_run = 6", "minutes_per_run = 5000", 5, "minutes_per_run", "less than a day"),
    ("minutes_per_run = 6", "worthwhile = 0", 5, "worthwhile", "more than zero"),
    ("minutes_per_run = 6", 'condition = "grip"', 5, "condition", "sessions.csv"),
    ("minutes_per_run = 6", "gates = { ignore = ['late_onyl'] }", 5, "ignore", "'late_only'"),
    ("minutes_per_run = 6", "gates = { ignore = 'late_only' }", 5, "ignore", "list"),
    ("minutes_per_run = 6", "gates = { drivers = 0 }", 5, "drivers", "whole number"),
    ("minutes_per_run = 6", "gates = { divers = 2 }", 5, "divers", "'drivers'"),
    ("minutes_per_run = 6", "gates = 2", 5, "gates", "table"),
    ("minutes_per_run = 6", "durability = { per = 1000 }", 5, "highest_rate", "missing"),
    ("minutes_per_run = 6", "durability = { highest_rate = 1, unit = 'miles' }", 5, "unit", "laps, minutes, impacts"),
    ("lowest = 1", "lowest = 10", 8, "highest", "above its lowest"),
    ("lowest = 1", "lowest = 1\nkind = 'ideal_zero'", 7, "lowest", "equally far"),
    ("lowest = 1", "lowest = 1e300", 7, "lowest", "finite"),
    ("step = 1", "step = 0", 9, "step", "positive step"),
    ("step = 1", "step = 1e-9", 9, "step", "wider step"),
    ("step = 1", "step = 0.7", 9, "step", "lead from the lowest"),
    ("step = 1", "step = 9", 9, "step", "at least three"),
    ("step = 1", "step = 1\nkind = 'good'", 10, "kind", "quality"),
    ("step = 1", "step = 1\n[scale.must]\nlowset = 2", 11, "lowset", "'lowest'"),
]


@pytest.mark.parametrize(("there", "instead", "line", "key", "word"), WRONG, ids=[w[1][:30] or w[0] for w in WRONG])
def test_a_fault_is_named_with_its_line_and_key(tmp_path, capsys, there, instead, line, key, word):
    assert QUESTION.count(there) >= 1
    folder = write(tmp_path, QUESTION.replace(there, instead, 1), ratings=ratings())
    file, at, column, reason = error_of(capsys, folder)
    assert (file, at, column) == ("question.toml", line, key)
    assert word in reason


@pytest.mark.parametrize(("text", "line", "column"), [
    ('control = "A"\nkind = = "gain"\n', 2, 8),
    ('control = "A\n', 1, 13),
    ('control = "A"\n[scale\nlowest = 1\n', 2, 7),
    ('control = "A"\ncontrol = "B"\n', 2, 14),
    ('control = "A"\ngoal = [', 2, 9),
])  # fmt: skip
def test_what_is_no_toml_is_refused_where_reading_stopped(tmp_path, capsys, text, line, column):
    """Places of Python's own tomllib, which counts columns from 1."""
    file, at, place, reason = error_of(capsys, write(tmp_path, text, ratings=ratings()))
    assert (file, at, place) == ("question.toml", line, column)
    assert reason.startswith("It is not TOML")


@pytest.mark.parametrize("text", ["control = 1" + "0" * 9000, "control = " + "[" * 50_000, "control = " + "{a=" * 20_000])
def test_numbers_and_nestings_without_end_are_refused(tmp_path, capsys, text):
    assert error_of(capsys, write(tmp_path, text, ratings=ratings()))[0] == "question.toml"


def test_keys_spread_over_tables_and_lines_are_found(tmp_path, capsys):
    text = 'control = "A"\n\n[[goal]]\nattribute = "goal"\nweight = 0.5\n\n[[goal]]\nattribute = "must"\nweight = 0\n'
    assert error_of(capsys, write(tmp_path / "1", text, ratings=ratings()))[1:3] == (9, "weight")
    text = FULL.replace("margin_percent = 0.4", "margin = 0.4").replace("{ lap_time = true, margin", "\n{ lap_time = true, margin")
    assert error_of(capsys, write(tmp_path / "2", text, ratings=ratings()))[1:3] == (7, "margin")


def test_files_and_folders_that_are_not_there(tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    assert error_of(capsys, tmp_path / "empty")[:3] == ("question.toml", None, None)
    assert error_of(capsys, tmp_path / "nowhere")[3] == "There is no such folder."
    (tmp_path / "file").write_text("x")
    assert error_of(capsys, tmp_path / "file")[3] == "It is not a folder."
    assert "can't be reached" in error_of(capsys, tmp_path / ("x" * 5000))[3]
    assert error_of(capsys, write(tmp_path / "bare"))[:2] == ("ratings.csv", None)


def test_ratings_may_be_missing_where_a_lap_time_or_a_preference_decides(tmp_path):
    pace = 'control = "A"\ngoal = [{ lap_time = true }]\nmusts = [{ attribute = "must" }]\n'
    assert len(read_folder(str(write(tmp_path / "1", pace, laps=laps()))).evidence().laps) == 96
    liked = [("driver", "session", "preferred"), ("D1", "S1", "B"), ("D2", "S1", "none")]
    folder = read_folder(str(write(tmp_path / "2", pace.replace("lap_time", "preference"), preferences=liked)))
    assert [(c.first, c.second, c.preferred) for c in folder.evidence().preferences] == [("A", "B", "B"), ("A", "B", None)]
