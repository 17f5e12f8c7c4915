"""A small world to knock at doors in: one person for each hat, a row in every table, and a stranger."""

from typing import Any

from app.db import transaction
from app.people.models import Hat
from tests import make
from tests.access.routes import Door, junk_for
from tests.access.rows import fill_every_table, stored
from tests.pages import Browser


class World:
    """One programme with a person for each hat and a row in every table, and a member of another programme."""

    def __init__(self, database: Any, browser: Browser) -> None:
        self.database, self.browser = database, browser
        with database.session() as db:
            team, other = make.programme(db), make.programme(db, name="Elsewhere")
            with transaction(db):
                self.people = {hat.value: make.member(db, team.OW, f"X{n}", f"Only {hat.value}", frozenset({hat}))
                               for n, hat in enumerate(Hat)}  # fmt: skip
            self.founder, self.stranger, self.programme_id = team.OW, other.AQ, team.id
        with database.engine.begin() as connection:
            self.keys = fill_every_table(connection, account_id=self.people["driver"].account_id, programme_id=team.id)
        self.keys["blocks"], self.keys["studys"] = self.keys["blind_blocks"], self.keys["gauge_studies"]

    def knock(self, door: Door, keys: dict[str, Any] | None = None, *, other: Any = None, **more: Any) -> Any:
        url = door.url({**self.keys, **(keys or {})}, other)
        data = junk_for(door.form, "x") if door.form and door.method == "POST" else None
        return self.browser.client.request(door.method, url, data=data, follow_redirects=False, **more)

    def knock_with(self, door: Door, data: dict[str, Any]) -> Any:
        return self.browser.client.post(door.url(self.keys), data=data, follow_redirects=False)

    def stored(self) -> dict[str, str]:
        with self.database.engine.connect() as connection:
            return stored(connection)
