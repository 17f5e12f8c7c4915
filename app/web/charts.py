"""The geometry of the pictures: numbers in, frozen coordinates out. templates/ui/charts.html only draws them.

Every picture is 360 units wide, the width of a small phone, so that a unit is about a pixel there and text of 11
units stays readable. x runs to the right, y downwards. Nothing here knows of colours; a chart that must be read in
one ink says everything by shape, place and word.
"""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from app.web.filters import num, signed

WIDTH = 360.0
LEFT, RIGHT = 14.0, 346.0
"""The plotting space: the outermost values stand here."""


# --- one axis for all --------------------------------------------------------------------------------------------


class Scale(NamedTuple):
    """A straight mapping from values to units."""

    lowest: float
    highest: float
    start: float = LEFT
    end: float = RIGHT

    def at(self, value: float) -> float:
        """Where a value stands; values beyond the ends stand at the ends."""
        share = (value - self.lowest) / (self.highest - self.lowest)
        return round(self.start + min(max(share, 0.0), 1.0) * (self.end - self.start), 1)


class Tick(NamedTuple):
    """A value on an axis and the word that stands at it; `anchor` is the SVG text-anchor that keeps it inside."""

    x: float
    text: str
    anchor: str = "middle"


class Band(NamedTuple):
    """A stretch of the axis that has a meaning: `kind` is "for", "against" or "none"."""

    x: float
    width: float
    kind: str


def _span(values: Iterable[float], *, padding: float = 0.06) -> tuple[float, float]:
    """Lowest and highest of the values with a little air; never of no width."""
    known = list(values)
    lowest, highest = min(known), max(known)
    air = (highest - lowest) * padding or 0.5
    return lowest - air, highest + air


def _anchor(x: float) -> str:
    """Text near an edge is anchored away from it."""
    if x < LEFT + 26:
        return "start"
    return "end" if x > RIGHT - 26 else "middle"


def _apart(marks: Sequence[tuple[float, str]], *, unit_per_letter: float = 7.0) -> list[int]:
    """Which line each label takes so that no two on one line touch; marks come ordered by x."""
    ends: list[float] = []
    lines = []
    for x, text in marks:
        half = len(text) * unit_per_letter / 2
        line = next((n for n, end in enumerate(ends) if x - half >= end), len(ends))
        if line == len(ends):
            ends.append(0.0)
        ends[line] = x + half + 3
        lines.append(line)
    return lines


# --- intervals: one row a variant --------------------------------------------------------------------------------


class IntervalRow(NamedTuple):
    """One variant's difference from control with its interval. `note` is said beside it ("2 of 3 drivers")."""

    label: str
    mean: float
    low: float
    high: float
    n: int
    note: str = ""


class DrawnInterval(NamedTuple):
    label: str
    note: str
    text: str
    y_label: float
    y: float
    x_mean: float
    x_low: float
    x_high: float
    low: str
    mean: str
    high: str
    n: int


class IntervalPicture(NamedTuple):
    """Rows of mean and interval on strips with two bands: "worthwhile" at the better end, "too much worse" at the
    other. The words of the bands stand under the last strip, from y = `y_words`."""

    width: float
    height: float
    y_words: float
    strip: float
    x_zero: float
    x_worthwhile: float
    x_margin: float
    worthwhile: Band
    margin: Band
    worthwhile_text: str
    margin_text: str
    rows: tuple[DrawnInterval, ...]
    unit: str
    level: str
    summary: str


