"""Arranges plans for reading: the alternatives beside each other, what is left out, what the design check says."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from app.planning import words
from app.planning.check import Checked, check_plan
from app.planning.day import Build, Day, LeftOut, Line
from app.planning.facts import Made
from app.planning.limits import TooMuch, too_much
from app.planning.plan import Plan
from app.planning.search import alternatives


class CardRow(NamedTuple):
    """One line of a run card as it is shown. sealed: of a blind block, so that nobody reads its order here."""

    line: Line
    on_car: str
    serves: str
    change: str
    sealed: bool

    def at(self, starts_at: datetime) -> datetime:
        """When it starts, for a booking that starts then."""
        return starts_at + timedelta(minutes=self.line.start)


class Shown(NamedTuple):
    """One alternative. digest: what an acceptance is held against."""

    plan: Plan
    digest: str
    rows: Sequence[CardRow]
    left: Sequence[LeftOut]
    left_words: Sequence[str]
    imbalance: Sequence[str]
    checked: Sequence[Checked]
    blind: Sequence[str]
    base: dict[str, str]

    @property
    def blocked(self) -> int:
        return sum(bool(c.blocked) for c in self.checked)


def shown_plans(made: Made, day: Day, *, seed: int) -> list[Shown]:
    """Two or three alternatives for a day, which may be the rest of `made`'s own."""
    found = []
    for plan in alternatives(day, seed=seed) if day.questions and day.cars and day.drivers else []:
        sealed = words.sealed_chains(day, plan)
        base = words.base_of(plan.lines)
        rows = [_row(line, line.chain in sealed, base) for line in plan.lines]
        left = (*made.left_out, *plan.left_out)
        checked = check_plan(day, plan.lines, made.driven)
        found.append(Shown(plan, words.digest(plan), rows, left, words.left_words(left), words.order_words(day, plan), checked,
                           words.blind_words(day, plan), words.base_words(plan.lines)))  # fmt: skip
    return found


def _row(line: Line, sealed: bool, base: Build) -> CardRow:
    if sealed:
        questions = ", ".join(sorted({question for question, _ in line.serves}))
        return CardRow(line, words.SEALED, f"blind, {questions}", "", True)
    return CardRow(line, words.on_car_words(line, base), words.serves_words(line), words.change_words(line), False)


def over(made: Made) -> TooMuch | None:
    return too_much(made.day) if made.day.questions and made.day.cars else None
