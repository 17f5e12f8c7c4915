"""Reading the trail."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import or_, select

from app.db import Db
from app.history.models import FormReceipt, Happening, OutboxReceipt
from app.people.models import Account, Membership


class TrailLine(NamedTuple):
    id: int
    at: datetime
    who: str
    by_id: int | None
    what: str
    thing: str
    thing_id: int
    label: str
    why: str
    detail: dict[str, Any]


def list_trail(
    db: Db,
    programme_id: int,
    *,
    hidden_sessions: Sequence[int] = (),
    thing: str | None = None,
    thing_id: int | None = None,
    by_id: int | None = None,
    before_id: int | None = None,
    limit: int = 100,
) -> Sequence[TrailLine]:
    """The newest lines first; lines of `hidden_sessions` are left out."""
    query = (
        select(Happening, Account.name, Membership.initials)
        .outerjoin(Account, Account.id == Happening.by_id)
        .outerjoin(Membership, (Membership.account_id == Happening.by_id) & (Membership.programme_id == programme_id))
        .where(Happening.programme_id == programme_id)
    )
    if hidden_sessions:
        query = query.where(or_(Happening.session_id.is_(None), Happening.session_id.not_in(hidden_sessions)))
    if thing is not None:
        query = query.where(Happening.thing == thing)
    if thing_id is not None:
        query = query.where(Happening.thing_id == thing_id)
    if by_id is not None:
        query = query.where(Happening.by_id == by_id)
    if before_id is not None:
        query = query.where(Happening.id < before_id)
    rows = db.execute(query.order_by(Happening.id.desc()).limit(limit))
    return [
        TrailLine(h.id, h.at, f"{initials or ''} {name or 'the installation'}".strip(), h.by_id, h.what, h.thing,
                  h.thing_id, h.label, h.why, h.detail or {})
        for h, name, initials in rows
    ]  # fmt: skip


def find_form_answer(db: Db, key: str) -> str | None:
    """Where the first sending of this form was answered to; None when it is new."""
    return db.scalar(select(FormReceipt.answer).where(FormReceipt.key == key))


def list_sent(db: Db, account_id: int, token: str) -> Sequence[OutboxReceipt]:
    """What this person's phones were told was filed under this token, the first content first."""
    rows = db.scalars(select(OutboxReceipt).where(OutboxReceipt.account_id == account_id, OutboxReceipt.token == token)
                      .order_by(OutboxReceipt.number))  # fmt: skip
    return rows.all()
