"""Does a rival's gain hang on the conditions? Coverage, the improvement in each class, and what it is valid for.

A class counts as covered with two sessions, two drivers and six paired runs. The fits hold one deviation per class
(`layout`, prior SD of the difference one point) once two classes have two sessions each. Cuts: our defaults, no source.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import Any

from app.evidence.findings import ClassCover, ConditionReading
from app.evidence.fitted import Fitted
from app.evidence.inputs import Question
from app.evidence.phrases import joined

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


def _cover(question: Question, variant: str, condition: str, fit: Fitted) -> ClassCover:
    rows = [r for r in fit.fitted if r.condition == condition and r.variant in (variant, question.control)]
    paired = paired_outings(rows, variant, question.control)
    by_driver = Counter(r.driver for r in rows if (r.driver, r.session) in paired)
    sessions, runs = len({session for _, session in paired}), sum(by_driver.values())
    covered = sessions >= COVERED_SESSIONS and len(by_driver) >= COVERED_DRIVERS and runs >= COVERED_RUNS
    inside = fit.within.get((variant, condition))
    return ClassCover(
        variant=variant,
        condition=condition,
        sessions=sessions,
        drivers=tuple(sorted(by_driver.items())),
        runs=runs,
        covered=covered,
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
