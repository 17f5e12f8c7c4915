"""Writes small folders for `assess`, and reads its answers."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from app.__main__ import main

QUESTION = """\
control = "A"
kind = "gain"
goal = [{ attribute = "goal", weight = 1.0 }]
musts = [{ attribute = "must", margin = 0.5 }]
minutes_per_run = 6
[scale]
lowest = 1
highest = 10
step = 1
"""
RATINGS = ("driver", "session", "run", "variant", "attribute", "rating")
LAPS = ("driver", "session", "run", "variant", "lap", "clock_s", "lap_time_s")
PACE = 'control = "A"\ngoal = [{ lap_time = true }]\n'
ABBA = ("A", "B", "B", "A")


def write(folder: Path, question: str = QUESTION, **tables: Sequence[Sequence[object]]) -> Path:
    """A folder with question.toml and, by file name without its ending, tables whose first row is the header."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "question.toml").write_text(question, encoding="utf-8")
    for name, rows in tables.items():
        text = "".join(",".join(str(cell) for cell in row) + "\n" for row in rows)
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def ratings(
    sessions: Sequence[str] = ("S1", "S2"),
    drivers: Sequence[str] = ("D1", "D2"),
    attributes: Sequence[str] = ("goal", "must"),
    order: Sequence[str] = ABBA,
    marks: Mapping[str, int] | None = None,
) -> list[Sequence[object]]:
    """Header and rows: every driver in every session, runs numbered on one count, `marks` by variant (B a little up)."""
    marks = {"A": 5, "B": 7} if marks is None else marks
    rows: list[Sequence[object]] = [RATINGS]
    for session in sessions:
        for place, driver in enumerate(drivers):
            for turn, variant in enumerate(order):
                run = place + 1 + turn * len(drivers)
                mark = marks[variant] + (turn % 2 if marks == {"A": 5, "B": 7} else 0)
                rows += [(driver, session, run, variant, attribute, mark) for attribute in attributes]
    return rows


def laps(
    sessions: Sequence[str] = ("S1", "S2"),
    drivers: Sequence[str] = ("D1", "D2"),
    times: Mapping[str, float] | None = None,
    laps_each: int = 6,
) -> list[Sequence[object]]:
    """Header and rows in A-B-B-A, each run starting ten minutes after the one before; B is .1 s quicker."""
    times = {"A": 20.0, "B": 19.9} if times is None else times
    rows: list[Sequence[object]] = [LAPS]
    for session in sessions:
        for place, driver in enumerate(drivers):
            for turn, variant in enumerate(ABBA):
                start = 600.0 * (place + turn * len(drivers))
                for lap in range(laps_each):
                    time = times[variant] + 0.05 * ((lap * 7 + place + turn) % 5)
                    run = place + 1 + turn * len(drivers)
                    rows.append((driver, session, run, variant, lap + 1, start + 20.0 * lap, round(time, 3)))
    return rows


def assess(capsys, *words: object) -> tuple[int, list[dict]]:
    """Exit status and the objects of `assess --json`, each line read as strict JSON."""
    capsys.readouterr()
    status = main(["assess", "--json", *map(str, words)])
    out = capsys.readouterr().out
    return status, [json.loads(line, parse_constant=_no_constant) for line in out.splitlines()]


def error_of(capsys, folder: Path) -> tuple[str, int | None, str | int | None, str]:
    """File, line, column and reason of a folder that must be refused with status 2 and nothing else."""
    status, answers = assess(capsys, folder)
    assert status == 2
    assert [set(answer) for answer in answers] == [{"folder", "error"}]
    error = answers[0]["error"]
    assert set(error) == {"file", "line", "column", "reason"}
    assert error["reason"].endswith(".")
    return error["file"], error["line"], error["column"], error["reason"]


def _no_constant(word: str) -> None:
    raise AssertionError(f"{word} is no JSON")
