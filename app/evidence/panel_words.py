"""The sentence that goes with a panel reading: the word first, then the figures it rests on."""

from collections.abc import Sequence

from app.evidence.phrases import count, joined, signed
from app.evidence.results import ClassReading


def panel_sentence(
    reading: str,
    top: ClassReading,
    missing: Sequence[str],
    blockers: Sequence[str],
    classes: Sequence[ClassReading],
    worthwhile: float,
) -> str:
    figures = ""
    if top.median is not None and top.low is not None and top.high is not None:
        figures = (
            f" Median {signed(top.median)} marks, {signed(top.low)} to {signed(top.high)}, {count(len(top.drivers), 'driver')}:"
            f" {top.votes_for} for, {top.votes_none} none, {top.votes_against} against (W {worthwhile:.3g})."
        )
    if reading == "blocked":
        return f"blocked: {joined(blockers)}." + figures
    if reading == "not_enough":
        return f"not enough evidence: {joined(missing)}." + figures
    if reading == "drivers_conflict":
        split = [d for c in classes if c.votes_for and c.votes_against for d in c.drivers]
        names = {vote: joined([d.driver for d in split if d.vote == vote]) for vote in ("for", "against")}
        return f"drivers conflict: {names['for']} for, {names['against']} against. Retest, option or reject." + figures
    if reading == "depends_on_conditions":
        told = [f"{_WORDS[c.reading]} on {c.condition or 'conditions not named'}" for c in classes if not c.missing]
        return f"depends on conditions: {joined(told)}. Nothing is shown for conditions between those tested."
    if reading == "no_practical_difference":
        return "no practical difference: cost, weight and ease of build may decide." + figures
    if reading == "not_shown":
        return "no difference shown: one bracket's noise exceeds W, so this is not 'no difference'." + figures
    return _WORDS[reading] + "." + figures


_WORDS = {
    "favours_adopt": "favours adopt",
    "favours_reject": "favours reject",
    "mixed_retest": "mixed: retest",
    "no_practical_difference": "no practical difference",
    "not_shown": "not shown",
    "drivers_conflict": "drivers conflict",
    "not_enough": "not enough evidence",
}
