"""Faults that are put into the server, so that the harness can show that it would have caught them."""

import asyncio
import itertools
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl

from app.web.outbox import content_hash


@dataclass(frozen=True)
class Plant:
    """`put_in` patches the app in this process; `caught_as` is the sum that must not stay 0."""

    what: str
    caught_as: str
    put_in: Callable[[], None]


def answers_before_commit() -> None:
    """The receipt is given at once, and the form is carried out afterwards."""
    import app.server

    build = app.server.build

    def wrapped() -> Any:
        inner = build()
        later: set[asyncio.Task[None]] = set()

        async def outer(scope: Any, receive: Any, send: Any) -> None:
            headers = dict(scope.get("headers") or [])
            if scope["type"] != "http" or b"x-outbox" not in headers:
                await inner(scope, receive, send)
                return
            body = await _body(receive)
            pairs = parse_qsl(body.decode(), keep_blank_values=True)
            told = {"token": headers[b"x-outbox"].decode(), "hash": content_hash(scope["path"], pairs), "went": "", "outcome": "filed"}
            task = asyncio.ensure_future(inner(scope, _again(body), _nobody))
            later.add(task)
            task.add_done_callback(later.discard)
            answer = json.dumps({"receipt": told}).encode()
            await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", str(len(answer)).encode())]})
            await send({"type": "http.response.body", "body": answer})

        return outer

    app.server.build = wrapped


async def _body(receive: Any) -> bytes:
    body, more = b"", True
    while more:
        message = await receive()
        body += message.get("body", b"")
        more = message.get("more_body", False)
    return body


def _again(body: bytes) -> Callable[[], Any]:
    messages = iter([{"type": "http.request", "body": body, "more_body": False}])

    async def receive() -> Any:
        for message in messages:
            return message
        await asyncio.Event().wait()

    return receive


async def _nobody(message: Any) -> None:
    """The answer has been given already."""


def forgets_tokens() -> None:
    """An entry that comes again is new each time."""
    import app.web.receipts as receipts
    from app.history.commands import note_sent

    numbers = itertools.count()

    def take(db: Any, sent: Any) -> None:
        sent.number = next(numbers) * 1000 + id(sent) % 1000
        sent.row = note_sent(db, sent.account_id, sent.token, sent.number, digest=sent.hash, path=sent.path)

    receipts._take_sent = take


def alters_content() -> None:
    """Every second slip loses the half of a half step."""
    from app.feedback.forms import SlipForm

    answers, numbers = SlipForm.answers, itertools.count()

    def altered(self: Any) -> Any:
        said = answers(self)
        if next(numbers) % 2:
            return said
        return said._replace(marks={name: mark and mark // 100 * 100 for name, mark in said.marks.items()})

    SlipForm.answers = altered  # type: ignore[method-assign]


def files_under_another_name() -> None:
    """Every second concern is put under the account that was here first."""
    from app.concerns import commands

    raised, numbers = commands.raise_concern, itertools.count()

    def raise_concern(db: Any, *, by: Any, **said: Any) -> Any:
        return raised(db, by=by if next(numbers) % 2 else by._replace(account_id=1), **said)

    commands.raise_concern = raise_concern


def invents() -> None:
    """Every second concern brings another that nobody wrote."""
    from app.concerns import commands

    raised, numbers = commands.raise_concern, itertools.count(1)

    def raise_concern(db: Any, *, words: str, **said: Any) -> Any:
        if next(numbers) % 2:
            raised(db, words=f"nobody's: {words}", **said)
        return raised(db, words=words, **said)

    commands.raise_concern = raise_concern


PLANTS = {
    "answers_before_commit": Plant("answers before the commit", "lost", answers_before_commit),
    "forgets_tokens": Plant("takes an entry that comes again for a new one", "doubled", forgets_tokens),
    "alters_content": Plant("drops half steps of a slip", "altered", alters_content),
    "files_under_another_name": Plant("files under the first account", "under another name", files_under_another_name),
    "invents": Plant("stores what nobody sent", "never sent", invents),
}
