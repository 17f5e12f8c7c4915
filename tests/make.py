"""Things to test with, made through commands: `make.programme(db)` answers the invented team as viewers."""

import itertools
from dataclasses import dataclass

from app.access.viewer import Viewer
from app.db import Db, transaction
from app.people import commands as people
from app.people.models import Hat
from app.people.passwords import Hasher
from app.programmes.commands import start_programme

counter = itertools.count(1)
HASHER = Hasher(time_cost=1, memory_kib=64)
PASSWORD = "quarry-hall-77"

TEAM = {
    "AQ": ("Asta Quillfeather", {Hat.DRIVER}),
    "MS": ("Mirek Sandovale", {Hat.DRIVER}),
    "DH": ("Deniz Harrowby", {Hat.DRIVER}),
    "PL": ("Pavo Lindqvane", {Hat.DRIVER}),
    "RT": ("Rhea Tarlowen", {Hat.DESIGNER}),
    "SK": ("Sunniva Keck", {Hat.CONDUCTOR, Hat.GAUGE_HAND}),
}


@dataclass
class Team:
    """The people of one programme, by initials: `team.AQ`, `team["AQ"]`."""

    people: dict[str, Viewer]

    def __getitem__(self, initials: str) -> Viewer:
        return self.people[initials]

    def __getattr__(self, initials: str) -> Viewer:
        return self.people[initials]

    @property
    def id(self) -> int:
        return self.people["OW"].programme_id


def programme(db: Db, *, name: str = "Tarnwick", time_zone: str = "UTC") -> Team:
    """The invented team Kelvane with a programme; OW is its manager."""
    suffix = "" if name == "Tarnwick" else f".{next(counter)}"
    with transaction(db):
        ow = people.make_account(db, HASHER, login="OW" + suffix, name="Ottoline Weir", password=PASSWORD, starts_programmes=True)
        founder = Viewer(ow.id, ow.name, starts_programmes=True)
        manager = start_programme(db, by=founder, name=name, team="Kelvane", car="1:10 electric 4WD off-road buggy",
                                  initials="OW", hats=frozenset({Hat.MANAGER}), time_zone=time_zone)  # fmt: skip
        team = {"OW": manager}
        for initials, (full_name, hats) in TEAM.items():
            team[initials] = member(db, manager, initials, full_name, frozenset(hats), login=initials + suffix)
    return Team(team)


def member(db: Db, manager: Viewer, initials: str, name: str, hats: frozenset[Hat], *, login: str | None = None) -> Viewer:
    """One more person of the programme; call inside a transaction."""
    account = people.make_account(db, HASHER, login=login or initials, name=name, password=PASSWORD)
    people.add_member(db, manager.programme_id, account, initials=initials, hats=hats)
    return Viewer(account.id, account.name, initials, hats, manager.programme)
