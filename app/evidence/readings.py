"""Gauge readings against their limits, with a guard band of the expanded uncertainty U (k = 2).

pass: inside the limits drawn in by U; fail: outside the limits moved out by U; in between: inconclusive. A reading exactly
on a drawn-in limit passes, exactly on a moved-out limit is inconclusive. Where no uncertainty is stated the limits are
taken as they are (simple acceptance), and the sentence says so.
Source: the idea of JCGM 106 and ISO 14253-1 (guarded acceptance and guarded rejection, guard band = U), from memory.
"""

from collections import Counter
from typing import Literal

from app.evidence.findings import GaugeReading
from app.evidence.inputs import Evidence
from app.evidence.phrases import count, joined
from app.evidence.results import Strand
from app.evidence.rows import Reading

State = Literal["pass", "fail", "inconclusive"]
_WORDS = {"pass": "passes", "fail": "fails", "inconclusive": "is inconclusive"}


def gauge_readings(evidence: Evidence) -> tuple[GaugeReading, ...]:
    """One per reading, control first, then by variant, characteristic and piece."""
    place = {variant: i for i, variant in enumerate(evidence.question.variants)}
    rows = sorted(evidence.readings, key=lambda r: (place[r.variant], r.characteristic, r.piece, r.value))
    return tuple(_read(row) for row in rows)


def guarded_state(value: float, lower: float | None, upper: float | None, uncertainty: float | None) -> State:
    """Where a reading falls; limits None = open on that side, uncertainty None = the limits as they are."""
    guard = uncertainty or 0.0
    slack = 1e-9 * max(abs(value), abs(lower or 0.0), abs(upper or 0.0), guard)  # 9.9 + 0.1 is on the limit 10.0
    below = None if lower is None else value - lower  # how far inside each limit
    above = None if upper is None else upper - value
    inside = [distance for distance in (below, above) if distance is not None]
    if any(distance < -guard - slack for distance in inside):
        return "fail"
    return "pass" if all(distance >= guard - slack for distance in inside) else "inconclusive"


def _read(row: Reading) -> GaugeReading:
    state = guarded_state(row.value, row.lower, row.upper, row.uncertainty)
    return GaugeReading(
        row.variant, row.characteristic, row.piece, row.value, row.uncertainty, row.lower, row.upper, row.unit, state, _sentence(row, state)
    )


def _sentence(row: Reading, state: State) -> str:
    unit = f" {row.unit}" if row.unit else ""
    where = f"{row.variant}, {row.characteristic}{f' of {row.piece}' if row.piece else ''}"
    if row.lower is None and row.upper is None:
        return f"{where}: {row.value:g}{unit}; no limit is stated, so nothing can fail."
    limits = (
        f"limits {row.lower:g} to {row.upper:g}{unit}"
        if row.lower is not None and row.upper is not None
        else f"at least {row.lower:g}{unit}"
        if row.lower is not None
        else f"at most {row.upper:g}{unit}"
    )
    if row.uncertainty is None:
        return f"{where}: {row.value:g}{unit} {_WORDS[state]} ({limits}; no uncertainty is stated, so the limits are taken as they are)."
    why = " The limit lies within the uncertainty: gauge it again, or better." if state == "inconclusive" else ""
    return f"{where}: {row.value:g} ± {row.uncertainty:g}{unit} {_WORDS[state]} ({limits}).{why}"


def reading_strand(evidence: Evidence, readings: tuple[GaugeReading, ...]) -> Strand:
    """Counts per variant, and what failed or is open, as one strand; readings make no improvement in points."""
    if not readings:
        return Strand("readings", "no_evidence", {}, {}, {}, "No gauge readings yet.")
    told = []
    for variant in evidence.question.variants:
        own = [r for r in readings if r.variant == variant]
        if not own:
            continue
        states = Counter(r.state for r in own)
        counts = [f"{states[state]} {word}" for state, word in _COUNTED if states[state]]  # type: ignore[index]
        told.append(f"{variant}: {count(len(own), 'reading')}, {joined(counts)}.")
    told += [r.sentence for r in readings if r.state != "pass"]
    if any(r.uncertainty is None for r in readings):
        told.append("Where no uncertainty is stated, the limits are taken as they are.")
    return Strand("readings", "evidence", {}, {}, {}, " ".join(told))


_COUNTED = (("pass", "inside the limits"), ("fail", "outside"), ("inconclusive", "inconclusive"))
