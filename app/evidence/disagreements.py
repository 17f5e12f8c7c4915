"""Where two readings of the same runs point different ways: said on the sheet, never averaged away."""

from collections.abc import Mapping, Sequence

from app.evidence.criteria import spoken
from app.evidence.findings import Disagreement
from app.evidence.fitted import Fitted
from app.evidence.inputs import Evidence, Question
from app.evidence.phrases import joined, probability
from app.evidence.results import Panel, Verdict
from app.evidence.rows import LAP_TIME, PREFERENCE

LEANS = 0.80  # P at which a reading is said to lean one way; common practice, no source


def disagreements(
    evidence: Evidence, fits: Mapping[str, Fitted], panel: Panel, verdicts: Sequence[Verdict]
) -> tuple[Disagreement, ...]:
    """One line per pair of readings that lean apart, rival by rival."""
    question = evidence.question
    found: list[Disagreement] = []
    told = dict(_panel_against_verdict(panel, verdicts, question.control))
    for rival in question.rivals:
        if rival in told:
            found.append(Disagreement("panel", rival, told[rival]))
        rated = next((g.attribute for g in question.rule.goals if g.attribute in question.scales), None)
        rated = rated or next((name for name in fits if name in question.scales), None)
        if rated is not None:
            for other, kind in ((PREFERENCE, "preference"), (LAP_TIME, "laps")):
                if other in fits and (sentence := _apart(question, rival, fits[rated], fits[other])):
                    found.append(Disagreement(kind, rival, sentence))  # type: ignore[arg-type]
            found += _one_driver_apart(rival, fits[rated])
    return tuple(found)


def _lean(fit: Fitted, rival: str) -> int:
    if not fit.runs.get(rival):
        return 0
    p = fit.population[rival].p_above(0.0)
    return 1 if p >= LEANS else -1 if p <= 1.0 - LEANS else 0


def _apart(question: Question, rival: str, marks: Fitted, other: Fitted) -> str:
    a, b = _lean(marks, rival), _lean(other, rival)
    if a * b >= 0:
        return ""
    side = {1: rival, -1: question.control}
    pa, pb = marks.population[rival].p_above(0.0), other.population[rival].p_above(0.0)
    said = f"The marks for {spoken(marks.criterion)} speak for {side[a]} (P better {probability(pa)})"
    return f"{said}, {spoken(other.criterion)} speaks for {side[b]} (P better {probability(pb)})."


def _one_driver_apart(rival: str, fit: Fitted) -> list[Disagreement]:
    """One driver leaning against all others who lean at all."""
    lean = {}
    for driver in fit.drivers:
        if fit.own_runs(rival, driver):
            p = fit.own[rival, driver].p_above(0.0)
            lean[driver] = 1 if p >= LEANS else -1 if p <= 1.0 - LEANS else 0
    for way, word in ((1, "better"), (-1, "worse")):
        alone = [d for d, side in lean.items() if side == way]
        others = [d for d, side in lean.items() if side == -way]
        if len(alone) == 1 and len(others) >= 2:
            told = f"{alone[0]} finds {rival} {word} on {spoken(fit.criterion)}, against {joined(others)}."
            return [Disagreement("driver", rival, told)]
    return []


def _panel_against_verdict(panel: Panel, verdicts: Sequence[Verdict], control: str) -> list[tuple[str, str]]:
    """(rival, sentence) for each whose counted reading and verdict point different ways."""
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
        concluded = f"{verdict.sentence[0].lower()}{verdict.sentence[1:]}"
        told.append((verdict.variant, f"{verdict.variant}: counted, {said}; concluded, {concluded}"))
    return told
