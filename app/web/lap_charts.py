"""Pictures of lap times: one run's trace, and a session's drift. Geometry only; templates/ui/lap_charts.html draws it.

Faster is higher everywhere. A lap that is left out is a cross at the edge with its number, never only another colour.
"""

from collections.abc import Sequence
from statistics import median
from typing import NamedTuple

from app.web.charts import WIDTH, DrawnStrip, MarkPoint, MarkStrip, Scale, _strip, _time_span
from app.web.filters import num

TOP, HEIGHT = 26.0, 120.0


class TracePoint(NamedTuple):
    """One lap: `why` says why it is left out, empty = it counts."""

    number: int
    seconds: float
    why: str = ""


class DrawnPoint(NamedTuple):
    number: int
    x: float
    y: float
    counted: bool
    text: str
    anchor: str


class LapTrace(NamedTuple):
    """One run. x_ticks : (x, lap number) under the picture; the median of the counted laps is a dashed line."""

    width: float
    height: float
    y_top: float
    y_bottom: float
    path: str
    points: tuple[DrawnPoint, ...]
    y_median: float
    median_text: str
    fastest_text: str
    slowest_text: str
    y_ticks: float
    x_ticks: tuple[tuple[float, str], ...]
    summary: str


def lap_trace(laps: Sequence[TracePoint]) -> LapTrace:
    """Lap time over lap number, on the scale of the counted laps; those left out are crosses at the edge they lie beyond.

    Raises ValueError without a counted lap.
    """
    counted = [lap.seconds for lap in laps if not lap.why]
    if not counted:
        raise ValueError("`laps` must hold at least one counted lap")
    fastest, slowest, middle = min(counted), max(counted), median(counted)
    air = (slowest - fastest) * 0.08 or 0.1
    across = Scale(min(lap.number for lap in laps), max(max(lap.number for lap in laps), laps[0].number + 1), start=40.0, end=344.0)
    down = Scale(slowest + air, fastest - air, start=TOP + HEIGHT, end=TOP)
    points = tuple(_point(lap, across.at(lap.number), down.at(lap.seconds)) for lap in laps)
    path = "M" + " L".join(f"{point.x} {point.y}" for point in points if point.counted)
    left = [lap for lap in laps if lap.why]
    told = "".join(f"; lap {lap.number} {num(lap.seconds)} s left out, {lap.why}" for lap in left[:20])
    summary = f"{len(counted)} laps from {num(fastest)} to {num(slowest)} s, median {num(middle)} s{told}"
    return LapTrace(WIDTH, TOP + HEIGHT + 34, TOP, TOP + HEIGHT, path, points, down.at(middle), f"median {num(middle)}", num(fastest),
                    num(slowest), TOP + HEIGHT + 28, _ticks(laps, across), summary)  # fmt: skip


def _point(lap: TracePoint, x: float, y: float) -> DrawnPoint:
    anchor = "start" if x < 80 else "end" if x > 300 else "middle"
    return DrawnPoint(lap.number, x, y, not lap.why, f"lap {lap.number} {num(lap.seconds)} left out" if lap.why else "", anchor)


def _ticks(laps: Sequence[TracePoint], across: Scale) -> tuple[tuple[float, str], ...]:
    first, last = min(lap.number for lap in laps), max(lap.number for lap in laps)
    step = max(1, -(-(last - first) // 6))
    return tuple((across.at(n), str(n)) for n in range(first, last + 1, step))


class DriftPoint(NamedTuple):
    """One run: minutes from the session's first run, and its mean of clean laps in seconds."""

    run: str
    x_min: float
    mean_s: float
    is_control: bool
    variant: str = ""


def drift_strip(drivers: Sequence[tuple[str, Sequence[DriftPoint]]]) -> MarkStrip:
    """Each driver's runs over the clock: controls hollow and joined, so that their line is the track's change.

    Every driver has a scale of their own length, since one is slower than the other, but the same seconds a unit.
    Raises ValueError without a run.
    """
    shown = [(label, sorted(points, key=lambda point: point.x_min)) for label, points in drivers if points]
    if not shown:
        raise ValueError("`drivers` must hold at least one run")
    across = Scale(*_time_span([point.x_min for _, points in shown for point in points]), start=36.0, end=336.0)
    span = max(max(p.mean_s for p in points) - min(p.mean_s for p in points) for _, points in shown) or 0.2
    pitch, height = 140.0, 58.0
    strips: list[DrawnStrip] = []
    for place, (label, points) in enumerate(shown):
        middle = (max(p.mean_s for p in points) + min(p.mean_s for p in points)) / 2
        marks = [MarkPoint(p.run, p.x_min, p.mean_s, p.is_control, True, p.variant) for p in points]
        strips.append(_strip(label, marks, across, place * pitch + 42, height, (middle + span * 0.55, middle - span * 0.55), 2))
    summary = "; ".join(f"{label}: {', '.join(_told(point) for point in points)}" for label, points in shown)
    return MarkStrip(WIDTH, len(shown) * pitch - 4, tuple(strips), "", "", summary)


def _told(point: DriftPoint) -> str:
    words = [point.run, point.variant, "control" if point.is_control else "", f"{num(point.mean_s)} s"]
    return " ".join(word for word in words if word)
