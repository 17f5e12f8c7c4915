"""Concerns: something that may be wrong, from the raiser's own words to a close with a reason."""

from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, CheckConstraint, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db import Base, UtcDateTime, not_blank, one_of


class Danger(StrEnum):
    """Severity for people and property: four classes after MIL-STD-882E."""

    CATASTROPHIC = "catastrophic"
    CRITICAL = "critical"
    MARGINAL = "marginal"
    NEGLIGIBLE = "negligible"


class ConcernState(StrEnum):
    RAISED = "raised"
    CLOSED = "closed"
    OPEN_AGAIN = "open again"


class CloseKind(StrEnum):
    CURED = "shown cured on a later revision"
    DID_NOT_RECUR = "did not recur"
    CONCESSION = "lived with under concession"
    SAME_AS = "same as another concern"
    OTHER_PART = "belongs to another part"


class Concern(Base):
    __tablename__ = "concerns"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"),
        CheckConstraint("product_severity BETWEEN 1 AND 10", name="product_severity_range"),
        one_of("danger", Danger),
        one_of("state", ConcernState),
        not_blank("words"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    words: Mapped[str] = mapped_column(Text)  # the raiser's own, never altered
    raised_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    raised_at: Mapped[datetime] = mapped_column(UtcDateTime)
    danger: Mapped[str] = mapped_column(String(14), default=Danger.NEGLIGIBLE)
    product_severity: Mapped[int] = mapped_column(Integer, default=5)
    blocker: Mapped[bool] = mapped_column(Boolean, default=False)
    state: Mapped[str] = mapped_column(String(12), default=ConcernState.RAISED)
    owner_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    revision_id: Mapped[int | None] = mapped_column(ForeignKey("revisions.id"), index=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("pieces.id"))
    run_id: Mapped[int | None] = mapped_column(ForeignKey("runs.id"))
    question_id: Mapped[int | None] = mapped_column(ForeignKey("questions.id"), index=True)
    close_kind: Mapped[str] = mapped_column(String(40), default="")
    edition: Mapped[int] = mapped_column(Integer, default=1)

    events: Mapped[list["ConcernEvent"]] = relationship(lazy="raise", order_by="ConcernEvent.id")

    @property
    def label(self) -> str:
        return f"C-{self.number:02d}"

    @property
    def open(self) -> bool:
        return self.state != ConcernState.CLOSED


class ConcernEvent(Base):
    """One step in a concern's life. Only ever added."""

    __tablename__ = "concern_events"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))  # raised, triaged, closed, opened again, remark
    text: Mapped[str] = mapped_column(Text, default="")
    detail: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class ConcernPhoto(Base):
    """A photo of what worries somebody; `alt` says what it shows to whoever can't see it. Only ever added."""

    __tablename__ = "concern_photos"
    __table_args__ = (UniqueConstraint("concern_id", "photo_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"))
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    alt: Mapped[str] = mapped_column(String(200), default="")
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)
