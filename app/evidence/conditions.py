"""Does a rival's gain hang on the conditions? Coverage, the improvement in each class, and what it is valid for.

A class counts as covered with two sessions, two drivers and six paired runs. The fits hold one deviation per class
(`layout`, prior SD of the difference one point) once two classes have two sessions each. Cuts: our defaults, no source.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from app.evidence.findings import ClassCover, ConditionReading
from app.evidence.fitted import Fitted
from app.evidence.inputs import Question
from app.evidence.phrases import joined
from app.evidence.rows import PREFERENCE

COVERED_SESSIONS, COVERED_DRIVERS, COVERED_RUNS = 2, 2, 6
IN_A_CLASS = 0.80  # P(better) in one class and P(worse) in another: the demand on both sides keeps it strict
SIZE_DIFFERS = 0.95


def condition_reading(question: Question, variant: str, fit: Fitted) -> ConditionReading:
    """How the rival stands in each condition class on one criterion."""
    names = sorted({row.condition for row in fit.fitted if row.condition is not None})
    classes = tuple(_cover(question, variant, name, fit) for name in names)
    told = {c.condition: fit.within.get((variant, c.condition)) for c in classes if c.covered}
    better = tuple(name for name, m in told.items() if m is not None and m.p_above(0.0) >= IN_A_CLASS)
    worse = tuple(name for name, m in told.items() if m is not None and 1.0 - m.p_above(0.0) >= IN_A_CLASS)
    differences = [m for name, m in fit.depends.get(variant, {}).items() if name in told]
    sure = any(max(m.p_above(0.0), 1.0 - m.p_above(0.0)) >= SIZE_DIFFERS for m in differences)
    state = "depends" if better and worse else "differs" if sure else "unclear" if len(fit.depends) else "one_class"
    return ConditionReading(variant, fit.criterion, classes, state, better, worse, _validity(classes, better, worse))  # type: ignore[arg-type]


def paired_outings(rows: Sequence[Any], variant: str, control: str) -> set[tuple[str, str]]:
    """(driver, session) pairs in which both were driven."""
    seen: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    for row in rows:
        seen[row.driver, row.session].add(row.variant)
    return {outing for outing, variants in seen.items() if {variant, control} <= variants}


@dataclass(frozen=True, slots=True)
class Compared:
    """What a criterion's rows of one class say of rival and control together. sessions and runs: how many."""

    sessions: int
    by_driver: Mapping[str, int]  # driver -> paired runs
    runs: int

    @property
    def enough(self) -> bool:
        """Is the class covered?"""
        return self.sessions >= COVERED_SESSIONS and len(self.by_driver) >= COVERED_DRIVERS and self.runs >= COVERED_RUNS


def compared_in(fit: Fitted | None, variant: str, control: str, condition: str) -> Compared:
    """Paired runs of one class; a forced preference is a comparison by itself and stands for the two runs it is about."""
    rows = [r for r in fit.fitted if r.condition == condition and r.variant in (variant, control)] if fit else []
    if fit is not None and fit.criterion == PREFERENCE:
        paired, each = {(r.driver, r.session) for r in rows}, 2
    else:
        paired, each = paired_outings(rows, variant, control), 1
    by_driver = Counter(r.driver for r in rows if (r.driver, r.session) in paired)
    return Compared(len({s for _, s in paired}), {d: each * n for d, n in by_driver.items()}, each * by_driver.total())


def _cover(question: Question, variant: str, condition: str, fit: Fitted) -> ClassCover:
    found = compared_in(fit, variant, question.control, condition)
    inside = fit.within.get((variant, condition))
    return ClassCover(
        variant=variant,
        condition=condition,
        sessions=found.sessions,
        drivers=tuple(sorted(found.by_driver.items())),
        runs=found.runs,
        covered=found.enough,
        mean=round(inside.mean, 6) if inside else None,
        low90=round(inside.quantile(0.05), 6) if inside else None,
        high90=round(inside.quantile(0.95), 6) if inside else None,
        p_better=round(inside.p_above(0.0), 6) if inside else None,
    )


def _validity(classes: Sequence[ClassCover], better: Sequence[str], worse: Sequence[str]) -> str:
    if not classes:
        return "No condition class was filed."
    shown = [c.condition for c in classes if c.covered]
    missing = [c.condition for c in classes if not c.covered]
    told = f"{'Covered:' if better and worse else 'Holds for'} {joined(shown)}." if shown else "Shown for no condition class yet."
    if missing:
        told += f" Not shown for {joined(missing)}."
    if better and worse:
        told += f" Better in {joined(better)}, worse in {joined(worse)}."
    return told
