"""The design check on a plan before it is driven: what could not be told apart, while it can still be mended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from app.planning.day import Build, Day, Line, OpenQuestion

if TYPE_CHECKING:  # types only: evidence loads with the first sheet, not with the app
    from app.evidence.design_rows import DesignRow
    from app.evidence.inputs import Question
    from app.evidence.results import DesignReading

PLANNED = "this session"


class Checked(NamedTuple):
    """One rival of one question under this plan, its runs so far counted in. new_runs: of it in the plan."""

    question: str
    variant: str
    new_runs: int
    reading: DesignReading

    @property
    def blocked(self) -> tuple[str, ...]:
        """Sentences on what would stop a verdict: an alias, late only, one driver, too few runs."""
        return tuple(flag.sentence for flag in self.reading.flags if flag.blocks)

    @property
    def warned(self) -> tuple[str, ...]:
        return tuple(flag.sentence for flag in self.reading.flags if not flag.blocks)


def check_plan(day: Day, lines: Sequence[Line], driven: Mapping[str, Sequence[DesignRow]] | None = None) -> list[Checked]:
    """Every rival that the plan drives, with the runs of past sessions (`driven`, by question label) beside those planned."""
    from app.evidence.design_check import design_of  # numbers load with the first plan, not with the app

    found = []
    for question in day.questions:
        rows = [*(driven or {}).get(question.label, ()), *_rows(day, question, lines)]
        asked = _asked(question)
        for rival in question.rivals:
            new = sum(line.test == (question.label, rival.code) for line in lines)
            if new:
                found.append(Checked(question.label, rival.code, new, design_of(asked, rival.code, rows)))
    return found


def _asked(question: OpenQuestion) -> Question:
    from app.evidence.inputs import Goal, Question, Rule
    from app.evidence.scales import Scale

    names = (question.control.code, *(v.code for v in question.rivals))
    return Question(question.control.code, names, {"any": Scale()}, Rule(goals=(Goal("any"),)))


def _rows(day: Day, question: OpenQuestion, lines: Sequence[Line]) -> list[DesignRow]:
    """Lines with one of the question's variants on the car; what other questions have on it goes along, as on a sheet."""
    from app.evidence.design_rows import DesignRow

    found = []
    for k, line in enumerate(lines):
        own = variant_on(question, line.build)
        if own is not None:
            others = tuple((q.label, code) for q in day.questions if q is not question and (code := variant_on(q, line.build)))
            found.append(DesignRow(line.driver, PLANNED, f"{k:03d}", own, line.start, others))
    return found


def variant_on(question: OpenQuestion, build: Build) -> str | None:
    """Which variant of a question a build carries, read from the parts that its variants differ in; None = none of them."""
    variants = (question.control, *question.rivals)
    own = {part for v in variants for part, level in v.build if any(dict(o.build).get(part) != level for o in variants)}
    on_car = dict(build)
    return next((v.code for v in variants if all(on_car.get(p) == level for p, level in v.build if p in own)), None)
