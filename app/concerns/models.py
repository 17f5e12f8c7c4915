"""Concerns: something that may be wrong, from the raiser's own words to a close with a reason."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, CheckConstraint, Date, Float, ForeignKey, Integer, String, Text, UniqueConstraint
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


class CauseClass(StrEnum):
    """What lies behind a concern. Common practice, no source."""

    DESIGN = "design"
    MATERIAL = "material"
    MAKING = "making of the piece"
    ASSEMBLY = "assembly"
    WEAR = "wear"
    OTHER_PART = "other part"
    ACCIDENT = "accident beyond design"
    UNKNOWN = "unknown"


class TryResult(StrEnum):
    """What came of something that was tried against it."""

    CURED = "gone, as far as was seen"
    HELPED = "better, not gone"
    NO_CHANGE = "no change"
    WORSE = "worse"
    UNCLEAR = "no telling"


EXPOSURES = ("board hit", "flat landing", "any impact", "cased jump", "over-jump", "cartwheel", "traction roll", "pipe clip",
             "car-to-car", "run", "lap", "minute")  # fmt: skip
"""What a closing rule counts: hits of one sort, or what a run has been through."""


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
    kind: Mapped[str] = mapped_column(String(20))  # raised, triaged, contained, tried, fitted, closed, opened again, remark …
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


# --- the loop: contained, cause, tries, fitted, closing rule, concession. What was filed is never changed
class Containment(Base):
    """An instruction in force on a revision, or on one piece of it, until it runs out or is lifted: “no flat landings on r2”."""

    __tablename__ = "containments"
    __table_args__ = (not_blank("words"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"), index=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revisions.id"), index=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("pieces.id"))
    words: Mapped[str] = mapped_column(Text)
    from_at: Mapped[datetime] = mapped_column(UtcDateTime)
    until_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
    lifted_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    lifted_by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    lifted_why: Mapped[str] = mapped_column(Text, default="")


class ConcernCause(Base):
    """What lies behind it: a class and words. A later finding is a new version."""

    __tablename__ = "concern_causes"
    __table_args__ = (UniqueConstraint("concern_id", "version"), one_of("cause", CauseClass))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"))
    version: Mapped[int] = mapped_column(Integer)
    cause: Mapped[str] = mapped_column(String(24))
    words: Mapped[str] = mapped_column(Text)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class ConcernTry(Base):
    """Something that was tried against it, and on which revision or piece."""

    __tablename__ = "concern_tries"
    __table_args__ = (UniqueConstraint("concern_id", "number"), not_blank("words"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"))
    number: Mapped[int] = mapped_column(Integer)
    words: Mapped[str] = mapped_column(Text)
    revision_id: Mapped[int | None] = mapped_column(ForeignKey("revisions.id"), index=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("pieces.id"))
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class TryOutcome(Base):
    """What came of a try; a later look is a new version."""

    __tablename__ = "try_outcomes"
    __table_args__ = (UniqueConstraint("try_id", "version"), one_of("result", TryResult))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    try_id: Mapped[int] = mapped_column(ForeignKey("concern_tries.id"))
    version: Mapped[int] = mapped_column(Integer)
    result: Mapped[str] = mapped_column(String(24))
    words: Mapped[str] = mapped_column(Text, default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class ConcernFix(Base):
    """The named later revision that holds the cure; of several the newest version stands."""

    __tablename__ = "concern_fixes"
    __table_args__ = (UniqueConstraint("concern_id", "version"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"))
    version: Mapped[int] = mapped_column(Integer)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revisions.id"), index=True)
    words: Mapped[str] = mapped_column(Text, default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class ClosingRule(Base):
    """What must be shown before it is closed: the 95 % bound on failures, at most so many in 100 exposures of one sort."""

    __tablename__ = "closing_rules"
    __table_args__ = (
        UniqueConstraint("concern_id", "version"),
        one_of("exposure", EXPOSURES),
        CheckConstraint("most_per_100 > 0 AND most_per_100 <= 50", name="most_range"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"))
    version: Mapped[int] = mapped_column(Integer)
    exposure: Mapped[str] = mapped_column(String(16))
    most_per_100: Mapped[float] = mapped_column(Float)
    reason: Mapped[str] = mapped_column(Text, default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class Concession(Base):
    """Leave to live with a concern, in a scope, up to and with a day. After that day the concern stands open again."""

    __tablename__ = "concessions"
    __table_args__ = (not_blank("scope"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"), index=True)
    scope: Mapped[str] = mapped_column(Text)
    until: Mapped[date] = mapped_column(Date)
    granted_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
