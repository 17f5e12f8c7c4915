"""The folder of plain tables, read back with the standard library, holds what the programme holds."""

import csv
import tomllib
from dataclasses import replace

import pytest

from app.assess.folder import read_folder
from app.evidence.inputs import Evidence
from app.evidence.story import roll_up
from app.trials.cells import all_cells, question_of, truths_of
from app.trials.folder import write_folder
from app.trials.world import World, generator, simulate

CLASSES = World(preferences=True, classes=("low grip", "high grip"), class_effect=1.0, sessions=3)


def rows_of(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def written(tmp_path):
    question = question_of("handling")
    evidence = simulate(CLASSES, question, truths_of(question, handling=1.0), generator(1, "folder", 0))
    write_folder(evidence, tmp_path / "programme")
    return evidence, tmp_path / "programme"


def test_every_mark_lap_and_choice_reads_back(written):
    evidence, folder = written
    marks = {(r["driver"], r["session"], r["run"], r["variant"], r["attribute"], float(r["rating"]), float(r["clock_min"]))
             for r in rows_of(folder / "ratings.csv")}  # fmt: skip
    assert marks == {(m.driver, m.session, m.run, m.variant, m.attribute, m.rating, m.clock_min) for m in evidence.marks}
    laps = {(r["driver"], r["session"], r["run"], r["variant"], int(r["lap"]), float(r["clock_s"]), float(r["lap_time_s"]))
            for r in rows_of(folder / "laps.csv")}  # fmt: skip
    assert laps == {(x.driver, x.session, x.run, x.variant, x.lap, x.clock_s, x.time_s) for x in evidence.laps}
    flags = {(r["driver"], r["session"], r["run"], int(r["lap"]), r["flag"]) for r in rows_of(folder / "lap_flags.csv")}
    assert flags == {(x.driver, x.session, x.run, x.lap, x.flag) for x in evidence.laps if x.flag}
    assert flags
    choices = {(r["driver"], r["session"], r["preferred"]) for r in rows_of(folder / "preferences.csv")}
    assert choices == {(p.driver, p.session, p.preferred) for p in evidence.preferences}
    grips = {r["session"]: r["grip"] for r in rows_of(folder / "sessions.csv")}
    assert grips == {"S1": "low grip", "S2": "high grip", "S3": "low grip"}


def test_the_question_reads_back(written):
    _, folder = written
    asked = tomllib.loads((folder / "question.toml").read_text())
    assert asked.pop("gates") == {"drivers": 2, "sessions": 2, "ignore": []}
    assert asked.pop("scale") == {name: {"lowest": 1.0, "highest": 10.0, "step": 1.0, "kind": "quality"} for name in ("handling", "ease")}
    assert asked.pop("condition") == "grip"
    assert asked == {"control": "A", "kind": "gain", "goal": [{"attribute": "handling", "weight": 1.0}],
                     "musts": [{"attribute": "ease", "margin": 0.5}, {"lap_time": True, "margin_percent": 0.3}]}  # fmt: skip


def test_tables_without_rows_are_left_out(tmp_path):
    cell = all_cells()["rated-equal-d3"]
    write_folder(simulate(cell.world, cell.question, cell.truths, generator(1, cell.name, 0)), tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"ratings.csv", "question.toml"}


def test_a_question_of_pace_and_one_of_no_loss_say_so(tmp_path):
    for kind in ("pace", "no_worse"):
        write_folder(Evidence(question_of(kind)), tmp_path / kind)
    pace, no_worse = (tomllib.loads((tmp_path / kind / "question.toml").read_text()) for kind in ("pace", "no_worse"))
    assert pace["goal"] == [{"lap_time": True, "weight": 1.0}]
    assert (no_worse["kind"], no_worse["goal"]) == ("no_worse", [])
    assert no_worse["fact"] == {"name": "mass", "better": "lower", "unit": "g", "values": {"A": 900.0, "B": 880.0}}


@pytest.mark.parametrize("name", ["better1-d3", "pace-equal-d3", "margin-d3", "late-ungated-d3", "halves-equal-d3"])
def test_the_assess_command_reads_the_same_evidence(name, tmp_path):
    """Same rows and rule, so the same figures; only the car has no column, and nothing is concluded from it here."""
    cell = all_cells()[name]
    evidence = simulate(cell.world, cell.question, cell.truths, generator(1, name, 0))
    write_folder(evidence, tmp_path)
    read = read_folder(str(tmp_path)).evidence()
    assert replace(read.question.rule, planned_looks=6) == cell.question.rule
    assert (read.question.control, read.question.variants, read.question.scales) == ("A", ("A", "B"), cell.question.scales)
    assert read.laps == evidence.laps
    assert [replace(mark, car=None) for mark in read.marks] == [replace(mark, car=None) for mark in evidence.marks]
    assert roll_up(read).verdicts == roll_up(evidence).verdicts