def interval_picture(
    rows: Sequence[IntervalRow], *, worthwhile: float, margin: float, unit: str, level: str = "90 %", decimals: int = 2,
) -> IntervalPicture:  # fmt: skip
    """Differences from control, better to the right.

    worthwhile : the least difference worth having, > 0, in `unit`
    margin     : how much worse still counts as "no worse", ≥ 0, in `unit`
    Raises ValueError without rows or with a width that is not positive.
    """
    if not rows:
        raise ValueError("`rows` must hold at least one interval")
    if worthwhile <= 0 or margin < 0:
        raise ValueError(f"`worthwhile` must be > 0 and `margin` >= 0, got {worthwhile} and {margin}")
    lowest, highest = _span([-1.6 * margin, 1.6 * worthwhile, 0.0, *(v for row in rows for v in (row.low, row.high))])
    scale = Scale(lowest, highest)
    pitch, strip = 58.0, 28.0
    drawn = tuple(
        DrawnInterval(
            label=row.label, note=row.note, n=row.n,
            text=f"{signed(row.mean, decimals)} ({signed(row.low, decimals)} to {signed(row.high, decimals)})",
            y_label=15 + place * pitch, y=24 + strip / 2 + place * pitch,
            x_mean=scale.at(row.mean), x_low=scale.at(row.low), x_high=scale.at(row.high),
            low=signed(row.low, decimals), mean=signed(row.mean, decimals), high=signed(row.high, decimals),
        )
        for place, row in enumerate(rows)
    )  # fmt: skip
    y_words = (len(rows) - 1) * pitch + 24 + strip + 16
    x_worth, x_margin = scale.at(worthwhile), scale.at(-margin)
    return IntervalPicture(
        width=WIDTH, height=y_words + 20, y_words=y_words, strip=strip, x_zero=scale.at(0.0), x_worthwhile=x_worth,
        x_margin=x_margin, worthwhile=Band(x_worth, round(WIDTH - x_worth, 1), "for"),
        margin=Band(0.0, x_margin, "against"), worthwhile_text=signed(worthwhile, decimals),
        margin_text=signed(-margin, decimals), rows=drawn, unit=unit, level=level,
        summary="; ".join(f"{row.label}: {row.text} {unit}, n = {row.n}" for row in drawn),
    )  # fmt: skip


# --- marks over time: one strip a driver -------------------------------------------------------------------------


class MarkPoint(NamedTuple):
    """One mark: `run` is its label, `x_min` minutes from the first run, `value` the mark as shown on its scale."""

    run: str
    x_min: float
    value: float
    is_control: bool
    counted: bool = True
    variant: str = ""


class DrawnMark(NamedTuple):
    run: str
    x: float
    y: float
    value: str
    variant: str
    is_control: bool
    counted: bool
    anchor: str
    y_value: float
    y_base: float
    """Where the line between the two controls runs under a test mark: the height the mark is compared with."""
    named: bool = True
    """Is there room for its run and build below? Tests have it before controls; the table names every one."""


class Bracket(NamedTuple):
    """The line from one control to the next."""

    x1: float
    y1: float
    x2: float
    y2: float


class DrawnStrip(NamedTuple):
    label: str
    y_label: float
    y_top: float
    y_bottom: float
    y_runs: float
    marks: tuple[DrawnMark, ...]
    brackets: tuple[Bracket, ...]


class MarkStrip(NamedTuple):
    width: float
    height: float
    strips: tuple[DrawnStrip, ...]
    lowest_text: str
    highest_text: str
    summary: str


def mark_strip(
    drivers: Sequence[tuple[str, Sequence[MarkPoint]]], lowest: float, highest: float, *, decimals: int = 1,
) -> MarkStrip:  # fmt: skip
    """Each driver's marks in the order of the day; counted controls are joined, so each test stands over its bracket.

    lowest, highest : the ends of the scale worth showing (not always those of the attribute)
    Raises ValueError without a mark or when the scale has no width.
    """
    if not any(points for _, points in drivers):
        raise ValueError("`drivers` must hold at least one mark")
    if highest <= lowest:
        raise ValueError(f"`highest` must be above `lowest`, got {lowest} and {highest}")
    across = Scale(*_time_span([point.x_min for _, points in drivers for point in points]), start=36.0, end=336.0)
    pitch, height = 140.0, 58.0
    strips = []
    for place, (label, points) in enumerate(drivers):
        top = place * pitch + 42
        strips.append(_strip(label, sorted(points, key=lambda point: point.x_min), across, top, height,
                             (lowest, highest), decimals))  # fmt: skip
    summary = "; ".join(
        f"{label}: " + ", ".join(f"{point.run} {point.variant} {num(point.value, decimals)}".replace("  ", " ")
                                 for point in sorted(points, key=lambda point: point.x_min))
        for label, points in drivers
    )  # fmt: skip
    return MarkStrip(WIDTH, len(drivers) * pitch - 4, tuple(strips), num(lowest, 0), num(highest, 0), summary)


def _time_span(minutes: Sequence[float]) -> tuple[float, float]:
    return (min(minutes), max(minutes)) if max(minutes) > min(minutes) else (min(minutes) - 1, max(minutes) + 1)


