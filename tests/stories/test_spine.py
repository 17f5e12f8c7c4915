"""The story over HTTP, without JavaScript, every page checked."""

from app.db import transaction
from app.people.commands import invite_first_manager
from tests.stories.spine import walk
from tests.stories.walkers import HttpWalker


def test_a_programme_from_its_first_link_to_a_signed_ruling(db, browser):
    with transaction(db):
        token = invite_first_manager(db)
    walk(HttpWalker(browser.client), f"/join/{token}")
