"""Reports on concerns: where they cluster, and whether a part breaks less from revision to revision. No database."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from app.concerns.rules import ShowRule
from app.proving import rules
from app.proving.rules import LESS


class ParetoLine(NamedTuple):
    """One cause or part. share : of all concerns so far, this line included."""

    name: str
    n: int
    standing: int
    blockers: int
    share: float


def pareto(named: Iterable[tuple[str, bool, bool]]) -> list[ParetoLine]:
    """(name, stands open, blocks) of each concern -> lines, the most frequent first, with the cumulative share."""
    found: dict[str, list[int]] = {}
    for name, stands, blocks in named:
        counts = found.setdefault(name, [0, 0, 0])
        counts[0] += 1
        counts[1] += stands
        counts[2] += blocks
    total, so_far, lines = sum(counts[0] for counts in found.values()), 0, []
    for name, counts in sorted(found.items(), key=lambda item: (-item[1][0], item[0])):
        so_far += counts[0]
        lines.append(ParetoLine(name, counts[0], counts[1], counts[2], so_far / total))
    return lines


class Grown(NamedTuple):
    """One revision of a part in the order of issue. told : against the exposed revision before it."""

    label: str
    revision_id: int
    counted: rules.Count
    share: float | None
    low: float | None
    high: float | None
    p: float | None
    told: str


def growth(rule: ShowRule, counted: Sequence[tuple[str, int, rules.Count]]) -> list[Grown]:
    """Failures of exposures per revision with the exact 95 % interval, each against the exposed one before it.

    Only neighbours are compared, each at one-sided 5 %: of many steps without a gain about one in twenty looks like one.
    """
    lines: list[Grown] = []
    before: tuple[str, rules.Count] | None = None
    for label, revision_id, count_ in counted:
        limits = rules.interval(rule, count_)
        if limits is None:
            lines.append(Grown(label, revision_id, count_, None, None, None, None, "never exposed"))
            continue
        p = rules.less_p(rule, before[1], count_) if before else None
        if before is None or p is None:
            told = "the first that was exposed"
        elif p <= LESS:
            told = f"shown to break less than {before[0]}"
        elif (worse := rules.less_p(rule, count_, before[1])) is not None and worse <= LESS:
            told = f"shown to break more than {before[0]} (P = {rules.p_words(worse)})"
        else:
            told = f"no difference shown against {before[0]}"
        lines.append(Grown(label, revision_id, count_, *limits, p, told))
        before = (label, count_)
    return lines


def growth_words(rule: ShowRule, lines: Sequence[Grown]) -> str:
    """What the whole line of revisions says, first exposed against last."""
    exposed = [line for line in lines if line.share is not None]
    if len(exposed) < 2:
        return "Fewer than two revisions were exposed, so nothing can be said of growth."
    better = [line.label for line in exposed if line.told.startswith("shown to break less")]
    steps = (f"Shown to have got better with {', '.join(better)}." if better else
             "No revision is shown to break less than the one before it: that is not the same as no better.")  # fmt: skip
    if len(exposed) == 2:
        return steps
    first, last = exposed[0], exposed[-1]
    return f"{steps} First against last: {rules.compared(rule, (first.label, first.counted), (last.label, last.counted))}"