def _strip(
    label: str, points: Sequence[MarkPoint], across: Scale, top: float, height: float, ends: tuple[float, float],
    decimals: int,
) -> DrawnStrip:  # fmt: skip
    down = Scale(ends[0], ends[1], start=top + height, end=top)
    controls = [(across.at(p.x_min), down.at(p.value)) for p in points if p.is_control and p.counted]
    brackets = tuple(Bracket(x1, y1, x2, y2) for (x1, y1), (x2, y2) in pairwise(controls))
    drawn = [_mark(point, across.at(point.x_min), down.at(point.value), brackets, decimals) for point in points]
    marks = tuple(mark._replace(named=named) for mark, named in zip(drawn, _with_room(drawn), strict=True))
    return DrawnStrip(label, top - 27, top, top + height, top + height + 31, marks, brackets)


def _mark(point: MarkPoint, x: float, y: float, brackets: Sequence[Bracket], decimals: int) -> DrawnMark:
    base = _base(brackets, x, y)
    above = y <= base  # the figure stands on the side away from the line the mark is compared with
    return DrawnMark(
        run=point.run, x=x, y=y, value=num(point.value, decimals), variant=point.variant, is_control=point.is_control,
        counted=point.counted, anchor=_anchor(x), y_value=y - 9 if above else y + 18, y_base=base,
    )  # fmt: skip


def _with_room(marks: Sequence[DrawnMark], *, letter: float = 7.0) -> list[bool]:
    """Which marks can be named without running into each other: tests first, then controls, each from the left."""
    taken: list[tuple[float, float]] = []
    found = [False] * len(marks)
    for i in sorted(range(len(marks)), key=lambda i: (marks[i].is_control and marks[i].counted, marks[i].x)):
        half = letter * max(len(marks[i].run), len(marks[i].variant), 4) / 2
        left, right = marks[i].x - half, marks[i].x + half
        if all(right <= a or left >= b for a, b in taken):
            taken.append((left, right))
            found[i] = True
    return found


def _base(brackets: Sequence[Bracket], x: float, y: float) -> float:
    for bracket in brackets:
        if bracket.x1 < x < bracket.x2:
            share = (x - bracket.x1) / (bracket.x2 - bracket.x1)
            return round(bracket.y1 + share * (bracket.y2 - bracket.y1), 1)
    return y


# --- driver effects: every driver a labelled tick ----------------------------------------------------------------


class EffectRow(NamedTuple):
    """One variant: each driver's effect; those in `not_counted` are shown thin and in brackets."""

    label: str
    effects: Sequence[tuple[str, float]]
    note: str = ""
    not_counted: Sequence[tuple[str, float]] = ()


class DrawnEffect(NamedTuple):
    initials: str
    x: float
    y_text: float
    text: str
    counted: bool


class DrawnEffectRow(NamedTuple):
    label: str
    note: str
    y_label: float
    y: float
    x_median: float | None
    x_median_text: float
    median_text: str
    effects: tuple[DrawnEffect, ...]


class EffectPicture(NamedTuple):
    """Rows of driver ticks over the band from −W to +W, in which a driver counts as "no difference"."""

    width: float
    height: float
    top: float
    bottom: float
    x_zero: float
    band: Band
    x_minus: float
    x_plus: float
    minus_text: str
    plus_text: str
    rows: tuple[DrawnEffectRow, ...]
    unit: str
    summary: str


def driver_effects(
    rows: Sequence[EffectRow], *, worthwhile: float, unit: str = "marks", decimals: int = 2,
) -> EffectPicture:  # fmt: skip
    """Each driver's own effect, better to the right; labels that would touch step down a line.

    worthwhile : W, the effect from which a driver counts as for or against, > 0
    Raises ValueError without rows or with W not positive.
    """
    if not rows:
        raise ValueError("`rows` must hold at least one variant")
    if worthwhile <= 0:
        raise ValueError(f"`worthwhile` must be > 0, got {worthwhile}")
    values = [value for row in rows for _, value in (*row.effects, *row.not_counted)]
    reach = max([abs(value) for value in values] + [2.2 * worthwhile]) * 1.08
    scale = Scale(-reach, reach)
    y, drawn = 44.0, []
    for row in rows:
        shown, lines = _effects(row, scale, y, decimals)
        drawn.append(_effect_row(row, shown, scale, y, decimals))
        y += 60 + lines * 14
    x_minus, x_plus = scale.at(-worthwhile), scale.at(worthwhile)
    return EffectPicture(
        width=WIDTH, height=y + 4, top=38.0, bottom=y, x_zero=scale.at(0.0),
        band=Band(x_minus, round(x_plus - x_minus, 1), "none"), x_minus=x_minus, x_plus=x_plus,
        minus_text=signed(-worthwhile, decimals), plus_text=signed(worthwhile, decimals), rows=tuple(drawn), unit=unit,
        summary="; ".join(
            f"{row.label}: " + ", ".join(f"{who} {signed(value, decimals)}" for who, value in row.effects)
            + "".join(f", {who} {signed(value, decimals)} not counted" for who, value in row.not_counted)
            for row in rows
        ),
    )  # fmt: skip


