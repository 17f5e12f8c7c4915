"""What does not fit, with its figures, and what to drop so that every control stays."""

from collections.abc import Sequence
from typing import NamedTuple

from app.evidence.phrases import count, joined
from app.planning.brackets import Style, Test, runs_of
from app.planning.day import Day, Hours, OpenQuestion
from app.planning.search import ranked


class Wanted(NamedTuple):
    """One driver's tests of one control build, all in one chain."""

    driver: str
    tests: tuple[Test, ...]

    def runs(self, style: Style = Style.SINGLE) -> int:
        return runs_of(len(self.tests), style)


class Offer(NamedTuple):
    """A way to make it fit: what is dropped, and the runs and minutes that are left."""

    sentence: str
    dropped: tuple[tuple[str, Test], ...]  # (driver, test)
    runs: int
    minutes: float


class TooMuch(NamedTuple):
    """More is wanted than fits. Minutes are of cars: two cars for an hour are 120."""

    runs: int
    minutes: float
    available: float
    fit: int
    sentence: str
    offers: tuple[Offer, ...]

    @property
    def over(self) -> float:
        return self.minutes - self.available


def runs_that_fit(hours: Hours, cycle_min: float) -> int:
    """Runs of one car: (booked - set-up - warm-up - breaks - tear-down) / cycle, rounded down."""
    return max(int((hours.available + 1e-9) // cycle_min), 0)


def wanted_of(day: Day) -> list[Wanted]:
    """Everything the open questions lack, as one chain for each driver and control build; most urgent tests first."""
    found: dict[tuple[str, object], list[Test]] = {}
    most = max((k.brackets for q in day.questions for k in q.lacks), default=0)
    for turn in range(most):
        for question in ranked([q for q in day.questions if not q.fit_only]):
            for lack in question.lacks:
                if lack.brackets > turn:
                    found.setdefault((lack.driver, question.control.build), []).append((question.label, lack.variant))
    return [Wanted(driver, tuple(tests)) for (driver, _), tests in found.items()]


def too_much(day: Day, wanted: Sequence[Wanted] | None = None) -> TooMuch | None:
    """What is wanted against what fits; None when it fits. Change-over beyond the turnround is not counted: the plan counts it."""
    chains = list(wanted_of(day) if wanted is None else wanted)
    runs, cars = sum(c.runs() for c in chains), len(day.cars)
    fit, available = cars * runs_that_fit(day.hours, day.cycle), cars * day.hours.available
    minutes = runs * day.cycle
    if runs <= fit:
        return None
    offers = _offers(day, chains, fit)
    told = f"{runs} runs x {day.cycle:g} min = {minutes:g} > {available:g} min: {minutes - available:g} min over. {fit} fit"
    advice = f"; {offers[0].sentence[0].lower()}{offers[0].sentence[1:]}" if offers else ", and no bracket closes in them."
    return TooMuch(runs, minutes, available, fit, told + advice, offers)


def _offers(day: Day, chains: list[Wanted], fit: int) -> tuple[Offer, ...]:
    order = _least_urgent(day, chains)
    found = [_only_tests(day, chains, order, fit), _with_controls(day, chains, order, fit), _doubled(day, chains, fit)]
    return tuple(offer for offer in found if offer is not None)


def _least_urgent(day: Day, chains: Sequence[Wanted]) -> list[tuple[str, Test]]:
    """(driver, test), the one to drop first in front: the last test of every driver, then the last but one."""
    longest = max(len(c.tests) for c in chains)
    return [(c.driver, c.tests[k]) for k in reversed(range(longest)) for c in reversed(chains) if k < len(c.tests)]


def _only_tests(day: Day, chains: Sequence[Wanted], order: list[tuple[str, Test]], fit: int) -> Offer | None:
    over = sum(c.runs() for c in chains) - fit
    controls = sum(c.runs() - len(c.tests) for c in chains)
    if over >= len(order) or fit <= controls:
        return None
    dropped = tuple(order[:over])
    told = f"Drop {_named(dropped)}, keep every control: {count(controls, 'control')} and {count(len(order) - over, 'test')}."
    return Offer(told, dropped, fit, fit * day.cycle)


def _with_controls(day: Day, chains: Sequence[Wanted], order: list[tuple[str, Test]], fit: int) -> Offer | None:
    left, dropped = list(chains), []
    for driver, test in order:
        if sum(c.runs() for c in left) <= fit:
            break
        k = next(k for k, c in enumerate(left) if c.driver == driver and test in c.tests)
        tests = list(left[k].tests)
        del tests[len(tests) - 1 - tests[::-1].index(test)]
        left[k] = left[k]._replace(tests=tuple(tests))
        dropped.append((driver, test))
    runs = sum(c.runs() for c in left)
    if not 0 < runs <= fit:
        return None
    told = f"Drop {_named(tuple(dropped))} with the controls that only they need: {count(runs, 'run')}; every test left stands between two."
    return Offer(told, tuple(dropped), runs, runs * day.cycle)


def _doubled(day: Day, chains: Sequence[Wanted], fit: int) -> Offer | None:
    runs = sum(c.runs(Style.DOUBLE) for c in chains)
    if runs > fit:
        return None
    told = f"Drop no test, put two of them between controls (A-B-C-A): {count(runs, 'run')}; every bracket still closes."
    return Offer(told, (), runs, runs * day.cycle)


def _named(dropped: Sequence[tuple[str, Test]]) -> str:
    by_test: dict[Test, list[str]] = {}
    for driver, test in dropped:
        by_test.setdefault(test, []).append(driver)
    return joined([f"{question} {variant} with {joined(sorted(drivers))}" for (question, variant), drivers in sorted(by_test.items())])


def tyres_apart(control_runs: int | None, test_runs: int | None, band: int = 2) -> str:
    """Why two runs' tyres are no match, or "". Band: common practice, no source."""
    if control_runs is None or test_runs is None or abs(test_runs - control_runs) <= band:
        return ""
    return f"Control on a set with {control_runs} runs, test on a set with {test_runs}: more than {band} apart."


def lacks_of(question: OpenQuestion) -> int:
    return sum(lack.brackets for lack in question.lacks)
