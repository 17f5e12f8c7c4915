"""Add to the trail. Called by every command that files or changes something."""

from typing import Any

from sqlalchemy import update

from app import clock
from app.db import Db
from app.history.models import FormReceipt, Happening, OutboxReceipt


def record(
    db: Db,
    what: str,
    thing: str,
    thing_id: int,
    label: str,
    *,
    by_id: int | None,
    programme_id: int | None,
    why: str = "",
    session_id: int | None = None,
    **detail: Any,
) -> None:
    """One line of the trail: `by_id` did `what` to the thing called `label`, because `why`.

    `session_id` marks what belongs to a test session's block, so that raters don't read it before they filed.
    """
    db.add(
        Happening(programme_id=programme_id, at=clock.now(), by_id=by_id, what=what, thing=thing, thing_id=thing_id,
                  label=label[:160], why=why, detail=detail, session_id=session_id)
    )  # fmt: skip


def note_form(db: Db, key: str) -> None:
    """Remember that this form is being carried out, in the same transaction as what it does."""
    db.add(FormReceipt(key=key, answer="", at=clock.now()))
    db.flush()


def note_answer(db: Db, key: str, answer: str) -> None:
    db.execute(update(FormReceipt).where(FormReceipt.key == key).values(answer=answer[:400]))


def note_sent(db: Db, account_id: int, token: str, number: int, *, digest: str, path: str) -> OutboxReceipt:
    """Remember what a phone sent, in the same transaction as what it does; a twin at the same time breaks the key."""
    row = OutboxReceipt(account_id=account_id, token=token, number=number, hash=digest, path=path[:400], outcome="filed",
                        went="", at=clock.now())  # fmt: skip
    db.add(row)
    db.flush()
    return row


def note_went(db: Db, account_id: int, token: str, number: int, went: str) -> None:
    db.execute(
        update(OutboxReceipt)
        .where(OutboxReceipt.account_id == account_id, OutboxReceipt.token == token, OutboxReceipt.number == number,
               OutboxReceipt.went == "")
        .values(went=went[:400])
    )  # fmt: skip
