"""What makes no sense, said in sentences: the one place where evidence is refused. Imports neither numpy nor scipy."""

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from app.evidence.rows import PREFERENCE, RESERVED, Durability

if TYPE_CHECKING:
    from app.evidence.inputs import Evidence, Mark, Question


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
        if attribute not in question.scales and attribute not in RESERVED:
            raise EvidenceError("rule", attribute, "No scale is given for this attribute.")
    for name in RESERVED:
        if name in question.scales:
            raise EvidenceError("scale", name, "This name is kept for what is not rated; call the attribute otherwise.")
    for goal in rule.goals:
        positive("goal.weight", goal.weight)
    if rule.goals and not math.isclose(sum(g.weight for g in rule.goals), 1.0, abs_tol=1e-6):
        raise EvidenceError("goal.weight", [g.weight for g in rule.goals], "The weights of the goals must sum to 1.")
    for must in rule.musts:
        if must.margin is not None:
            positive("must.margin", must.margin)
    if rule.worthwhile is not None:
        positive("rule.worthwhile", rule.worthwhile)
    if rule.worthwhile_percent is not None:
        positive("rule.worthwhile_percent", rule.worthwhile_percent)
    if rule.durability is not None:
        _check_durability(rule.durability)
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


def _check_durability(durability: Durability) -> None:
    positive("durability.highest_rate", durability.highest_rate)
    positive("durability.per", durability.per)
    if durability.unit not in ("laps", "minutes", "impacts"):
        raise EvidenceError("durability.unit", durability.unit, "Exposure is counted in laps, minutes or impacts.")


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


def check_other_rows(evidence: "Evidence") -> None:
    """Laps, preferences, exposures, lives and readings: known variants, finite figures, no doubles."""
    for lap in evidence.laps:
        where = f"lap {lap.lap} of run {lap.run}, {lap.driver} in {lap.session}"
        _known(evidence, lap.variant, where)
        finite(f"time_s ({where})", lap.time_s)
        if lap.time_s <= 0:
            raise EvidenceError("time_s", lap.time_s, f"{where}: a lap time is more than zero.")
        if lap.clock_s is not None:
            finite(f"clock_s ({where})", lap.clock_s)
        if isinstance(lap.lap, bool) or not isinstance(lap.lap, int) or lap.lap < 1:
            raise EvidenceError("lap", lap.lap, f"{where}: laps are numbered from 1.")
    once("lap", ((x.driver, x.session, x.run, x.lap) for x in evidence.laps))
    _one_variant_a_run(evidence)
    for choice in evidence.preferences:
        _known(evidence, choice.first, f"preference of {choice.driver}")
        _known(evidence, choice.second, f"preference of {choice.driver}")
        if choice.first == choice.second:
            raise EvidenceError("second", choice.second, "A preference is between two different variants.")
        if choice.preferred not in (None, choice.first, choice.second):
            raise EvidenceError(PREFERENCE, choice.preferred, "It names one of the two that were compared, or none.")
    _check_use(evidence)


def _check_use(evidence: "Evidence") -> None:
    for use in evidence.exposures:
        _known(evidence, use.variant, "exposure")
        for name in ("laps", "minutes", "failures", "impacts"):
            finite(f"exposure.{name}", getattr(use, name))
            if getattr(use, name) < 0:
                raise EvidenceError(f"exposure.{name}", getattr(use, name), "It can't be less than nothing.")
        if int(use.failures) != use.failures:
            raise EvidenceError("exposure.failures", use.failures, "Failures are counted in whole numbers.")
    for life in evidence.lives:
        _known(evidence, life.variant, f"life of {life.piece}")
        positive(f"life of {life.piece}", life.amount)
    for reading in evidence.readings:
        _known(evidence, reading.variant, f"reading of {reading.characteristic}")
        finite("reading.value", reading.value)
        for name in ("lower", "upper", "uncertainty"):
            if getattr(reading, name) is not None:
                finite(f"reading.{name}", getattr(reading, name))
        if reading.uncertainty is not None and reading.uncertainty < 0:
            raise EvidenceError("reading.uncertainty", reading.uncertainty, "It can't be less than nothing.")
        if reading.lower is not None and reading.upper is not None and reading.lower >= reading.upper:
            raise EvidenceError("reading.lower", reading.lower, f"It must lie below the upper limit {reading.upper:g}.")


def _known(evidence: "Evidence", variant: str, where: str) -> None:
    if variant not in evidence.question.variants:
        raise EvidenceError("variant", variant, f"{where}: it is not one of the question's variants.")


def once(name: str, keys: Iterable[tuple]) -> None:
    seen = set()
    for key in keys:
        if key in seen:
            raise EvidenceError(name, key, "It is there twice.")
        seen.add(key)


def _one_variant_a_run(evidence: "Evidence") -> None:
    on_car: dict[tuple[str, str, str], str] = {}
    seats = [(m.driver, m.session, m.run, m.variant) for m in evidence.marks]
    seats += [(lap.driver, lap.session, lap.run, lap.variant) for lap in evidence.laps]
    for driver, session, run, variant in seats:
        if on_car.setdefault((driver, session, run), variant) != variant:
            told = f"{driver} in {session} drove {on_car[driver, session, run]} in this run too; a run has one variant."
            raise EvidenceError("variant", variant, f"run {run}: {told}")
