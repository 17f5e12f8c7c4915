"""The trail: who did what to which thing, when and why; and receipts of forms. Rows are only ever added."""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, one_of


class Happening(Base):
    __tablename__ = "happenings"
    __table_args__ = (
        Index("ix_happenings_programme_id_id", "programme_id", "id"),
        Index("ix_happenings_thing", "programme_id", "thing", "thing_id"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int | None] = mapped_column(ForeignKey("programmes.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
    by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    what: Mapped[str] = mapped_column(String(60))
    thing: Mapped[str] = mapped_column(String(30))
    thing_id: Mapped[int] = mapped_column(Integer)
    label: Mapped[str] = mapped_column(String(160))
    why: Mapped[str] = mapped_column(Text, default="")
    detail: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    session_id: Mapped[int | None] = mapped_column(Integer)  # an open block hides its happenings from its raters


class FormReceipt(Base):
    """A form that was carried out: sent again with the same content, it gets the same answer and does nothing."""

    __tablename__ = "form_receipts"

    key: Mapped[str] = mapped_column(String(64), primary_key=True)  # digest of person, path, form token and content
    answer: Mapped[str] = mapped_column(String(400), default="")
    at: Mapped[datetime] = mapped_column(UtcDateTime)


OUTCOMES = ("filed", "same", "proposed")


class OutboxReceipt(Base):
    """What a phone's outbox was told was filed. It never expires: a phone may ask again weeks later.

    `number` is 0 for the first content under a token; a slip's other contents, held as proposed, follow as 1, 2, …
    """

    __tablename__ = "outbox_receipts"
    __table_args__ = (UniqueConstraint("account_id", "token", "number"), one_of("outcome", OUTCOMES))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    token: Mapped[str] = mapped_column(String(64))
    number: Mapped[int] = mapped_column(Integer, default=0)
    hash: Mapped[str] = mapped_column(String(64))  # of path and content, as the server received them
    path: Mapped[str] = mapped_column(String(400))
    outcome: Mapped[str] = mapped_column(String(8), default="filed")
    # Noted after the commit ("" where that was lost), or within it where it names what was made.
    went: Mapped[str] = mapped_column(String(400), default="")
    at: Mapped[datetime] = mapped_column(UtcDateTime)
