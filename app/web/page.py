"""Answering: a whole page, the one block that htmx asked for, or a redirect."""

import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app.access.actions import Action
from app.access.policy import may as policy_may
from app.db import DatabaseFault, transaction
from app.history.commands import note_answer
from app.web.outbox import asks_for_receipt, filed_answer, refusal_answer

NEVER_TARGETS = ("title", "content", "messages")
NOT_IN_A_PAGE = re.compile("[\x00-\x08\x0b\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")


@dataclass(frozen=True, slots=True)
class Place:
    label: str
    url: str
    current: bool


PLACES = (
    ("Hall", "show_hall", ("/hall", "/outbox", "/sessions", "/runs", "/slips", "/blocks", "/season", "/kit")),
    ("Questions", "list_questions", ("/questions", "/rulings")),
    ("Parts", "list_parts", ("/parts", "/revisions", "/pieces", "/gauge", "/characteristics", "/reading-sets", "/fits", "/chains",
                             "/expected-effects", "/grids")),
    ("Concerns", "list_concerns", ("/concerns", "/incidents", "/abuse")),
    ("Trail", "list_trail", ("/trail",)),
)


def page(request: Request, template: str, *, status: int = 200, **context: Any) -> Response:
    """Render `template`; for htmx only the block named by the target, when the template has it.

    A phone's outbox gets a refusal as data: it can't read a page, and must never take one for a yes.
    """
    if status >= 400 and asks_for_receipt(request):
        return refusal_answer(request, status, context)
    environment = request.app.state.templates
    full = _context(request, {"status": status, **context})
    found = environment.get_template(template)
    target = request.headers.get("HX-Target", "").rpartition("#")[2].replace("-", "_")
    headers = {"Vary": "HX-Request, HX-Target, Cookie"}
    if full["viewer"] is not None:
        headers["X-Page-Person"] = str(full["viewer"].account_id)  # the worker on the phone keeps pages by person
    partial = request.headers.get("HX-Request") == "true" and target in found.blocks and target not in NEVER_TARGETS
    if partial:
        text = "".join(found.blocks[target](found.new_context(full)))
    else:
        text = found.render(full)
    # What was typed comes back as typed, but for characters that no page may hold.
    return HTMLResponse(NOT_IN_A_PAGE.sub("\ufffd", text), status_code=status, headers=headers)


def _context(request: Request, context: dict[str, Any]) -> dict[str, Any]:
    viewer = getattr(request.state, "viewer", None)
    state = request.app.state

    def url(name: str, **params: Any) -> str:
        if viewer is not None and viewer.programme is not None:
            params.setdefault("programme_id", viewer.programme.id)
        return path_for(request, name, **params)

    def may(action: str, subject: Any = None) -> bool:
        return policy_may(viewer, Action[action], subject)

    return {
        "request": request, "viewer": viewer, "url": url, "may": may, "places": list(_places(request, viewer)),
        "plain_http": state.settings.plain_http, "messages": _messages(request), "now_utc": state.now(),
        "about_here": _about(request, context.get("status", 200)),
        "zone": viewer.programme.time_zone if viewer is not None and viewer.programme else "UTC", **context,
    }  # fmt: skip


def _about(request: Request, status: int) -> dict[str, str]:
    """What the page in hand is about, so that a concern raised from it names that."""
    found = request.path_params if status == 200 else {}
    return {name: str(found[name]) for name in ("run_id", "piece_id", "revision_id", "question_id") if name in found}


def path_for(request: Request, name: str, **params: Any) -> str:
    """The path of a route by its name; parameters the route doesn't have are dropped, queries added."""
    query = params.pop("query", None)
    wanted = request.app.state.route_params[name]
    path = str(request.app.url_path_for(name, **{key: value for key, value in params.items() if key in wanted}))
    if query:
        from urllib.parse import urlencode

        path += "?" + urlencode(query)
    return path


def _places(request: Request, viewer: Any) -> Iterable[Place]:
    if viewer is None or viewer.programme is None:
        return
    here = request.url.path.removeprefix(f"/programmes/{viewer.programme.id}")
    for label, route, stems in PLACES:
        if route in request.app.state.route_params:
            yield Place(label, path_for(request, route, programme_id=viewer.programme.id), here.startswith(stems))


def _messages(request: Request) -> list[tuple[str, str]]:
    """The sentence that a redirect carried here, from a fixed list of words."""
    done = request.query_params.get("done", "")
    return [("done", DONE[done])] if done in DONE else []


DONE = {
    "saved": "Saved.", "filed": "Slip filed.", "amended": "Amended. The earlier version stays readable.",
    "withdrawn": "Withdrawn. It stays readable.", "raised": "Concern raised.", "reported": "Incident reported.", "closed": "Closed.",
    "signed": "The ruling stands.", "ruled": "Provisional ruling filed.", "imported": "Imported.",
    "proposed": "Kept as a proposed amendment: the same form was sent with other content.",
    "password": "Password changed; every other sign-in was ended.", "ended": "Ended.", "opened": "Session opened.",
    "attached": "Laps attached.", "laps-filed": "Laps filed.", "flagged": "Said. The laps themselves stay as they came in.",
    "started": "Run started.", "run-ended": "Run ended.", "swapped": "Cars swapped.", "key-opened": "The key is open.",
    "guessed": "Guess filed.", "chosen": "Choice filed.", "planned": "Planned: the runs stand in the hall's run card.",
}  # fmt: skip


def redirect(request: Request, name: str, *, done: str = "", fragment: str = "", **params: Any) -> Response:
    """303 to a route of ours; htmx gets HX-Redirect, since it can't see a redirect's headers."""
    if done:
        params["query"] = {**params.get("query", {}), "done": done}
    viewer = getattr(request.state, "viewer", None)
    if viewer is not None and viewer.programme is not None:
        params.setdefault("programme_id", viewer.programme.id)
    path = path_for(request, name, **params) + (f"#{fragment}" if fragment else "")
    sent = getattr(request.state, "sent", None)
    if sent is not None and sent.done:
        return filed_answer(request, sent, path)
    if receipt := getattr(request.state, "receipt", ""):
        # What the form did is saved already; without this note its twin is only led to the front page.
        with suppress(DatabaseFault), transaction(request.state.db):
            note_answer(request.state.db, receipt, path)
    return answer_at(request, path)


def answer_at(request: Request, path: str) -> Response:
    """303 to a path of ours, in the form that the asker understands."""
    if request.headers.get("HX-Request") == "true":
        return Response(status_code=204, headers={"HX-Redirect": path})
    return RedirectResponse(path, status_code=303)
