"""Pictures of what was gauged: points with their uncertainty between limits. Geometry only; templates/ui/gauge_charts.html draws it.

A pass is a dot, inconclusive a ring, a failure a cross: never only another colour. Limits are dashed lines with their figure.
"""

from collections.abc import Sequence
from typing import NamedTuple

from app.web.charts import WIDTH, Scale
from app.web.filters import num

TOP, BOTTOM, LEFT, RIGHT = 26.0, 206.0, 52.0, 344.0


class Axis(NamedTuple):
    """lower, upper : limits, None = open."""

    name: str
    unit: str
    lower: float | None
    upper: float | None
    decimals: int


class Point(NamedTuple):
    """ux, uy : U on either axis; state : pass, inconclusive, fail, information."""

    x: float
    y: float
    ux: float
    uy: float
    label: str
    state: str


class Series(NamedTuple):
    label: str
    points: Sequence[Point]


class DrawnPoint(NamedTuple):
    x: float
    y: float
    x1: float
    x2: float
    y1: float
    y2: float
    label: str
    anchor: str
    state: str


class LimitLine(NamedTuple):
    at: float
    text: str


class ScatterPicture(NamedTuple):
    """x_limits stand upright, y_limits lie flat; ends : the words at both ends of either axis."""

    width: float
    height: float
    points: tuple[DrawnPoint, ...]
    paths: tuple[str, ...]
    x_limits: tuple[LimitLine, ...]
    y_limits: tuple[LimitLine, ...]
    x_ends: tuple[str, str]
    y_ends: tuple[str, str]
    x_name: str
    y_name: str
    summary: str


def scatter(series: Sequence[Series], x: Axis, y: Axis, *, joined: bool = False) -> ScatterPicture:
    """Points of all series on shared axes; joined: those of a series by a line, in their order. Raises ValueError without a point."""
    points = [point for one in series for point in one.points]
    if not points:
        raise ValueError("`series` must hold at least one point")
    across = _scale([v for p in points for v in (p.x - p.ux, p.x + p.ux)], x, LEFT, RIGHT)
    down = _scale([v for p in points for v in (p.y - p.uy, p.y + p.uy)], y, BOTTOM, TOP)
    drawn = tuple(
        DrawnPoint(across.at(p.x), down.at(p.y), across.at(p.x - p.ux), across.at(p.x + p.ux), down.at(p.y - p.uy), down.at(p.y + p.uy),
                   p.label, "end" if across.at(p.x) > 300 else "start", p.state)
        for p in points
    )  # fmt: skip
    lines = [one.points for one in series if joined and len(one.points) > 1]
    paths = tuple("M" + " L".join(f"{across.at(p.x)} {down.at(p.y)}" for p in line) for line in lines)
    told = "; ".join(f"{f'{one.label} {p.label}'.strip()}: {num(p.x, x.decimals)} {x.unit}, {num(p.y, y.decimals)} ± "
                     f"{num(p.uy, y.decimals)} {y.unit}, {p.state}" for one in series for p in one.points)  # fmt: skip
    return ScatterPicture(
        WIDTH, BOTTOM + 44, drawn, paths, _lines(x, across), _lines(y, down),
        (num(across.lowest, x.decimals), num(across.highest, x.decimals)),
        (num(down.lowest, y.decimals), num(down.highest, y.decimals)), _named(x), _named(y), told,
    )  # fmt: skip


def _named(axis: Axis) -> str:
    return f"{axis.name}, {axis.unit}" if axis.unit not in axis.name else axis.name


def _scale(values: Sequence[float], axis: Axis, start: float, end: float) -> Scale:
    known = [*values, *(limit for limit in (axis.lower, axis.upper) if limit is not None)]
    lowest, highest = min(known), max(known)
    air = (highest - lowest) * 0.08 or abs(highest) * 0.1 or 1.0
    return Scale(max(0.0, lowest - air) if lowest >= 0 else lowest - air, highest + air, start=start, end=end)


def _lines(axis: Axis, scale: Scale) -> tuple[LimitLine, ...]:
    named = (("at least", axis.lower), ("at most", axis.upper))
    return tuple(LimitLine(scale.at(limit), f"{word} {num(limit, axis.decimals)}") for word, limit in named if limit is not None)
