"""Things to test with, made through commands: `make.programme(db)` answers the invented team as viewers."""

import itertools

from app.access.viewer import Viewer
from app.db import Db, transaction
from app.demo.team import Team, found_team
from app.people import commands as people
from app.people.models import Hat
from app.people.passwords import Hasher

__all__ = ["HASHER", "PASSWORD", "Team", "counter", "member", "programme"]

counter = itertools.count(1)
HASHER = Hasher(time_cost=1, memory_kib=64)
PASSWORD = "quarry-hall-77"


def programme(db: Db, *, name: str = "Tarnwick", time_zone: str = "UTC") -> Team:
    """The invented team Kelvane with a programme; OW is its manager."""
    suffix = "" if name == "Tarnwick" else f".{next(counter)}"
    with transaction(db):
        return found_team(db, HASHER, password=PASSWORD, programme=name, time_zone=time_zone, suffix=suffix)


def member(db: Db, manager: Viewer, initials: str, name: str, hats: frozenset[Hat], *, login: str | None = None) -> Viewer:
    """One more person of the programme; call inside a transaction."""
    account = people.make_account(db, HASHER, login=login or initials, name=name, password=PASSWORD)
    people.add_member(db, manager.programme_id, account, initials=initials, hats=hats)
    return Viewer(account.id, account.name, initials, hats, manager.programme)
