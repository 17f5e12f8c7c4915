"""Chains of runs: control, test, control, ...; and whether every test of a plan stands between two controls."""

from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import NamedTuple

from app.planning.day import Line

Test = tuple[str, str]
"""(question, variant)"""


class Style(StrEnum):
    SINGLE = "one test between controls"  # A-B-A-C-A
    DOUBLE = "two tests between controls"  # A-B-C-A
    THERE_AND_BACK = "there and back"  # A-B-B-A, or B-A-A-B on every second turn


class Slot(NamedTuple):
    """One place in a chain; a control serves every test it stands beside."""

    test: Test | None
    beside: tuple[Test, ...] = ()


def slots(tests: Sequence[Test], style: Style, *, turn: int = 0, led: bool = False, open_tests: Sequence[Test] = ()) -> list[Slot]:
    """The runs of a chain, in order.

    led : the opening control was driven already;  open_tests : driven since, so the first thing is to close them
    """
    if style is Style.THERE_AND_BACK:
        return [slot for test in tests for slot in _there_and_back(test, turn)]
    step = 2 if style is Style.DOUBLE else 1
    groups = [tuple(tests[i : i + step]) for i in range(0, len(tests), step)]
    if open_tests:
        groups, led = [tuple(open_tests), *groups], True
    found: list[Slot] = []
    for k, group in enumerate(groups):
        if k or not led:
            found.append(Slot(None, (*(groups[k - 1] if k else ()), *group)))
        if not (open_tests and k == 0):
            found += [Slot(test) for test in group]
    return [*found, Slot(None, groups[-1])] if groups else []


def _there_and_back(test: Test, turn: int) -> list[Slot]:
    control, rival = Slot(None, (test,)), Slot(test)
    return [control, rival, rival, control] if turn % 2 == 0 else [rival, control, control, rival]


def runs_of(tests: int, style: Style) -> int:
    """Runs of one driver for so many tests: A-B-A-C-A is 5."""
    return len(slots([("", str(k)) for k in range(tests)], style))


class Driven(NamedTuple):
    """A run as it was driven or is planned, enough to see its brackets. variant: of the question looked at."""

    driver: str
    car: str
    variant: str


def unclosed(runs: Iterable[Driven], control: str) -> list[tuple[str, str]]:
    """(driver, variant) of tests that lack a control before or after, by the same driver in the same car, in order."""
    outings: dict[tuple[str, str], list[str]] = {}
    for run in runs:
        outings.setdefault((run.driver, run.car), []).append(run.variant)
    missing = []
    for (driver, _), variants in outings.items():
        for k, variant in enumerate(variants):
            if variant != control and not (control in variants[:k] and control in variants[k + 1 :]):
                missing.append((driver, variant))
    return missing


def to_recover(runs: Iterable[Driven], control: str) -> list[tuple[str, tuple[str, str, str]]]:
    """Per test that lost its bracket: the driver, and control, test, control to drive again."""
    return [(driver, (control, variant, control)) for driver, variant in dict.fromkeys(unclosed(runs, control))]


def open_in(lines: Sequence[Line], fit_only: Iterable[str] = ()) -> list[Line]:
    """Tests of a plan without a control of their own before and after, by the same driver in the same car.

    A chain that goes on from what was driven (`led`) has its first control behind it.
    """
    free, wrong = set(fit_only), []
    for k, line in enumerate(lines):
        if line.test is None or line.test[0] in free:
            continue
        before, after = (any(_closes(other, line) for other in part) for part in (lines[:k], lines[k + 1 :]))
        if not after or not (before or line.led):
            wrong.append(line)
    return wrong


def _closes(control: Line, test: Line) -> bool:
    same = control.driver == test.driver and control.car == test.car and control.chain == test.chain
    return same and control.role == "control" and test.test in control.serves


def name_of(test: Test) -> str:
    return f"{test[0]} {test[1]}"
