"""Incidents and planned abuse: one record for both, its pieces, what caused it, and photos. Rows are only ever added."""

from datetime import datetime

from sqlalchemy import Boolean, CheckConstraint, Float, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, one_of
from app.incidents.words import Cause, Effect, Happened


class AbuseTest(Base):
    """A counted series of planned abuse: so many hits of one kind on named pieces, tweak re-checked every so many."""

    __tablename__ = "abuse_tests"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"),
        one_of("kind", Happened),
        CheckConstraint("hits_planned BETWEEN 1 AND 10000 AND check_every BETWEEN 1 AND 10000", name="hits_range"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    kind: Mapped[str] = mapped_column(String(40))
    struck: Mapped[str] = mapped_column(String(120), default="")
    hits_planned: Mapped[int] = mapped_column(Integer)
    check_every: Mapped[int] = mapped_column(Integer)
    tweak_limit_mm: Mapped[float | None] = mapped_column(Float)
    speed_mps: Mapped[float | None] = mapped_column(Float)
    drop_height_m: Mapped[float | None] = mapped_column(Float)
    started_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    started_at: Mapped[datetime] = mapped_column(UtcDateTime)

    @property
    def label(self) -> str:
        return f"A-{self.number:02d}"


class AbuseTestPiece(Base):
    """A piece that a series of planned abuse is on."""

    __tablename__ = "abuse_test_pieces"
    __table_args__ = (UniqueConstraint("abuse_test_id", "piece_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    abuse_test_id: Mapped[int] = mapped_column(ForeignKey("abuse_tests.id"))
    piece_id: Mapped[int] = mapped_column(ForeignKey("pieces.id"), index=True)


class Incident(Base):
    """What happened, as it was first described: on a run, on the bench (no run), or as hits of planned abuse."""

    __tablename__ = "incidents"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"),
        one_of("kind", Happened),
        one_of("effect", Effect),
        CheckConstraint("hits BETWEEN 1 AND 1000", name="hits_range"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    run_id: Mapped[int | None] = mapped_column(ForeignKey("runs.id"), index=True)
    session_id: Mapped[int | None] = mapped_column(ForeignKey("sessions.id"), index=True)  # of its run
    abuse_test_id: Mapped[int | None] = mapped_column(ForeignKey("abuse_tests.id"), index=True)
    happened_at: Mapped[datetime] = mapped_column(UtcDateTime)
    lap_number: Mapped[int | None] = mapped_column(Integer)
    kind: Mapped[str] = mapped_column(String(40))
    struck: Mapped[str] = mapped_column(String(120), default="")
    speed_mps: Mapped[float | None] = mapped_column(Float)
    drop_height_m: Mapped[float | None] = mapped_column(Float)
    car_mass_g: Mapped[float | None] = mapped_column(Float)
    hits: Mapped[int] = mapped_column(Integer, default=1)
    tweak_before_mm: Mapped[float | None] = mapped_column(Float)
    tweak_after_mm: Mapped[float | None] = mapped_column(Float)
    pack_damage: Mapped[str] = mapped_column(String(80), default="")
    effect: Mapped[str] = mapped_column(String(20))
    words: Mapped[str] = mapped_column(Text, default="")
    reported_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    reported_at: Mapped[datetime] = mapped_column(UtcDateTime)
    concern_id: Mapped[int | None] = mapped_column(ForeignKey("concerns.id"))
    pack_concern_id: Mapped[int | None] = mapped_column(ForeignKey("concerns.id"))

    @property
    def label(self) -> str:
        return f"I-{self.number:02d}"


class IncidentPiece(Base):
    """A piece that took it. `damage`: words of the list, parted by “; ”; none = it is sound, as far as was seen."""

    __tablename__ = "incident_pieces"
    __table_args__ = (UniqueConstraint("incident_id", "piece_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    incident_id: Mapped[int] = mapped_column(ForeignKey("incidents.id"))
    piece_id: Mapped[int] = mapped_column(ForeignKey("pieces.id"), index=True)
    damage: Mapped[str] = mapped_column(String(300), default="")
    quarantined: Mapped[bool] = mapped_column(Boolean, default=False)


class IncidentCause(Base):
    """What caused it: unknown at first; a later class is a new version with its reason."""

    __tablename__ = "incident_causes"
    __table_args__ = (UniqueConstraint("incident_id", "version"), one_of("cause", Cause))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    incident_id: Mapped[int] = mapped_column(ForeignKey("incidents.id"))
    version: Mapped[int] = mapped_column(Integer)
    cause: Mapped[str] = mapped_column(String(24), default=Cause.UNKNOWN)
    reason: Mapped[str] = mapped_column(Text, default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class IncidentPhoto(Base):
    """A photo of an incident; `alt` says what it shows to whoever can't see it."""

    __tablename__ = "incident_photos"
    __table_args__ = (UniqueConstraint("incident_id", "photo_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    incident_id: Mapped[int] = mapped_column(ForeignKey("incidents.id"))
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    alt: Mapped[str] = mapped_column(String(200), default="")
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)