def _effect_row(
    row: EffectRow, shown: tuple[DrawnEffect, ...], scale: Scale, y: float, decimals: int,
) -> DrawnEffectRow:  # fmt: skip
    median = _median([value for _, value in row.effects]) if row.effects else None
    x_median = None if median is None else scale.at(median)
    return DrawnEffectRow(
        row.label, row.note, y + 14, y + 47, x_median, min(max(x_median or 0.0, 42.0), WIDTH - 42.0),
        f"median {signed(median, decimals)}", shown,
    )  # fmt: skip


def _effects(row: EffectRow, scale: Scale, y: float, decimals: int) -> tuple[tuple[DrawnEffect, ...], int]:
    everyone = sorted(
        [(value, who, True) for who, value in row.effects] + [(value, who, False) for who, value in row.not_counted]
    )
    texts = [who if counted else f"({who})" for _, who, counted in everyone]
    lines = _apart([(scale.at(value), text) for (value, _, _), text in zip(everyone, texts, strict=True)])
    shown = tuple(
        DrawnEffect(text, scale.at(value), y + 67 + line * 14, signed(value, decimals), counted)
        for (value, _, counted), text, line in zip(everyone, texts, lines, strict=True)
    )
    return shown, max(lines, default=0) + 1


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


# --- laps: one strip a run ---------------------------------------------------------------------------------------


class LapRun(NamedTuple):
    """A run's laps in order: (lap time in s, counted). `note` is said beside the label ("clean mean 22.09 s")."""

    label: str
    laps: Sequence[tuple[float, bool]]
    is_control: bool
    note: str = ""


class DrawnLap(NamedTuple):
    x: float
    y: float
    counted: bool


class DrawnLapRun(NamedTuple):
    label: str
    note: str
    is_control: bool
    y_label: float
    y_top: float
    y_bottom: float
    path: str
    laps: tuple[DrawnLap, ...]


class LapStrips(NamedTuple):
    width: float
    height: float
    runs: tuple[DrawnLapRun, ...]
    fastest_text: str
    slowest_text: str
    summary: str


def lap_strips(runs: Sequence[LapRun], *, decimals: int = 2) -> LapStrips:
    """Laps as small traces, faster upwards, all on one scale; laps left out are hollow and cut off at the edge.

    The scale is that of the counted laps, so one incident does not flatten the rest.
    Raises ValueError without a counted lap.
    """
    counted = [lap for run in runs for lap, counts in run.laps if counts]
    if not counted:
        raise ValueError("`runs` must hold at least one counted lap")
    fastest, slowest = min(counted), max(counted)
    low, high = _span(counted, padding=0.12)
    most = max(len(run.laps) for run in runs)
    across = Scale(1, max(most, 2), start=16.0, end=344.0)
    pitch, height = 66.0, 34.0
    drawn = []
    for place, run in enumerate(runs):
        top = place * pitch + 24
        down = Scale(low, high, start=top, end=top + height)
        laps = tuple(DrawnLap(across.at(n), down.at(lap), counts) for n, (lap, counts) in enumerate(run.laps, start=1))
        path = "M" + " L".join(f"{lap.x} {lap.y}" for lap in laps if lap.counted)
        drawn.append(DrawnLapRun(run.label, run.note, run.is_control, top - 9, top, top + height, path, laps))
    summary = "; ".join(
        f"{run.label}: {sum(counts for _, counts in run.laps)} of {len(run.laps)} laps counted" for run in runs
    )
    return LapStrips(WIDTH, len(runs) * pitch + 8, tuple(drawn), f"{num(fastest, decimals)} s",
                     f"{num(slowest, decimals)} s", summary)  # fmt: skip
