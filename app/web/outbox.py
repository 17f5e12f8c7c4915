"""The server's side of a phone's outbox: a form's ordinary post with headers that ask for a receipt.

    X-Outbox: token (32 to 64 hex figures)   X-Outbox-Person: account id   X-Phone-Clock: ms since 1970 when sending

A success is a JSON receipt that echoes token and content hash, given after the commit; everything else is JSON too, with
its status and words, and never counts as sent.
"""

import hashlib
import json
import re
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

from fastapi import Request
from fastapi.responses import JSONResponse
from starlette.datastructures import FormData, UploadFile

from app.db import DatabaseFault, transaction
from app.errors import NotAllowed, Refused
from app.history.commands import note_went
from app.phone_clock import PhoneClock, whole_ms
from app.web.receipts import Sent

TOKEN = re.compile(r"[0-9a-f]{32,64}")


def asks_for_receipt(request: Request) -> bool:
    return request.method == "POST" and "x-outbox" in request.headers


def check_sender(request: Request, account_id: int | None) -> None:
    """An entry of the outbox is its person's alone; called by the guard, before anything is read."""
    if account_id is None or not asks_for_receipt(request):
        return
    if request.headers.get("x-outbox-person") != str(account_id):
        raise NotAllowed("This entry was written by another person", "It is kept on the phone, and never sent in another's name",
                         "Sign in as the person who wrote it.")  # fmt: skip


def content_hash(path: str, pairs: Iterable[tuple[str, ...]]) -> str:
    """SHA-256 over the canonical JSON of [path, [[name, value], ...]]; the phone computes the same.

    A file stands there as [name, "file", SHA-256 of its bytes]; its own name is not part of it.
    """
    text = json.dumps([path, [list(pair) for pair in pairs]], ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


def read_sent(request: Request, data: FormData, *, holds: bool) -> Sent | None:
    """The entry, where the post came from an outbox; refuses a token that is none."""
    if not asks_for_receipt(request):
        return None
    token = request.headers["x-outbox"]
    if not TOKEN.fullmatch(token):
        raise Refused("The entry's token can't be read", "It has 32 to 64 figures 0-9, a-f", "Write the form again.")
    viewer = getattr(request.state, "viewer", None)
    pairs = [pair for name, value in data.multi_items() if (pair := _pair(name, value))]
    return Sent(viewer.account_id if viewer else 0, token, content_hash(request.url.path, pairs), request.url.path, holds)


def _pair(name: str, value: str | UploadFile) -> tuple[str, ...]:
    """One thing of the form as it is hashed; nothing for a file that was not chosen."""
    if isinstance(value, str):
        return name, value
    if not value.filename:
        return ()
    value.file.seek(0)
    digest = hashlib.file_digest(value.file, "sha256").hexdigest()  # type: ignore[arg-type]
    value.file.seek(0)
    return name, "file", digest


def read_phone(request: Request, data: FormData) -> PhoneClock:
    return PhoneClock(whole_ms(data.get("phone_captured_ms")), whole_ms(data.get("phone_offset_ms")),
                      whole_ms(request.headers.get("x-phone-clock")))  # fmt: skip


def receipt_answer(sent: Sent, went: str) -> JSONResponse:
    receipt = {"token": sent.token, "hash": sent.hash, "went": went, "outcome": sent.outcome}
    return JSONResponse({"receipt": receipt})


def filed_answer(request: Request, sent: Sent, went: str) -> JSONResponse:
    """The receipt of something just committed; its twin is told the same place, unless noting that fails."""
    db = request.state.db
    with suppress(DatabaseFault), transaction(db):
        note_went(db, sent.account_id, sent.token, sent.number, went)
    return receipt_answer(sent, went)


def refusal_answer(request: Request, status: int, context: dict[str, Any]) -> JSONResponse:
    """What a page would have said, as data: title, reason, next, and the sentence at each wrong field."""
    form = getattr(request.state, "posted_form", None)
    wrong = form.errors if form is not None and form.submitted and not context.get("title") else []
    title = context.get("title") or (STANDING.get(status, "Not taken") if not wrong else "Not taken as it stands")
    viewer = getattr(request.state, "viewer", None)
    said = {
        "status": status, "person": str(viewer.account_id) if viewer is not None else "", "title": title,
        "reason": context.get("reason") or " ".join(text for _, text in wrong),
        "next": context.get("next_step") or ("Open it again and put it right." if wrong else ""),
        "fields": [{"name": name, "sentence": text} for name, text in wrong],
    }  # fmt: skip
    return JSONResponse({"refusal": said}, status_code=status)


STANDING = {401: "Please sign in again", 403: "Not allowed", 409: "Something else got there first"}
