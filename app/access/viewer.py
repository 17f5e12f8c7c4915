"""Who is looking: a plain value, so that it survives commits and can't fire queries."""

from datetime import datetime
from typing import NamedTuple

from app.access.actions import Action
from app.access.policy import refusal
from app.errors import NotAllowed
from app.people.models import Hat


class ProgrammeRef(NamedTuple):
    id: int
    name: str
    time_zone: str
    state: str


class Viewer(NamedTuple):
    """The signed-in person, in one programme (or none, on account pages)."""

    account_id: int
    name: str
    initials: str = ""
    hats: frozenset[Hat] = frozenset()
    programme: ProgrammeRef | None = None
    sign_in_id: int | None = None
    starts_programmes: bool = False
    seen_at: datetime | None = None

    @property
    def programme_id(self) -> int:
        if self.programme is None:
            raise NotAllowed("No programme is open here")
        return self.programme.id


def require(viewer: Viewer, action: Action, subject: object = None) -> None:
    """Refuse with the policy's own reason; every command calls it with its subject."""
    if reason := refusal(viewer, action, subject):
        raise NotAllowed(
            f"You can't {action.value} here", reason[0].upper() + reason[1:], "Ask the programme's manager."
        )
