"""Pictures of reliability: a share with its exact interval for each revision, and counted causes, most frequent first.

Geometry only; templates/ui/reliability_charts.html draws it, and the same figures stand in the table beside it.
"""

from collections.abc import Sequence
from typing import NamedTuple

from app.web.charts import LEFT, RIGHT, WIDTH, Scale

PITCH = 46.0


class ShareRow(NamedTuple):
    """One revision: failures of exposures with an exact interval; share, low and high between 0 and 1, or a rate."""

    label: str
    share: float
    low: float
    high: float
    note: str


class DrawnShare(NamedTuple):
    label: str
    note: str
    y_text: float
    y: float
    x: float
    x_low: float
    x_high: float


class SharePicture(NamedTuple):
    width: float
    height: float
    ticks: tuple[tuple[float, str, str], ...]
    rows: tuple[DrawnShare, ...]
    summary: str


def share_picture(rows: Sequence[ShareRow], *, unit: str) -> SharePicture:
    """Failures per 100, fewer to the left, one line a revision in the order of issue. Raises ValueError without a row."""
    if not rows:
        raise ValueError("`rows` must hold at least one revision")
    most = max(row.high for row in rows)
    step = next(s for s in (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1, 5, 10, 50, 1e3, 1e6) if most / s <= 4)
    top = step * -(-most // step)
    across = Scale(0.0, max(top, step), LEFT, RIGHT)
    marks = [step * k for k in range(round(top / step) + 1)]
    drawn = tuple(
        DrawnShare(row.label, row.note, 40 + k * PITCH, 56 + k * PITCH, across.at(row.share), across.at(row.low), across.at(row.high))
        for k, row in enumerate(rows)
    )  # fmt: skip
    ticks = tuple((across.at(mark), f"{100 * mark:g}", "start" if k == 0 else "end" if k == len(marks) - 1 else "middle")
                  for k, mark in enumerate(marks))  # fmt: skip
    told = "; ".join(f"{row.label}: {100 * row.share:.1f} ({100 * row.low:.1f} to {100 * row.high:.1f}) {unit}, {row.note}" for row in rows)
    return SharePicture(WIDTH, 30 + len(rows) * PITCH + 6, ticks, drawn, told)


class DrawnBar(NamedTuple):
    label: str
    n: int
    share: str
    y_text: float
    y: float
    length: float


class BarPicture(NamedTuple):
    width: float
    height: float
    x: float
    bars: tuple[DrawnBar, ...]
    summary: str


def bar_picture(rows: Sequence[tuple[str, int, float]]) -> BarPicture:
    """(label, count, cumulative share), the most frequent first. Raises ValueError without a row."""
    if not rows:
        raise ValueError("`rows` must hold at least one line")
    across = Scale(0.0, max(count for _, count, _ in rows), 0.0, RIGHT - LEFT)
    bars = tuple(DrawnBar(label, count, f"{100 * share:.0f} %", 14 + k * 36.0, 20 + k * 36.0, max(across.at(count), 2.0))
                 for k, (label, count, share) in enumerate(rows))  # fmt: skip
    told = "; ".join(f"{label}: {count}, cumulative {100 * share:.0f} %" for label, count, share in rows)
    return BarPicture(WIDTH, len(rows) * 36.0 + 4, LEFT, bars, told)
