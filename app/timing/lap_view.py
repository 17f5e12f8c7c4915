"""Laps arranged for reading: a run with its trace, a session with its drift, proposals and the lap guard."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from statistics import fmean, median
from typing import NamedTuple

from app.clock import minutes_between
from app.measurements.queries import LapRow
from app.timing.guard import Difference, Proposal, difference, of_drivers, propose_incidents, standard_error
from app.timing.queries import CarriedRun
from app.web.charts import LapRun, LapStrips, MarkStrip, lap_strips
from app.web.filters import num
from app.web.lap_charts import DriftPoint, LapTrace, TracePoint, drift_strip, lap_trace


class RunLaps(NamedTuple):
    """What a run's laps say. clean_se : standard error of the clean mean, None under two clean laps."""

    laps: Sequence[LapRow]
    kept: int
    median_s: float | None
    clean_mean_s: float | None
    raw_mean_s: float | None
    scatter_s: float | None
    clean_se: float | None
    proposals: Sequence[Proposal]

    @property
    def left_out(self) -> int:
        return len(self.laps) - self.kept


def run_laps(laps: Sequence[LapRow]) -> RunLaps:
    seconds = [lap.time_ms / 1000 for lap in laps]
    clean = [lap.time_ms / 1000 for lap in laps if not lap.flag]
    scatter = None
    if len(clean) > 1:
        middle = fmean(clean)
        scatter = (sum((s - middle) ** 2 for s in clean) / (len(clean) - 1)) ** 0.5
    asked = [(lap.id, lap.number, lap.time_ms / 1000, not lap.flag and lap.version == 0) for lap in laps]
    return RunLaps(laps, len(clean), median(seconds) if seconds else None, fmean(clean) if clean else None,
                   fmean(seconds) if seconds else None, scatter,
                   None if scatter is None else standard_error(scatter, len(clean)), propose_incidents(asked))  # fmt: skip


def trace_of(laps: Sequence[LapRow]) -> LapTrace | None:
    if not any(not lap.flag for lap in laps):
        return None
    return lap_trace([TracePoint(lap.number, lap.time_ms / 1000, lap.flag) for lap in laps])


class GuardRow(NamedTuple):
    """One driver's laps with a variant against the control, in one session."""

    question: str
    variant: str
    control: str
    driver: str
    found: Difference


class Overall(NamedTuple):
    question: str
    variant: str
    mean_s: float
    drivers: int


class Drift(NamedTuple):
    """How one driver's clean mean changed from the first control run to the last."""

    driver: str
    first: str
    first_s: float
    last: str
    last_s: float
    minutes: float


class SessionLaps(NamedTuple):
    """proposals : (run, what is proposed) of every run that has any; every : all of them as the form's `every`."""

    runs: Sequence[tuple[CarriedRun, RunLaps]]
    proposals: Sequence[tuple[CarriedRun, Proposal]]
    drift: MarkStrip | None
    drifts: Sequence[Drift]
    strips: Sequence[tuple[str, LapStrips]]
    guard: Sequence[GuardRow]
    overall: Sequence[Overall]

    @property
    def every(self) -> str:
        return " ".join(f"{proposal.lap_id}:0" for _, proposal in self.proposals)


def session_laps(runs: Sequence[CarriedRun], laps: Sequence[LapRow]) -> SessionLaps:
    of_run: dict[int, list[LapRow]] = {}
    for lap in laps:
        of_run.setdefault(lap.run_id, []).append(lap)
    found = [(run, run_laps(of_run[run.id])) for run in runs if run.id in of_run]
    guard = _guard(found)
    return SessionLaps(found, [(run, p) for run, said in found for p in said.proposals], _drift(found), _drifts(found),
                       _strips(found), guard, _overall(guard))  # fmt: skip


def _by_driver(found: Sequence[tuple[CarriedRun, RunLaps]]) -> Mapping[str, list[tuple[CarriedRun, RunLaps]]]:
    drivers: dict[str, list[tuple[CarriedRun, RunLaps]]] = {}
    for run, said in found:
        drivers.setdefault(run.driver, []).append((run, said))
    return drivers


def _drift(found: Sequence[tuple[CarriedRun, RunLaps]]) -> MarkStrip | None:
    starts = [run.started_at for run, _ in found if run.started_at is not None]
    if not starts:
        return None
    zero = min(starts)
    drivers = [(driver, [_drift_point(run, said.clean_mean_s, zero) for run, said in listed
                         if run.started_at is not None and said.clean_mean_s is not None])
               for driver, listed in sorted(_by_driver(found).items())]  # fmt: skip
    return drift_strip(drivers) if any(points for _, points in drivers) else None


def _drifts(found: Sequence[tuple[CarriedRun, RunLaps]]) -> list[Drift]:
    drifts = []
    for driver, listed in sorted(_by_driver(found).items()):
        controls = [(run, said.clean_mean_s, run.started_at) for run, said in listed if run.is_control]
        known = sorted(((at, run.label, mean) for run, mean, at in controls if at is not None and mean is not None), key=lambda c: c[0])
        if len(known) > 1:
            (began, first, first_s), (ended, last, last_s) = known[0], known[-1]
            drifts.append(Drift(driver, first, first_s, last, last_s, minutes_between(began, ended)))
    return drifts


def _drift_point(run: CarriedRun, mean_s: float, zero: datetime) -> DriftPoint:
    codes = ", ".join(code for _, code, _ in run.carried.values())
    return DriftPoint(run.label, minutes_between(zero, run.started_at or zero), mean_s, run.is_control, codes[:12])


def _strips(found: Sequence[tuple[CarriedRun, RunLaps]]) -> list[tuple[str, LapStrips]]:
    drawn = []
    for driver, listed in sorted(_by_driver(found).items()):
        runs = [LapRun(run.label, [(lap.time_ms / 1000, not lap.flag) for lap in said.laps], run.is_control, _note(run, said))
                for run, said in listed]  # fmt: skip
        if any(said.kept for _, said in listed):
            drawn.append((driver, lap_strips(runs)))
    return drawn


def _note(run: CarriedRun, said: RunLaps) -> str:
    out = f", {said.left_out} left out" if said.left_out else ""
    return f"{'' if run.is_control else run.variants + ' '}clean mean {num(said.clean_mean_s)} s, n = {said.kept}{out}"


def _guard(found: Sequence[tuple[CarriedRun, RunLaps]]) -> list[GuardRow]:
    """Each driver's laps with each rival against that driver's own control laps, question by question."""
    pooled: dict[tuple[str, str, str], list[tuple[float, bool]]] = {}
    controls: dict[tuple[str, str], tuple[str, list[tuple[float, bool]]]] = {}
    for run, said in found:
        laps = [(lap.time_ms / 1000, not lap.flag) for lap in said.laps]
        for label, code, control in run.carried.values():
            if control:
                controls.setdefault((label, run.driver), (code, []))[1].extend(laps)
            else:
                pooled.setdefault((label, code, run.driver), []).extend(laps)
    rows = []
    for (label, code, driver), laps in sorted(pooled.items()):
        if (label, driver) in controls and (made := difference(controls[label, driver][1], laps)):
            rows.append(GuardRow(label, code, controls[label, driver][0], driver, made))
    return rows


def _overall(guard: Sequence[GuardRow]) -> list[Overall]:
    found = []
    for question, variant in dict.fromkeys((row.question, row.variant) for row in guard):
        rows = {row.driver: row.found for row in guard if (row.question, row.variant) == (question, variant)}
        if (mean := of_drivers(rows)) and len(rows) > 1:
            found.append(Overall(question, variant, *mean))
    return found
