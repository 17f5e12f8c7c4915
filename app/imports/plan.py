"""Readable rows -> what an import would create: sessions, runs and one slip a run. No database."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from app.feedback.rules import LONGEST_REMARK
from app.imports.cells import look_alike_key, read_rows
from app.imports.rules import Choices, MarkRow, Role, Scale, check_choices
from app.people.rules import name_key
from app.programmes.conditions import Grip, Surface
from app.questions.rules import MOST_VARIANTS
from app.tables import Errors, Table

MOST_DRIVERS, MOST_SESSIONS, MOST_ATTRIBUTES, MOST_CARS = 200, 500, 40, 50
HIGHEST_RUN = 999  # a whole number up to this can say the order of runs; a larger one is a name
THE_CAR = "imported"


@dataclass
class RunPlan:
    """One run and its slip: every mark one driver gave in it. clock_min : from the session's start, None = unknown."""

    line: int
    driver: str
    name: str
    variant: str
    car: str
    clock_min: float | None
    number: int = 0
    marks: dict[str, int | None] = field(default_factory=dict)
    mark_lines: dict[str, int] = field(default_factory=dict)
    confidence: str = ""
    remarks: list[str] = field(default_factory=list)

    @property
    def remark(self) -> str:
        return "\n".join(self.remarks)


@dataclass
class SessionPlan:
    line: int
    name: str
    on_date: date | None = None
    place: str = ""
    surface: str = ""
    grip: str = ""
    order_known: bool = False
    runs: dict[tuple[str, str], RunPlan] = field(default_factory=dict)

    @property
    def drivers(self) -> list[str]:
        return list(dict.fromkeys(run.driver for run in self.runs.values()))


@dataclass
class Plan:
    """What would be created. scales : attribute name -> its scale, in the order of the table."""

    digest: str
    choices: Choices
    control: str
    marks: int
    sessions: list[SessionPlan]
    drivers: list[str]
    variants: list[str]
    scales: dict[str, Scale]
    known_attributes: frozenset[str]

    @property
    def runs(self) -> list[RunPlan]:
        return [run for session in self.sessions for run in session.runs.values()]

    @property
    def cars(self) -> list[str]:
        return list(dict.fromkeys(run.car for run in self.runs))

    @property
    def goal(self) -> str:
        return self.choices.goal or next(iter(self.scales))

    @property
    def not_judged(self) -> int:
        return sum(mark is None for run in self.runs for mark in run.marks.values())


def make_plan(table: Table, choices: Choices, known: Mapping[str, Scale]) -> Plan:
    """The whole table as a plan; raises Refused for choices that don't fit, TableRefused with every bad line."""
    check_choices(table, choices)
    errors = Errors()
    rows = read_rows(table, choices, known, errors)
    sessions = _sessions(rows, choices, errors)
    for session in sessions:
        _set_order(session, choices, errors)
    variants = _distinct(rows, "variant")
    attributes = {name: known.get(name_key(name), choices.scale) for name in _distinct(rows, "attribute")}
    control = _control(table, choices, variants, errors)
    _check_sizes(table, choices, rows, sessions, errors)
    errors.refuse()
    _check_goal(table, choices, attributes, errors)
    errors.refuse()
    found = frozenset(name for name in attributes if name_key(name) in known)
    ordered = [control, *(name for name in variants if name != control)]
    return Plan(
        table.digest, choices, control, len(rows), sessions, _distinct(rows, "driver"), ordered, attributes, found
    )


def _distinct(rows: list[MarkRow], name: str) -> list[str]:
    return list(dict.fromkeys(getattr(row, name) for row in rows))


def _sessions(rows: list[MarkRow], choices: Choices, errors: Errors) -> list[SessionPlan]:
    sessions: dict[str, SessionPlan] = {}
    for row in rows:
        session = sessions.setdefault(row.session, SessionPlan(row.line, row.session))
        for name, role in (
            ("on_date", Role.DATE),
            ("place", Role.PLACE),
            ("surface", Role.SURFACE),
            ("grip", Role.GRIP),
        ):
            _agree(session, name, row, choices.columns.get(role, ""), errors, f"the session “{row.session}”")
        key = (row.driver, row.run)
        run = session.runs.get(key)
        if run is None:
            run = session.runs[key] = RunPlan(row.line, row.driver, row.run, row.variant, row.car, row.clock_min)
        _add_mark(run, row, choices, errors)
    return list(sessions.values())


def _agree(thing: Any, name: str, row: MarkRow, column: str, errors: Errors, what: str) -> None:
    """Keep the first value given; another one later is an error."""
    value = getattr(row, name)
    if value in (None, ""):
        return
    present = getattr(thing, name)
    if present in (None, ""):
        setattr(thing, name, value)
    elif present != value:
        errors.add(row.line, column, str(value), f"differs from “{present}”, given for {what} before")


