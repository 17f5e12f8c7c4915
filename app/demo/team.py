"""The invented team Kelvane and its people."""

from dataclasses import dataclass

from app.access.viewer import Viewer
from app.db import Db
from app.people import commands as people
from app.people.models import Hat
from app.people.passwords import Hasher
from app.programmes.commands import start_programme

MANAGER = ("OW", "Ottoline Weir", frozenset({Hat.MANAGER}))
TEAM = (
    ("AQ", "Asta Quillfeather", frozenset({Hat.DRIVER})),
    ("MS", "Mirek Sandovale", frozenset({Hat.DRIVER})),
    ("DH", "Deniz Harrowby", frozenset({Hat.DRIVER})),
    ("PL", "Pavo Lindqvane", frozenset({Hat.DRIVER})),
    ("RT", "Rhea Tarlowen", frozenset({Hat.DESIGNER})),
    ("SK", "Sunniva Keck", frozenset({Hat.CONDUCTOR, Hat.GAUGE_HAND})),
)


@dataclass
class Team:
    """The people of one programme, by initials: `team.AQ`, `team["AQ"]`."""

    people: dict[str, Viewer]

    def __getitem__(self, initials: str) -> Viewer:
        return self.people[initials]

    def __getattr__(self, initials: str) -> Viewer:
        people: dict[str, Viewer] = self.__dict__.get("people", {})
        if initials not in people:
            raise AttributeError(initials)
        return people[initials]

    @property
    def id(self) -> int:
        return self.people["OW"].programme_id


def found_team(db: Db, hasher: Hasher, *, password: str, programme: str = "Tarnwick", time_zone: str = "Europe/Berlin",
               suffix: str = "") -> Team:  # fmt: skip
    """Everybody with a sign-in (their initials plus `suffix`) and the programme; call inside a transaction."""
    initials, name, hats = MANAGER
    account = people.make_account(db, hasher, login=(initials + suffix).lower(), name=name, password=password, starts_programmes=True)
    manager = start_programme(db, by=Viewer(account.id, name, starts_programmes=True), name=programme, team="Kelvane",
                              car="1:10 electric 4WD off-road buggy", initials=initials, hats=hats, time_zone=time_zone)  # fmt: skip
    members = {initials: manager}
    for initials, name, hats in TEAM:
        account = people.make_account(db, hasher, login=(initials + suffix).lower(), name=name, password=password)
        people.add_member(db, manager.programme_id, account, initials=initials, hats=hats)
        members[initials] = Viewer(account.id, name, initials, hats, manager.programme)
    return Team(members)
