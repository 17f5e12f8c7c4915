"""The season on a time axis: one row a question, its sessions and the day it is due. Geometry only.

Booked sessions are filled dots, hall time that would have to be booked is hollow, the due day is an upright; what comes
too late is said in a word, never only in a colour. templates/ui/season_charts.html draws it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from app.web.charts import WIDTH, Scale

PITCH, HEAD = 46.0, 46.0


@dataclass(frozen=True, slots=True)
class SeasonRow:
    """One question. sessions: (day, label, booked) in the order of days; note: said at the end of its line."""

    label: str
    due: date | None
    sessions: Sequence[tuple[date, str, bool]]
    note: str


@dataclass(frozen=True, slots=True)
class DrawnDot:
    x: float
    booked: bool


@dataclass(frozen=True, slots=True)
class DrawnRow:
    label: str
    note: str
    y_text: float
    y: float
    x_end: float
    x_due: float | None
    dots: tuple[DrawnDot, ...]


@dataclass(frozen=True, slots=True)
class SeasonPicture:
    """x_freeze: where the freeze date stands, None without one; months: (x, word, anchor)."""

    width: float
    height: float
    start: float
    end: float
    rows: tuple[DrawnRow, ...]
    months: tuple[tuple[float, str, str], ...]
    x_freeze: float | None
    freeze_text: str
    freeze_anchor: str
    summary: str


def season_picture(rows: Sequence[SeasonRow], today: date, freeze: date | None) -> SeasonPicture:
    """Rows over days from today to the last date that matters. Raises ValueError without a row."""
    if not rows:
        raise ValueError("`rows` must hold at least one question")
    days = [day for row in rows for day, _, _ in row.sessions] + [row.due for row in rows if row.due] + [freeze or today]
    last = max([*days, today + timedelta(days=14)])
    across = Scale(0, (last - today).days, start=14.0, end=346.0)

    def at(day: date) -> float:
        return across.at((day - today).days)

    drawn = tuple(
        DrawnRow(row.label, row.note, HEAD + k * PITCH, HEAD + k * PITCH + 18, at(row.due) if row.due else across.end,
                 at(row.due) if row.due else None, tuple(DrawnDot(at(day), booked) for day, _, booked in row.sessions))
        for k, row in enumerate(rows)
    )  # fmt: skip
    told = "; ".join(_told(row) for row in rows)
    x_freeze = at(freeze) if freeze else None
    return SeasonPicture(
        WIDTH, HEAD + len(rows) * PITCH + 8, across.start, across.end, drawn, tuple(_months(today, last, at)), x_freeze,
        f"freeze {freeze:%-d %b}" if freeze else "", "end" if x_freeze and x_freeze > 180 else "start", told,
    )  # fmt: skip


def _months(today: date, last: date, at) -> list[tuple[float, str, str]]:
    """The first of each month, or every week of a short season; at most eight."""
    span = (last - today).days
    if span <= 56:
        step = 7 if span <= 35 else 14
        marks = [today + timedelta(days=k) for k in range(0, span + 1, step)]
        words = [f"{day:%-d %b}" for day in marks]
    else:
        marks, month = [], today.replace(day=1)
        while (month := (month + timedelta(days=32)).replace(day=1)) <= last:
            marks.append(month)
        marks = marks[:: -(-len(marks) // 8)]
        words = [f"{day:%b}" for day in marks]
    return [(x := at(day), word, "start" if x < 40 else "end" if x > 320 else "middle") for day, word in zip(marks, words, strict=True)]


def _told(row: SeasonRow) -> str:
    sessions = ", ".join(f"{label} on {day:%-d %b}{'' if booked else ', not booked'}" for day, label, booked in row.sessions)
    due = f"due {row.due:%-d %b %Y}" if row.due else "no date"
    return f"{row.label}: {due}; {sessions or 'no session'}; {row.note}"
