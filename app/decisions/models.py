"""Rulings with the snapshot they stood on, and the stored results of the evidence core."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, Date, ForeignKey, Index, Integer, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, one_of


class Summary(Base):
    """A computed sheet under the fingerprint of the evidence it came from. Never stale, so never invalidated."""

    __tablename__ = "summaries"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    fingerprint: Mapped[str] = mapped_column(String(64), unique=True)
    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"), index=True)
    method_version: Mapped[str] = mapped_column(String(16))
    sheet: Mapped[dict[str, Any]] = mapped_column(JSON)
    computed_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Look(Base):
    """The last sheet computed for a question, so that lists need not load every mark.

    `stamp` is the newest line of the trail when it was computed: with a newer line it is looked at again.
    """

    __tablename__ = "looks"

    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"), primary_key=True, autoincrement=False)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    fingerprint: Mapped[str] = mapped_column(String(64))
    stamp: Mapped[int] = mapped_column(Integer)
    readings: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    computed_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Decision(StrEnum):
    ADOPT = "adopt"
    REJECT = "reject"
    RETEST = "retest"


class Form(StrEnum):
    SOLE = "sole"
    SETTING = "as a setting"
    AS_IS = "confirmed as is"


class RulingState(StrEnum):
    PROVISIONAL = "provisional"
    STANDING = "standing"
    REOPENED = "reopened"
    SUPERSEDED = "superseded"


class Ruling(Base):
    """The human decision on one variant. Text, snapshot and signer never change; its state may."""

    __tablename__ = "rulings"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"),
        Index("uq_rulings_one_standing", "variant_id", unique=True,
              sqlite_where=text("state = 'standing'"), postgresql_where=text("state = 'standing'")),
        Index("uq_rulings_one_provisional", "variant_id", unique=True,
              sqlite_where=text("state = 'provisional'"), postgresql_where=text("state = 'provisional'")),
        one_of("decision", Decision),
        one_of("form", Form),
        one_of("state", RulingState),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"))
    variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"))
    decision: Mapped[str] = mapped_column(String(8))
    form: Mapped[str] = mapped_column(String(16), default=Form.SOLE)
    scope: Mapped[str] = mapped_column(String(200), default="")
    grounds: Mapped[str] = mapped_column(Text)
    dissent: Mapped[str] = mapped_column(Text, default="")
    missing: Mapped[str] = mapped_column(Text, default="")
    missing_by: Mapped[date | None] = mapped_column(Date)
    against_verdict_why: Mapped[str] = mapped_column(Text, default="")
    state: Mapped[str] = mapped_column(String(12), default=RulingState.PROVISIONAL)
    filed_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    filed_at: Mapped[datetime] = mapped_column(UtcDateTime)
    signed_by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    signed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    both_hats: Mapped[bool] = mapped_column(Boolean, default=False)
    fingerprint: Mapped[str] = mapped_column(String(64))
    slips_at_ruling: Mapped[int] = mapped_column(Integer, default=0)
    method_version: Mapped[str] = mapped_column(String(16))
    verdict: Mapped[str] = mapped_column(String(10))
    clause: Mapped[str] = mapped_column(String(24))
    reading: Mapped[str] = mapped_column(String(40), default="")
    snapshot: Mapped[dict[str, Any]] = mapped_column(JSON)

    @property
    def label(self) -> str:
        return f"RL-{self.number}"
