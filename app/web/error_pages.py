"""Every refusal as a page in the app's own words; unexpected faults as a reference number, never their text."""

import logging
import secrets
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from app.db import AlreadyThere, DatabaseDown, DatabaseFault
from app.errors import Refused
from app.history.queries import list_sent
from app.web.forms import keep_typed
from app.web.middleware import security_headers
from app.web.outbox import receipt_answer
from app.web.page import answer_at, page
from app.web.receipts import AlreadyDone, OtherContent, TwinUnderWay, answer_again

log = logging.getLogger("proveout")

STATUS_WORDS = {
    404: ("There is no such page", "It may have been typed wrong, or it belongs to another programme.", "Go back."),
    405: ("This page can't be used that way", "", "Go back to the page with the form."),
    400: ("The request can't be read", "", "Go back and send the form again."),
    413: ("That is too much for one form", "", "Send less, or split it."),
}


def add_error_pages(app: FastAPI) -> None:
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(AlreadyDone, _already_done)
    app.add_exception_handler(OtherContent, _other_content)
    app.add_exception_handler(TwinUnderWay, _twin_under_way)
    app.add_exception_handler(RequestValidationError, _bad_address)
    app.add_exception_handler(HTTPException, _http)
    for fault in DatabaseDown:
        app.add_exception_handler(fault, _database_down)
    app.add_exception_handler(AlreadyThere, _already_there)
    app.add_exception_handler(DatabaseFault, _database_fault)
    app.add_exception_handler(Exception, _unexpected)


def error_page(request: Request, status: int, title: str, reason: str = "", next_step: str = "",
               reference: str | None = None) -> Response:  # fmt: skip
    """The error page, with everything that was typed given back where there was something."""
    typed = getattr(request.state, "form_text", []) if status in (401, 403, 409, 413, 503, 500) else []
    response = page(request, "error.html", status=status, title=title, reason=reason, next_step=next_step,
                    reference=reference, form_text=typed)  # fmt: skip
    if status == 503:
        response.headers["Retry-After"] = "5"
    return response


async def _refused(request: Request, refused: Any) -> Response:
    if refused.status in (401, 403, 503):  # said at the door, before the form was read
        await keep_typed(request)
    if refused.status == 401:
        return sign_in_first(request)
    return error_page(request, refused.status, refused.title, refused.reason, refused.next_step)


def sign_in_first(request: Request) -> Response:
    """A reader is sent to sign in and comes back; a form is answered 401 with everything typed given back."""
    from app.people.sign_in import sign_in_page  # the page that keeps what was typed

    return sign_in_page(request)


def _already_done(request: Request, done: Any) -> Response:
    """The twin of a form gets the same answer as the first one."""
    if done.sent is not None:
        return receipt_answer(done.sent, done.answer)
    viewer = getattr(request.state, "viewer", None)
    home = f"/programmes/{viewer.programme.id}" if viewer is not None and viewer.programme else "/"
    return answer_at(request, done.answer or home)


def _other_content(request: Request, _error: Any) -> Response:
    return error_page(request, 409, "This form was sent before with other content", "What was sent first stands.",
                      "Open the page, look at what is there, and file again what is missing.")  # fmt: skip


def _twin_under_way(request: Request, twin: Any) -> Response:
    """Two sendings of one entry at once: the one that waited reads what came of the other."""
    with request.app.state.database.session() as db:
        try:
            answer_again(twin.sent, list_sent(db, twin.sent.account_id, twin.sent.token))
        except AlreadyDone as done:
            return _already_done(request, done)
    return error_page(request, 503, "The same entry is being filed at this moment", "", "It is sent again by itself.")


def _bad_address(request: Request, _error: Any) -> Response:
    return error_page(request, 404, *STATUS_WORDS[404])


def _http(request: Request, error: Any) -> Response:
    title, reason, next_step = STATUS_WORDS.get(error.status_code, STATUS_WORDS[400])
    response = error_page(request, error.status_code, title, reason, next_step)
    for name, value in (error.headers or {}).items():
        response.headers[name] = value
    return response


async def _database_down(request: Request, error: Any) -> Response:
    await keep_typed(request)
    log.error("database not available: %s", type(error.orig).__name__ if error.orig else type(error).__name__)
    return error_page(
        request, 503, "Nothing was saved: the database can't be reached",
        "It is locked, read-only or gone for the moment.", "What you typed is below. Wait a little and send it again.",
    )  # fmt: skip


def _already_there(request: Request, error: Any) -> Response:
    """Two took the same name or number at once: the second is told so. Any other broken constraint is our fault."""
    if "unique" not in str(error.orig).lower():
        return _unexpected(request, error)
    return error_page(request, 409, "Somebody else saved the same a moment ago", "Nothing of yours was saved.",
                      "What you typed is below. Open the page again and look at what is there now.")  # fmt: skip


async def _database_fault(request: Request, error: Any) -> Response:
    # psycopg reports a server that is shutting down, or read-only, under other classes than OperationalError
    words = str(error.orig).lower().replace("-", "")
    if getattr(error, "connection_invalidated", False) or "readonly" in words:
        return await _database_down(request, error)
    return _unexpected(request, error)


def _unexpected(request: Request, error: Any) -> Response:
    reference = secrets.token_hex(4)
    log.error("fault %s at %s %s", reference, request.method, request.scope.get("route_name", request.url.path),
              exc_info=(type(error), error, error.__traceback__))  # fmt: skip
    response = error_page(
        request,
        500,
        "Something went wrong here",
        "It is our fault, not yours, and it was noted.",
        "Try again; if it happens twice, tell whoever runs this installation.",
        reference,
    )
    # The framework answers unexpected faults outside of every middleware, so the headers are put on here.
    for name, value in security_headers(request.app.state.settings):
        response.headers[name.decode()] = value.decode()
    response.headers["Cache-Control"] = "no-store"
    return response
