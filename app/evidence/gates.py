"""Gates: what must be true of the programme before figures may decide. A failed gate turns a verdict into a retest."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from app.evidence.inputs import Evidence
from app.evidence.panel import blind_share
from app.evidence.phrases import count, percent
from app.evidence.ratings import FittedAttribute
from app.evidence.results import DesignReading

FLOOR_DRIVERS, FLOOR_SESSIONS = 2, 2  # no declared rule goes below
COVERED_SESSIONS, COVERED_DRIVERS, COVERED_RUNS = 2, 2, 6  # for a condition class to count as covered
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
    evidence: Evidence, variant: str, fit: FittedAttribute | None, design: DesignReading
) -> tuple[Unmet, ...]:
    """Gates not met for this rival, the most fundamental first."""
    rule = evidence.question.rule
    found = [_of_flag(design, "aliased")] if any(f.kind == "aliased" for f in design.flags) else []
    sessions, least_sessions = len(design.informative_sessions), max(FLOOR_SESSIONS, rule.sessions)
    if sessions < least_sessions and not found:
        needs = count(least_sessions, "session")
        found.append(Unmet("sessions", needs, count(sessions, "session"), _ALL, True))
    drivers, least_drivers = len(design.informative_drivers), max(FLOOR_DRIVERS, rule.drivers)
    if drivers < least_drivers and not any(g.clause == "aliased" for g in found):
        found.append(Unmet("drivers", count(least_drivers, "driver"), count(drivers, "driver"), _KEEPS_RIVAL, True))
    found += [_of_flag(design, kind) for kind in _HARD_FLAGS[1:] if any(f.kind == kind for f in design.flags)]
    if any(f.kind == "one_session" for f in design.flags):
        found.append(_of_flag(design, "one_session"))
    found += _declared_elsewhere(evidence, variant)
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
    return tuple(found)


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


def _declared_elsewhere(evidence: Evidence, variant: str) -> list[Unmet]:
    """Concerns, pass/fail gates and durability: what was checked outside the marks."""
    found = []
    own = [g for g in evidence.gates if g.variant in (None, variant)]
    for concern in evidence.concerns:
        if concern.blocks and concern.variant in (None, variant):
            told = f"concern {concern.label} is open"
            found.append(Unmet("blocked", f"concern {concern.label} closed", told, _KEEPS_RIVAL, False))
    for gate in own:
        if gate.name != "durability" and gate.passed is False:
            told = gate.sentence.rstrip(".") or f"the gate '{gate.name}' is not passed"
            found.append(Unmet("blocked", f"the gate '{gate.name}' passed", told, _KEEPS_RIVAL, False))
    durable = [g.passed for g in own if g.name == "durability"]
    if False in durable or (evidence.question.rule.durability and True not in durable):
        told = "durability is not passed" if False in durable else "no durability evidence yet"
        found.append(Unmet("durability", "durability shown", told, _KEEPS_RIVAL, False))
    return found


def _coverage(fit: FittedAttribute | None, variant: str, control: str, condition: str) -> str:
    """'' when the class is covered, else what there is."""
    rows = [m for m in fit.fitted if m.condition == condition and m.variant in (variant, control)] if fit else []
    paired = _paired(rows, variant, control)
    sessions, drivers = len({m[1] for m in paired}), len({m[0] for m in paired})
    runs = sum((m.driver, m.session) in paired for m in rows)
    if sessions >= COVERED_SESSIONS and drivers >= COVERED_DRIVERS and runs >= COVERED_RUNS:
        return ""
    seen = f"{count(sessions, 'session')}, {count(drivers, 'driver')} and {count(runs, 'paired run')}"
    return f"{condition} is seen in only {seen}"


def _paired(rows: Sequence, variant: str, control: str) -> set[tuple[str, str]]:
    seen: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    for mark in rows:
        seen[mark.driver, mark.session].add(mark.variant)
    return {outing for outing, variants in seen.items() if {variant, control} <= variants}
