"""The demo programme: a season of the invented team Kelvane, made through commands only, ending today."""

from app.db import Database, transaction
from app.demo.team import MANAGER, TEAM, found_team
from app.people.passwords import Hasher
from app.people.queries import count_accounts
from app.settings import Settings

DEMO_PASSWORD = "carpet-and-turf"  # printed at every start: the demo holds invented data only
SIGN_INS = [
    (initials.lower(), DEMO_PASSWORD, f"{name}, {', '.join(sorted(hats))}") for initials, name, hats in (MANAGER, *TEAM)
]


def make_demo(database: Database, settings: Settings) -> bool:
    """Make the season in an empty database; answers whether it did."""
    from app.demo.story import tell

    hasher = Hasher(time_cost=settings.argon2_time, memory_kib=settings.argon2_memory_kib)
    with database.session() as db:
        if count_accounts(db):
            return False
        with transaction(db):
            team = found_team(db, hasher, password=DEMO_PASSWORD)
        tell(db, team)
    return True
