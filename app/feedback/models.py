"""Debrief slips: what one rater said of one run, every version of it, and whether it counts."""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import BigInteger, Boolean, ForeignKey, Index, Integer, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db import Base, UtcDateTime, one_of


class Confidence(StrEnum):
    SURE = "sure"
    FAIRLY = "fairly"
    GUESS = "guess"


class Source(StrEnum):
    FORM = "form"
    PAPER = "paper card"
    TABLE = "imported table"


class NotCounted(StrEnum):
    """The closed list of reasons why a slip or a run does not count."""

    WRONG_RUN = "wrong run"
    CARS_SWAPPED = "cars swapped"
    DAMAGED = "damaged before or during"
    TOO_FEW_LAPS = "too few laps"
    NO_CLOSING_CONTROL = "no closing control"
    DRIFT = "drift over limit"
    CONDITION = "condition out of band"
    TYRES = "tyres or pack not matched"
    SECOND_CHANGE = "second change on car"
    VERY_LATE = "very late"
    WRONG_PERSON = "filed by wrong person"
    PIECE = "piece out of tolerance"
    AFTER_KEY = "value changed after key open"
    TWICE = "filed twice"
    TEST_ENTRY = "test entry"


class Slip(Base):
    """One rater's answers for one run. The token was made when the form was served: sent again, it is the same slip."""

    __tablename__ = "slips"
    __table_args__ = (
        UniqueConstraint("programme_id", "token"),
        Index("uq_slips_live_run_id_rater_id", "run_id", "rater_id", unique=True,
              sqlite_where=text("withdrawn_at IS NULL"), postgresql_where=text("withdrawn_at IS NULL")),
        one_of("source", Source),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    token: Mapped[str] = mapped_column(String(64))
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)  # of the version that stands
    rater_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"), index=True)
    filed_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    source: Mapped[str] = mapped_column(String(16), default=Source.FORM)
    paper_card: Mapped[str] = mapped_column(String(40), default="")
    captured_at: Mapped[datetime] = mapped_column(UtcDateTime)
    received_at: Mapped[datetime] = mapped_column(UtcDateTime)
    phone_ms: Mapped[int | None] = mapped_column(BigInteger)  # what the phone's clock showed at capture, as it was
    phone_offset_ms: Mapped[int | None] = mapped_column(BigInteger)  # how far it was ahead at its last contact
    clock_doubt: Mapped[str] = mapped_column(String(80), default="", server_default="")
    version: Mapped[int] = mapped_column(Integer, default=1)  # the version that stands
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    withdrawn_why: Mapped[str] = mapped_column(Text, default="")

    versions: Mapped[list["SlipVersion"]] = relationship(lazy="raise", order_by="SlipVersion.version")


class VersionState(StrEnum):
    STANDS = "stands"
    PROPOSED = "proposed"
    REFUSED = "refused"


class SlipVersion(Base):
    """The whole content of a slip at one time. Version 1 is what was filed; nothing in it ever changes."""

    __tablename__ = "slip_versions"
    __table_args__ = (UniqueConstraint("slip_id", "version"), one_of("state", VersionState))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    slip_id: Mapped[int] = mapped_column(ForeignKey("slips.id"))
    version: Mapped[int] = mapped_column(Integer)
    state: Mapped[str] = mapped_column(String(10), default=VersionState.STANDS)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    build_id: Mapped[int | None] = mapped_column(ForeignKey("as_run_builds.id"))
    made_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    reason: Mapped[str] = mapped_column(Text, default="")
    confidence: Mapped[str] = mapped_column(String(8), default="")
    heard_others: Mapped[bool] = mapped_column(Boolean, default=False)
    remark: Mapped[str] = mapped_column(Text, default="")
    content_hash: Mapped[str] = mapped_column(String(64))

    marks: Mapped[list["Mark"]] = relationship(lazy="raise")


class Mark(Base):
    """One attribute's mark; no value means *could not judge*, which is not a zero."""

    __tablename__ = "marks"
    __table_args__ = (UniqueConstraint("slip_version_id", "attribute_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    slip_version_id: Mapped[int] = mapped_column(ForeignKey("slip_versions.id"))
    attribute_id: Mapped[int] = mapped_column(ForeignKey("attributes.id"), index=True)
    mark_hundredths: Mapped[int | None] = mapped_column(Integer)


class CountingNote(Base):
    """*Not counted because…* or *Counts after all because…*, for a slip or for a whole run. The latest one holds."""

    __tablename__ = "counting_notes"
    __table_args__ = (one_of("reason", NotCounted),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)
    slip_id: Mapped[int | None] = mapped_column(ForeignKey("slips.id"), index=True)
    counts: Mapped[bool] = mapped_column(Boolean)
    reason: Mapped[str] = mapped_column(String(40))
    text: Mapped[str] = mapped_column(Text, default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class SlipPhoto(Base):
    """A photo of the paper card that a slip was typed from. Only ever added."""

    __tablename__ = "slip_photos"
    __table_args__ = (UniqueConstraint("slip_id", "photo_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    slip_id: Mapped[int] = mapped_column(ForeignKey("slips.id"))
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)
