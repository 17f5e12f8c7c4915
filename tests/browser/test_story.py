"""The story of tests/stories in Chromium; PROVEOUT_SHOTS=1 keeps its pictures for the README."""

import os
from pathlib import Path

from app.db import transaction
from app.people.commands import invite_first_manager
from tests.browser.conftest import open_page
from tests.stories.spine import walk
from tests.stories.walkers import ChromiumWalker

SHOTS = Path(__file__).parent / "screens"


def test_the_story_from_first_link_to_signed_ruling(chromium, empty):
    with empty.database.session() as db, transaction(db):
        token = invite_first_manager(db)
    page = open_page(chromium)
    page.context.set_extra_http_headers({})
    if os.environ.get("PROVEOUT_SHOTS"):
        SHOTS.mkdir(exist_ok=True)
    walk(ChromiumWalker(page, empty.base, SHOTS if os.environ.get("PROVEOUT_SHOTS") else None), f"/join/{token}")
    assert not page.faults
