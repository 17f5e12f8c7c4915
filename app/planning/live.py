"""A day under way, from its rows: what was driven, as the re-plan needs it. No database."""

from collections.abc import Sequence
from datetime import datetime

from app.planning.day import Build, OpenQuestion
from app.planning.facts import DrivenRow, Made
from app.planning.replan import Done

WHOLE = ("driven", "driving")


def done_of(made: Made, rows: Sequence[DrivenRow], session_id: int, starts_at: datetime) -> list[Done]:
    """Runs of the session that were driven whole, or are under way, in order; short runs close nothing."""
    runs: dict[int, list[DrivenRow]] = {}
    for row in sorted(rows, key=lambda r: (r.started_at is None, r.started_at or starts_at, r.number)):
        if row.session_id == session_id and row.state in WHOLE:
            runs.setdefault(row.run_id, []).append(row)
    found = []
    for own in runs.values():
        head = own[0]
        ended = head.ended_at or head.started_at or starts_at
        build, test = _carried({r.question: r.variant for r in own if r.question}, made.day.questions)
        end_min = (ended - starts_at).total_seconds() / 60 + (0 if head.ended_at else made.day.run_min)
        found.append(Done(head.driver, head.car, build, test, head.tyre_set, end_min, head.pack))
    return found


def _carried(on_car: dict[str, str], questions: Sequence[OpenQuestion]) -> tuple[Build, tuple[str, str] | None]:
    """The planned build that these variants are, and the test among them; a car with none of them is no control of anything."""
    there = [q for q in questions if q.label in on_car]
    for question in there:
        for rival in question.rivals:
            if on_car[question.label] == rival.code:
                return rival.build, (question.label, rival.code)
    controls = [q.control.build for q in there if on_car[q.label] == q.control.code]
    return max(controls, key=len, default=()), None


def minute_of(starts_at: datetime, now: datetime) -> float:
    return (now - starts_at).total_seconds() / 60
