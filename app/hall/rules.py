"""Facts about a day in the hall: which session is today's, and whose turn it is."""

from collections.abc import Sequence
from datetime import date
from typing import Protocol, TypeVar

from app.sessions.models import RunState, SessionState


class HasDay(Protocol):
    state: str
    on_date: date
    number: int


def todays(sessions: Sequence[tuple[HasDay, date]]) -> HasDay | None:
    """The session to show: an open one, else one whose day it is; of several the latest.

    sessions : each with the date at its place now.
    """
    for chosen in ([s for s, _ in sessions if s.state == SessionState.OPEN], [s for s, here in sessions if s.on_date == here]):
        if chosen:
            return max(chosen, key=lambda s: (s.on_date, s.number))
    return None


class HasTurn(Protocol):
    @property
    def driver_id(self) -> int: ...

    @property
    def state(self) -> str: ...


Turn = TypeVar("Turn", bound=HasTurn)


def turn_of(runs: Sequence[Turn], account_id: int) -> Turn | None:
    """My run under way, else my next one."""
    mine = [run for run in runs if run.driver_id == account_id]
    under_way = [run for run in mine if run.state == RunState.DRIVING]
    return next(iter(under_way or [run for run in mine if run.state == RunState.PLANNED]), None)
