"""The season's questions and blocks from the programme's rows, and what becomes of them. No database."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from math import ceil
from typing import NamedTuple

from app.planning.facts import Known, RevisionRow
from app.planning.limits import Wanted
from app.planning.season import Block, Due, Season, booked_season, cheapest_season, due_day, latest_ruling

USUAL_MIN, USUAL_DRIVERS, CYCLE_MIN, FLOOR = 150.0, 3, 12.0, 2
"""Of a session whose hours nobody gave; drivers where no session was planned yet; one run; sessions before any verdict."""


class PartDates(NamedTuple):
    """A part with the figures that make its latest ruling date; None where the freeze date or the lead time is not given."""

    code: str
    title: str
    lead_days: int | None
    corrections: int
    correction_days: int
    latest: date | None


class SeasonLine(NamedTuple):
    """One open question in the season. why: of its number of sessions."""

    question_id: int
    question: str
    title: str
    due: date | None
    due_words: str
    sessions: int | None
    why: str
    minutes: float
    booked: Sequence[str]
    would: Sequence[str]
    late: int
    late_still: int

    @property
    def word(self) -> str:
        if self.sessions == 0:
            return "waits for a ruling"
        if self.sessions is None:
            return "not in sight"
        if not self.late:
            return "in time"
        return "late" if self.late_still else "in time if booked"


class SeasonView(NamedTuple):
    lines: Sequence[SeasonLine]
    booked: Season
    cheapest: Season
    blocks: Mapping[str, Block]


def part_dates(rows: Iterable, freeze: date | None) -> list[PartDates]:
    """rows : PartRow of the queries."""
    found = []
    for row in rows:
        rounds, days = (1, 14) if row.corrections is None else (row.corrections, row.correction_days)
        latest = latest_ruling(freeze, row.lead_days, rounds, days) if freeze and row.lead_days is not None else None
        found.append(PartDates(row.code, row.title, row.lead_days, rounds, days, latest))
    return found


def season_view(asked: Sequence[RevisionRow], known: Mapping[int, Known], parts: Sequence[PartDates], blocks: Sequence[Block], *,
                freeze: date | None, today: date, drivers: int, cars: int) -> SeasonView:  # fmt: skip
    """Questions against the hours booked, and against the cheapest hours on offer."""
    latest = {p.code: p.latest for p in parts}
    dues, facts = [], {}
    for label in dict.fromkeys(r.question for r in asked):
        own = [r for r in asked if r.question == label]
        by_part = min((d for r in own if (d := latest.get(r.part)) is not None), default=freeze)
        due = due_day(own[0].decide_by, by_part)
        rivals = len({r.variant for r in own if not r.is_control})
        sessions, why = _sessions(known.get(own[0].question_id))
        runs = drivers * Wanted("", tuple(("", str(k)) for k in range(rivals))).runs()
        minutes = ceil(runs / max(cars, 1)) * CYCLE_MIN
        dues.append(Due(label, sessions, minutes, due))
        words = "decide-by date" if due == own[0].decide_by else "latest ruling date of its part" if due != freeze else "freeze date"
        facts[label] = (own[0], words if due else "no date", why)
    now, would = booked_season(dues, blocks, today), cheapest_season(dues, blocks, today)
    lines = [
        SeasonLine(facts[d.question][0].question_id, d.question, facts[d.question][0].title, d.due, facts[d.question][1], d.sessions,
                   facts[d.question][2], d.minutes, now.sessions.get(d.question, ()), would.sessions.get(d.question, ()),
                   now.late.get(d.question, 0), would.late.get(d.question, 0))
        for d in sorted(dues, key=lambda d: (d.due or date.max, d.question))
    ]  # fmt: skip
    return SeasonView(lines, now, would, {b.name: b for b in blocks})


def _sessions(known: Known | None) -> tuple[int | None, str]:
    """Sessions until the question is settled as likely as not, and where that figure comes from."""
    if known is None:
        return FLOOR, "nothing driven yet: no verdict stands on one session"
    if known.verdicts and all(verdict != "retest" for verdict in known.verdicts.values()):
        return 0, "every rival has its verdict"
    if not known.sessions:
        return FLOOR, "no forecast: no verdict stands on one session"
    if None in known.sessions:
        return None, "more than four sessions by the outlook"
    return max(k for k in known.sessions if k is not None), "by the outlook, as likely as not"
