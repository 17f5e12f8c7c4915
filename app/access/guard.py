"""What every route declares: `dependencies=[allow(Action.X)]`. A house rule fails for a route without exactly one."""

from collections.abc import Iterator
from contextlib import suppress
from typing import Annotated, Any

from fastapi import Depends, Path, Request

from app import clock
from app.access.actions import Action
from app.access.policy import refusal
from app.access.viewer import Viewer
from app.db import DatabaseFault, Db, transaction
from app.errors import NeedsSignIn, NotAllowed, NotFound
from app.people import queries as people
from app.people.commands import touch_sign_in
from app.people.rules import SEEN_EVERY
from app.web.database import open_db
from app.web.outbox import check_sender

Id = Annotated[int, Path(ge=1, le=2**31 - 1)]


def _db_of(request: Request) -> Db:
    return request.state.db


DbHere = Annotated[Db, Depends(_db_of)]  # opened, and closed again, by the route's guard


def allow(action: Action) -> Any:
    """The guard dependency of one route; it finds who is looking and asks the policy table."""

    def guard(request: Request) -> Iterator[None]:
        with open_db(request) as db:
            check(request, db)
            yield

    def check(request: Request, db: Db) -> None:
        viewer = identify(request, db)
        request.state.viewer = viewer
        if viewer is None and refusal(None, action) is not None:
            raise NeedsSignIn("Please sign in", "This page is for the people of a programme.")
        check_sender(request, viewer.account_id if viewer is not None else None)
        if viewer is not None and "programme_id" in request.path_params and viewer.programme is None:
            raise NotFound("There is no such programme here", "Or you are not one of its people.")
        if reason := refusal(viewer, action):
            raise NotAllowed(
                f"You can't {action.value}", reason[0].upper() + reason[1:], "Ask the programme's manager."
            )

    guard.action = action  # type: ignore[attr-defined]
    return Depends(guard)


def identify(request: Request, db: Db) -> Viewer | None:
    """Who holds the sign-in cookie, with their hats in the programme that the path names."""
    token = request.cookies.get(request.app.state.settings.cookie_name)
    if not token:
        return None
    typed = str(request.path_params.get("programme_id") or "")
    number = int(typed) if typed.isascii() and typed.isdigit() and len(typed) < 10 else None
    viewer = people.find_viewer(db, token, number)
    if viewer is not None and viewer.seen_at is not None and clock.now() - viewer.seen_at > SEEN_EVERY:
        with suppress(DatabaseFault), transaction(db):  # a page can be read while nothing can be written
            touch_sign_in(db, viewer.sign_in_id or 0)
    return viewer


def _signed_in(request: Request) -> Viewer:
    viewer = getattr(request.state, "viewer", None)
    if viewer is None:
        raise NeedsSignIn("Please sign in")
    return viewer


SignedIn = Annotated[Viewer, Depends(_signed_in)]
