"""The whole decision on one screen: evidence in, sheet out."""

from collections import Counter

from app.evidence import METHOD_VERSION
from app.evidence.design_check import check_design
from app.evidence.inputs import Evidence
from app.evidence.panel import what_the_drivers_said
from app.evidence.phrases import joined
from app.evidence.ratings import FittedAttribute, fit_attribute, ratings_strand, what_enters
from app.evidence.results import DesignReading, Flag, Panel, Sheet, Strand, Verdict
from app.evidence.verdict import decide

_NOT_YET = {
    "preferences": "No forced preferences yet.",
    "lap_times": "No lap times yet.",
    "failures": "No failures or exposures yet.",
    "readings": "No gauge readings yet.",
}
_FLOOR_SHARE = 0.5


def roll_up(evidence: Evidence) -> Sheet:
    """What the drivers said and what may be concluded about one question; see the reading guide in `app.evidence`.

    Pure and deterministic: equal evidence gives an equal sheet, byte for byte. Never NaN, whatever the marks.
    """
    question, rule = evidence.question, evidence.question.rule
    panel = what_the_drivers_said(evidence)
    deciding = dict.fromkeys([g.attribute for g in rule.goals] + [m.attribute for m in rule.musts])
    fits = {name: fit_attribute(evidence, name) for name in deciding}
    primary = rule.primary
    design = {v: check_design(evidence, v, primary) if primary else _no_design(v) for v in question.rivals}
    verdicts, criteria = decide(evidence, fits, design)
    strands = (
        ratings_strand(question, list(fits.values())),
        *(Strand(name, "no_evidence", {}, {}, {}, sentence) for name, sentence in _NOT_YET.items()),
    )
    return Sheet(
        method_version=METHOD_VERSION,
        fingerprint=evidence.fingerprint(),
        control=question.control,
        variants=question.variants,
        panel=panel,
        strands=strands,
        design=tuple(design.values()),
        criteria=criteria,
        verdicts=verdicts,
        flags=_flags(evidence, panel, fits, design),
        left_out=_left_out(evidence),
        order_unknown=any(fit.order_unknown for fit in fits.values()),
        why_they_differ=_why_they_differ(panel, verdicts, question.control),
    )


def _no_design(variant: str) -> DesignReading:
    return DesignReading(variant, 0, None, None, None, 0.0, 0.0, 0.0, (), (), {}, ())


def _left_out(evidence: Evidence) -> dict[str, int]:
    """Runs left out of the fits, by reason: the most for any one attribute, so that a run is counted once."""
    most: Counter[str] = Counter()
    for name in evidence.question.rule.attributes:
        _, left_out = what_enters(evidence.marks, name)
        for reason, n in left_out.items():
            most[reason] = max(most[reason], n)
    return dict(sorted(most.items()))


def _flags(
    evidence: Evidence, panel: Panel, fits: dict[str, FittedAttribute], design: dict[str, DesignReading]
) -> tuple[Flag, ...]:
    found = [flag for reading in design.values() for flag in reading.flags]
    found += [Flag("warning", None, sentence) for sentence in panel.sentences]
    for name, fit in fits.items():
        if evidence.question.scales[name].kind == "ideal_zero" and fit.fitted:
            at_ideal = sum(m.rating == 0 for m in fit.fitted) / len(fit.fitted)
            if at_ideal > _FLOOR_SHARE:
                told = (
                    f"{at_ideal:.0%} of the marks for {name} are at ideal: little room is left to show an improvement."
                )
                found.append(Flag("warning", None, told))
    return tuple(found)


def _why_they_differ(panel: Panel, verdicts: tuple[Verdict, ...], control: str) -> tuple[str, ...]:
    """A sentence per rival whose reading and verdict point different ways."""
    same = {"favours_adopt": "adopt", "favours_reject": "reject"}
    readings = {reading.variant: reading for reading in panel.readings}
    told = []
    for verdict in verdicts:
        reading = readings.get(verdict.variant)
        if reading is None or reading.reading not in same or verdict.verdict == same[reading.reading]:
            continue
        side, what = ("for", verdict.variant) if reading.reading == "favours_adopt" else ("against", control)
        voters = joined([d.driver for d in reading.drivers if d.vote == side])
        said = f"{voters} favour{'' if ' and ' in voters else 's'} {what}"
        told.append(
            f"{verdict.variant}: counted, {said}; concluded, {verdict.sentence[0].lower()}{verdict.sentence[1:]}"
        )
    return tuple(told)
