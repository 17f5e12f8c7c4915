"""What makes no sense, said in sentences: the one place where evidence is refused. Imports neither numpy nor scipy."""

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from app.evidence.inputs import Mark, Question


class EvidenceError(ValueError):
    """A row or rule that makes no sense. `field` and `value` name the culprit, `reason` is a sentence for a person."""

    def __init__(self, field: str, value: object, reason: str) -> None:
        super().__init__(f"{field} {value!r}: {reason}")
        self.field, self.value, self.reason = field, value, reason


def finite(name: str, value: object) -> None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise EvidenceError(name, value, "It must be a finite number.")


def check_rule(question: "Question") -> None:
    rule = question.rule
    if rule.kind not in ("gain", "no_worse"):
        raise EvidenceError("rule.kind", rule.kind, "A rule asks for a gain, or for no loss ('no_worse').")
    if rule.kind == "gain" and not rule.goals:
        raise EvidenceError("rule.goals", rule.goals, "A question of gain must say on which attribute.")
    for attribute in rule.attributes:
        if attribute not in question.scales:
            raise EvidenceError("rule", attribute, "No scale is given for this attribute.")
    for goal in rule.goals:
        positive("goal.weight", goal.weight)
    if rule.goals and not math.isclose(sum(g.weight for g in rule.goals), 1.0, abs_tol=1e-6):
        raise EvidenceError("goal.weight", [g.weight for g in rule.goals], "The weights of the goals must sum to 1.")
    for must in rule.musts:
        if must.margin is not None:
            positive("must.margin", must.margin)
    if rule.worthwhile is not None:
        positive("rule.worthwhile", rule.worthwhile)
    positive("rule.drift_limit", rule.drift_limit)
    for name in ("drivers", "brackets", "sessions", "planned_looks"):
        positive(f"rule.{name}", getattr(rule, name))
    finite("rule.blind_share", rule.blind_share)
    if not 0 <= rule.blind_share <= 1:
        raise EvidenceError("rule.blind_share", rule.blind_share, "It is a share between 0 and 1.")
    if rule.fact is not None:
        for variant in rule.fact.values:
            if variant not in question.variants:
                raise EvidenceError("fact.values", variant, "It is not one of the question's variants.")


def positive(name: str, value: float) -> None:
    finite(name, value)
    if value <= 0:
        raise EvidenceError(name, value, "It must be more than zero.")


def check_marks(question: "Question", marks: Iterable["Mark"]) -> None:
    seen: set[tuple[str, ...]] = set()
    for mark in marks:
        where = f"run {mark.run}, {mark.attribute}"
        if mark.variant not in question.variants:
            raise EvidenceError("variant", mark.variant, f"{where}: it is not one of the question's variants.")
        if mark.attribute not in question.scales:
            raise EvidenceError("attribute", mark.attribute, f"{where}: no scale is given for this attribute.")
        if mark.clock_min is not None:
            finite(f"clock_min ({where})", mark.clock_min)
        if mark.rating is not None:
            finite(f"rating ({where})", mark.rating)
            scale = question.scales[mark.attribute]
            if not scale.is_mark(mark.rating):
                offered = f"{scale.lowest:g} to {scale.highest:g} in steps of {scale.step:g}"
                raise EvidenceError("rating", mark.rating, f"{where}: the slip offers {offered}.")
        key = (mark.driver, mark.session, mark.run, mark.attribute)
        if not mark.spoiled and key in seen:
            raise EvidenceError("run", mark.run, f"{where}: {mark.driver} has two counted marks for the same run.")
        if not mark.spoiled:
            seen.add(key)