def _add_mark(run: RunPlan, row: MarkRow, choices: Choices, errors: Errors) -> None:
    column = choices.columns
    what = f"run “{run.name}” of {run.driver} in session “{row.session}”"
    if row.variant != run.variant:
        errors.add(
            row.line,
            column[Role.VARIANT],
            row.variant,
            f"is a second variant of {what}; line {run.line} says “{run.variant}”",
        )
    for name, role in (("clock_min", Role.CLOCK), ("car", Role.CAR), ("confidence", Role.CONFIDENCE)):
        _agree(run, name, row, column.get(role, ""), errors, what)
    if row.attribute in run.marks:
        errors.add(
            row.line,
            column[Role.RATING],
            "" if row.mark is None else f"{row.mark / 100:g}",
            f"is a second mark for “{row.attribute}” in {what}; the first is in line {run.mark_lines[row.attribute]}",
        )
        return
    run.marks[row.attribute], run.mark_lines[row.attribute] = row.mark, row.line
    if row.remark and row.remark not in run.remarks:
        run.remarks.append(row.remark)
        if len(run.remark) > LONGEST_REMARK:
            errors.add(
                row.line,
                column[Role.REMARK],
                row.remark,
                f"makes the remarks on {what} longer than {LONGEST_REMARK} characters",
            )


def _set_order(session: SessionPlan, choices: Choices, errors: Errors) -> None:
    """Number the runs. Their order is known by clock, else by whole run numbers that no two drivers share."""
    runs = list(session.runs.values())
    for run in runs:
        run.car = run.car or THE_CAR
    timed = [run for run in runs if run.clock_min is not None]
    integers = [int(run.name) if re.fullmatch("[0-9]{1,4}", run.name) else 0 for run in runs]
    numbered = all(1 <= number <= HIGHEST_RUN for number in integers) and len(set(integers)) == len(integers)
    if timed and len(timed) < len(runs):
        missing = next(run for run in runs if run.clock_min is None)
        errors.add(
            missing.line,
            choices.columns[Role.CLOCK],
            "",
            f"is empty, but other runs of session “{session.name}” have it",
        )
        return
    if timed:
        _check_clock(session, timed, choices, errors)
        runs.sort(key=lambda run: (run.clock_min or 0, run.line))
    elif numbered:
        for run, number in zip(runs, integers, strict=True):
            run.clock_min = float((number - 1) * choices.minutes_per_run)
    session.order_known = bool(timed) or numbered
    for position, run in enumerate(runs, start=1):
        run.number = int(run.name) if numbered else position


def _check_clock(session: SessionPlan, timed: list[RunPlan], choices: Choices, errors: Errors) -> None:
    taken: dict[tuple[str, float | None], RunPlan] = {}
    for run in timed:
        other = taken.setdefault((run.driver, run.clock_min), run)
        if other is not run:
            errors.add(
                run.line,
                choices.columns[Role.CLOCK],
                f"{run.clock_min:g}",
                f"is the minute of run “{other.name}” of {run.driver} too; nobody drives two at once",
            )


def _control(table: Table, choices: Choices, variants: list[str], errors: Errors) -> str:
    column, line = choices.columns[Role.VARIANT], table.header_line
    wanted = look_alike_key(choices.control)
    control = next((name for name in variants if look_alike_key(name) == wanted), "")
    if variants and not control and not errors:
        errors.add(
            line,
            column,
            choices.control,
            f"is not among the variants, so it can't be the control; they are: {_some(variants)}",
        )
    if len(variants) == 1 and not errors:
        errors.add(line, column, variants[0], "is the only variant; a question needs a control and a rival")
    if len(variants) > MOST_VARIANTS:
        errors.add(
            line,
            column,
            "",
            f"has {len(variants)} variants ({_some(variants)}); one question takes at most {MOST_VARIANTS}",
        )
    return control


def _check_goal(table: Table, choices: Choices, attributes: Mapping[str, Scale], errors: Errors) -> None:
    if choices.goal and choices.goal not in attributes:
        errors.add(
            table.header_line,
            choices.columns.get(Role.ATTRIBUTE) or "attribute",
            choices.goal,
            f"is not among the attributes, so it can't be the goal; they are: {_some(list(attributes))}",
        )


def _check_sizes(
    table: Table, choices: Choices, rows: list[MarkRow], sessions: list[SessionPlan], errors: Errors
) -> None:
    cars = {run.car for session in sessions for run in session.runs.values()}
    found = (
        (Role.DRIVER, "drivers", len(_distinct(rows, "driver")), MOST_DRIVERS),
        (Role.SESSION, "sessions", len(sessions), MOST_SESSIONS),
        (Role.ATTRIBUTE, "attributes", len(_distinct(rows, "attribute")), MOST_ATTRIBUTES),
        (Role.CAR, "cars", len(cars), MOST_CARS),
    )
    for role, what, count, most in found:
        if count > most:
            errors.add(
                table.header_line,
                choices.columns.get(role) or role,
                "",
                f"has {count} {what}; at most {most} are imported at once",
            )


def _some(names: list[str]) -> str:
    return ", ".join(names[:8]) + (", …" if len(names) > 8 else "")


def default_surface(session: SessionPlan) -> tuple[str, str]:
    return session.surface or Surface.OTHER, session.grip or Grip.MEDIUM
