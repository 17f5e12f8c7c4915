"""A simulated programme as the folder of plain tables that `python -m app assess` reads.

    ratings.csv      driver, session, run, variant, attribute, rating, clock_min
    laps.csv         driver, session, run, variant, lap, clock_s, lap_time_s
    lap_flags.csv    driver, session, run, lap, flag
    preferences.csv  driver, session, preferred ('none' = no preference), first, second
    sessions.csv     session, grip
    question.toml    control, kind, goal, musts, and where it has them fact, gates and scale

Tables without rows are left out, but ratings.csv.
"""

import csv
import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from app.evidence.inputs import Evidence, Question
from app.evidence.rows import LAP_TIME, PREFERENCE


def write_folder(evidence: Evidence, path: Path) -> None:
    """Write the tables and the question into the folder `path`, which is made if it is not there."""
    path.mkdir(parents=True, exist_ok=True)
    marks = [(m.driver, m.session, m.run, m.variant, m.attribute, _figure(m.rating), _figure(m.clock_min)) for m in evidence.marks]
    _write(path / "ratings.csv", "driver session run variant attribute rating clock_min", marks)
    laps = [(x.driver, x.session, x.run, x.variant, x.lap, _figure(x.clock_s), _figure(x.time_s)) for x in evidence.laps]
    flags = [(x.driver, x.session, x.run, x.lap, x.flag) for x in evidence.laps if x.flag]
    choices = [(p.driver, p.session, p.preferred or "none", p.first, p.second) for p in evidence.preferences]
    seen = [(m.session, m.condition) for m in evidence.marks] + [(x.session, x.condition) for x in evidence.laps]
    grips = sorted({(session, condition) for session, condition in seen if condition})
    for name, columns, rows in (
        ("laps.csv", "driver session run variant lap clock_s lap_time_s", laps),
        ("lap_flags.csv", "driver session run lap flag", flags),
        ("preferences.csv", "driver session preferred first second", choices),
        ("sessions.csv", "session grip", grips),
    ):
        if rows:
            _write(path / name, columns, rows)
    (path / "question.toml").write_text(_toml(evidence.question, bool(grips)))


def _write(path: Path, columns: str, rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns.split())
        writer.writerows(rows)


def _figure(value: float | None) -> str:
    """The shortest text that reads back as the same number; '' for none."""
    return "" if value is None else repr(float(value)).removesuffix(".0")


def _toml(question: Question, by_grip: bool) -> str:
    rule = question.rule
    goals = [f"{_criterion(g.attribute)}, weight = {g.weight!r}" for g in rule.goals]
    musts = [
        f"{_criterion(m.attribute)}, {'margin_percent' if m.attribute == LAP_TIME else 'margin'} = "
        f"{question.worthwhile(m.attribute) if m.margin is None else m.margin!r}"
        for m in rule.musts
    ]
    lines = [f"control = {json.dumps(question.control)}", f'kind = "{rule.kind}"',
             f"goal = [{', '.join(f'{{ {g} }}' for g in goals)}]", f"musts = [{', '.join(f'{{ {m} }}' for m in musts)}]"]  # fmt: skip
    if rule.fact is not None:
        values = ", ".join(f"{json.dumps(variant)} = {value!r}" for variant, value in rule.fact.values.items())
        words = f'name = "{rule.fact.name}", better = "{rule.fact.better}", unit = "{rule.fact.unit}"'
        lines.append(f"fact = {{ {words}, values = {{ {values} }} }}")
    if rule.fact_failures:
        lines.append("fact = { failures = true }")
    lines += [f"{name} = {value!r}" for name in ("worthwhile", "worthwhile_percent") if (value := getattr(rule, name)) is not None]
    if by_grip:
        lines.append('condition = "grip"')
    ignored = ", ".join(f'"{name}"' for name in rule.ignored_gates)
    lines.append(f"gates = {{ drivers = {rule.drivers}, sessions = {rule.sessions}, ignore = [{ignored}] }}")
    if rule.durability is not None:
        d = rule.durability
        lines += ["", "[durability]", f"highest_rate = {d.highest_rate!r}", f"per = {d.per!r}", f'unit = "{d.unit}"']
    for name, scale in question.scales.items():
        lines += ["", f"[scale.{json.dumps(name)}]", f"lowest = {scale.lowest!r}", f"highest = {scale.highest!r}", f"step = {scale.step!r}",
                  f'kind = "{scale.kind}"']  # fmt: skip
    return "\n".join(lines) + "\n"


def _criterion(name: str) -> str:
    if name == LAP_TIME:
        return "lap_time = true"
    return "preference = true" if name == PREFERENCE else f"attribute = {json.dumps(name)}"
