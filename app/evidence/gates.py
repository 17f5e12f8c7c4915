"""Gates: what must be true of the programme before figures may decide. A failed gate turns a verdict into a retest."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.evidence.conditions import COVERED_DRIVERS, COVERED_RUNS, COVERED_SESSIONS, compared_in, paired_outings
from app.evidence.criteria import deciding, spoken
from app.evidence.design_check import BLOCKING_VIF
from app.evidence.findings import FailureReading
from app.evidence.fitted import Fitted
from app.evidence.inputs import Evidence, Gate, Question
from app.evidence.panel import blind_share
from app.evidence.phrases import count, percent
from app.evidence.results import DesignReading
from app.evidence.rows import PREFERENCE

FLOOR_DRIVERS, FLOOR_SESSIONS = 2, 2  # no declared rule goes below
_ALL, _KEEPS_RIVAL = ("adopt", "setting", "reject"), ("adopt", "setting")
_HARD_FLAGS = ("aliased", "one_driver", "late_only", "inflated")


@dataclass(frozen=True, slots=True)
class Unmet:
    """A gate that is not met: which verdicts it stops, and whether it is named before figures that fall short."""

    clause: str
    needs: str
    found: str
    stops: tuple[str, ...]
    before_figures: bool
    told_by_flag: bool = False


def unmet_gates(
    evidence: Evidence, variant: str, fit: Fitted | None, design: DesignReading, failures: FailureReading | None = None
) -> tuple[Unmet, ...]:
    """Gates not met for this rival, the most fundamental first, without those the rule leaves out."""
    found = _unmet(evidence, variant, fit, design, failures)
    return tuple(gate for gate in found if gate.clause not in evidence.question.rule.ignored_gates)


def _unmet(
    evidence: Evidence, variant: str, fit: Fitted | None, design: DesignReading, failures: FailureReading | None
) -> list[Unmet]:
    rule = evidence.question.rule
    kinds = {f.kind for f in design.flags if f.blocks}
    nothing_told = ["aliased"] if "aliased" in kinds else []
    if "late_only" in kinds and not design.informative_sessions:
        nothing_told = ["late_only"]
    by_parts = (design.vif_parts or 0.0) >= BLOCKING_VIF > (design.vif_clock or 0.0)
    first = nothing_told or (["inflated"] if "inflated" in kinds and by_parts else [])
    found = [_of_flag(design, kind) for kind in first]
    sessions, least_sessions = len(design.informative_sessions), max(FLOOR_SESSIONS, rule.sessions)
    driven = len({row.session for row in fit.fitted}) if fit is not None else sessions
    if sessions < least_sessions and not nothing_told:
        told = count(sessions, "session") if driven <= sessions else f"{sessions} of {driven} sessions"
        found.append(Unmet("sessions", count(least_sessions, "session"), told, _ALL, True))
    drivers, least_drivers = len(design.informative_drivers), max(FLOOR_DRIVERS, rule.drivers)
    if drivers < least_drivers and not nothing_told:
        found.append(Unmet("drivers", count(least_drivers, "driver"), count(drivers, "driver"), _KEEPS_RIVAL, True))
    found += [_of_flag(design, kind) for kind in _HARD_FLAGS[1:] if kind in kinds and kind not in first]
    if any(f.kind == "one_session" for f in design.flags):
        found.append(_of_flag(design, "one_session"))
    found += _declared_elsewhere(evidence, variant, failures)
    for condition in rule.conditions:
        told = _coverage(fit, variant, evidence.question.control, condition)
        if told:
            least = f"{COVERED_SESSIONS} sessions, {COVERED_DRIVERS} drivers and {COVERED_RUNS} paired runs"
            needs = f"{condition} in {least}"
            found.append(Unmet("conditions", needs, told, _KEEPS_RIVAL, False))
    share = blind_share(evidence.marks, evidence.question)
    if rule.blind_share > 0 and (share or 0.0) < rule.blind_share - 1e-9:
        told = f"only {percent(share or 0.0)} of the marks are blind"
        found.append(Unmet("blind", f"{percent(rule.blind_share)} of the marks blind", told, _KEEPS_RIVAL, False))
    return found


def thin_criteria(question: Question, variant: str, fits: Mapping[str, Fitted]) -> list[Unmet]:
    """A must or goal that only one session or one driver speaks on: nearly its prior, so nothing is adopted on it."""
    found = []
    for name in deciding(question):
        rows = fits[name].fitted
        both = paired_outings(rows, variant, question.control)
        if name == PREFERENCE:  # a choice is a comparison by itself
            both = {(r.driver, r.session) for r in rows if r.variant == variant}
        sessions, drivers = len({s for _, s in both}), len({d for d, _ in both})
        for clause, n, least, noun in (("sessions", sessions, FLOOR_SESSIONS, "session"), ("drivers", drivers, FLOOR_DRIVERS, "driver")):
            if 0 < n < least and clause not in question.rule.ignored_gates:
                told = f"{spoken(name)} was compared in only 1 {noun}" if noun == "session" else f"only 1 driver compared {spoken(name)}"
                found.append(Unmet(clause, f"{spoken(name)} from {count(least, noun)}", told, _KEEPS_RIVAL, False))
    return found


def _of_flag(design: DesignReading, kind: str) -> Unmet:
    flag = next(f for f in design.flags if f.kind == kind)
    hard = kind in _HARD_FLAGS
    return Unmet(kind, _NEEDS[kind], flag.sentence.rstrip("."), _ALL if hard else _KEEPS_RIVAL, hard, told_by_flag=True)


_NEEDS = {
    "aliased": "runs that tell the rival from everything that changed with it",
    "one_driver": "a second driver with weight",
    "one_session": "a second session with weight",
    "late_only": "the rival both before and after the control within a session",
    "inflated": "more runs that differ in the rival only",
}


def _declared_elsewhere(evidence: Evidence, variant: str, failures: FailureReading | None) -> list[Unmet]:
    """Concerns, pass/fail gates and durability: what was checked outside the marks."""
    found = []
    own = [g for g in evidence.gates if g.variant in (None, variant)]
    for concern in evidence.concerns:
        if concern.blocks and concern.variant in (None, variant):
            told = f"concern {concern.label} is open"
            found.append(Unmet("blocked", f"concern {concern.label} closed", told, _KEEPS_RIVAL, False))
    for gate in own:
        told = gate.sentence.rstrip(".") or f"the gate '{gate.name}' is not passed"
        if gate.name != "durability" and gate.passed is False:
            found.append(Unmet("blocked", f"the gate '{gate.name}' passed", told, _KEEPS_RIVAL, False))
        elif gate.passed is None and gate.sentence:  # declared and begun, such as 12 clean hits of 20
            found.append(Unmet("durability", f"the gate '{gate.name}' passed", told, _KEEPS_RIVAL, False))
    found += _durability(evidence, own, failures)
    return found


def _durability(evidence: Evidence, own: Sequence[Gate], failures: FailureReading | None) -> list[Unmet]:
    """Counted failures where a limit is declared, else what a person checked elsewhere."""
    durable = [g.passed for g in own if g.name == "durability"]
    told = ""
    if False in durable:
        told = "durability is not passed"
    elif evidence.question.rule.durability is not None and True not in durable:
        if failures is None:
            told = "no exposure is filed yet"
        elif failures.state != "shown":
            told = f"{count(failures.failures, 'failure')} in {failures.exposure:g} {failures.unit}"
            told += f"; {failures.missing:g} more without a failure are missing" if failures.missing else ""
    return [Unmet("durability", "durability shown", told, _KEEPS_RIVAL, False)] if told else []


def _coverage(fit: Fitted | None, variant: str, control: str, condition: str) -> str:
    """'' when the class is covered, else what there is."""
    found = compared_in(fit, variant, control, condition)
    if found.enough:
        return ""
    seen = f"{count(found.sessions, 'session')}, {count(len(found.by_driver), 'driver')} and {count(found.runs, 'paired run')}"
    return f"{condition} is seen in only {seen}"
