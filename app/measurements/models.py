"""What was measured beside the marks: laps, forced preferences, use with its failures, gauge readings.

Every row belongs to a batch: a table that was brought in, or one answer that was typed. Rows are only ever added; a
batch that was wrong is withdrawn with a reason, stays readable, and its table can be brought in again.
"""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import CheckConstraint, Float, ForeignKey, Index, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, not_blank, one_of


class Kind(StrEnum):
    LAPS = "laps"
    PREFERENCES = "preferences"
    EXPOSURES = "exposures"
    READINGS = "readings"


class Batch(Base):
    """One table that was brought in, or one answer typed (then it has no file and no digest)."""

    __tablename__ = "measurement_batches"
    __table_args__ = (Index("ix_measurement_batches_programme_id_kind", "programme_id", "kind"), one_of("kind", Kind))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    kind: Mapped[str] = mapped_column(String(12))
    file_name: Mapped[str] = mapped_column(String(200), default="")
    digest: Mapped[str] = mapped_column(String(64), default="")  # of the table's text; the same table is taken once
    rows: Mapped[int] = mapped_column(Integer)
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)
    withdrawn_by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    withdrawn_why: Mapped[str] = mapped_column(Text, default="")


class Lap(Base):
    """One lap of one run as it came in. `flag` says why it is left out of every figure; empty keeps it. See LapFlag too."""

    __tablename__ = "laps"
    __table_args__ = (UniqueConstraint("batch_id", "run_id", "number"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    batch_id: Mapped[int] = mapped_column(ForeignKey("measurement_batches.id"))
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)
    number: Mapped[int] = mapped_column(Integer)
    time_ms: Mapped[int] = mapped_column(Integer)
    clock_ms: Mapped[int | None] = mapped_column(Integer)  # start of the lap since the session's start
    flag: Mapped[str] = mapped_column(String(60), default="")


class LapFlag(Base):
    """What a person said later of one lap: a word that leaves it out, or an empty one that keeps it. The newest stands.

    The lap itself is never changed; its own flag is what came in with its table.
    """

    __tablename__ = "lap_flags"
    __table_args__ = (UniqueConstraint("lap_id", "version"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    lap_id: Mapped[int] = mapped_column(ForeignKey("laps.id"))
    version: Mapped[int] = mapped_column(Integer)
    flag: Mapped[str] = mapped_column(String(60), default="")
    said_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    said_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Preference(Base):
    """Which of two variants a driver would keep, having driven both in one session; no preferred one = no preference."""

    __tablename__ = "preferences"
    __table_args__ = (
        UniqueConstraint("batch_id", "session_id", "rater_id", "question_id", "first_variant_id", "second_variant_id",
                         name="uq_preferences_once"),
    )  # fmt: skip

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    batch_id: Mapped[int] = mapped_column(ForeignKey("measurement_batches.id"))
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"), index=True)
    rater_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"), index=True)
    first_variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"))
    second_variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"))
    preferred_variant_id: Mapped[int | None] = mapped_column(ForeignKey("variants.id"))


class Exposure(Base):
    """Use of a part and the failures in it. Of a revision; of a variant only where that has not exactly one revision."""

    __tablename__ = "exposures"
    __table_args__ = (
        CheckConstraint("revision_id IS NOT NULL OR variant_id IS NOT NULL", name="of_something"),
        CheckConstraint("laps >= 0 AND minutes_hundredths >= 0 AND failures >= 0 AND impacts >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    batch_id: Mapped[int] = mapped_column(ForeignKey("measurement_batches.id"), index=True)
    revision_id: Mapped[int | None] = mapped_column(ForeignKey("revisions.id"), index=True)
    variant_id: Mapped[int | None] = mapped_column(ForeignKey("variants.id"), index=True)
    session_id: Mapped[int | None] = mapped_column(ForeignKey("sessions.id"))  # none: it counts with every session
    laps: Mapped[int] = mapped_column(Integer, default=0)
    minutes_hundredths: Mapped[int] = mapped_column(Integer, default=0)
    failures: Mapped[int] = mapped_column(Integer, default=0)
    impacts: Mapped[int] = mapped_column(Integer, default=0)
    note: Mapped[str] = mapped_column(String(300), default="")


class Reading(Base):
    """One gauge reading against its limits; `raw` is the figure as it was written. Limits and uncertainty in `unit`."""

    __tablename__ = "readings"
    __table_args__ = (not_blank("characteristic"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    batch_id: Mapped[int] = mapped_column(ForeignKey("measurement_batches.id"), index=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revisions.id"), index=True)
    piece_id: Mapped[int | None] = mapped_column(ForeignKey("pieces.id"))
    characteristic: Mapped[str] = mapped_column(String(60))
    value: Mapped[float] = mapped_column(Float)
    unit: Mapped[str] = mapped_column(String(12), default="")
    lower: Mapped[float | None] = mapped_column(Float)
    upper: Mapped[float | None] = mapped_column(Float)
    uncertainty: Mapped[float | None] = mapped_column(Float)  # expanded, k = 2
    raw: Mapped[str] = mapped_column(String(40), default="")
