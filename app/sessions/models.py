"""Test sessions, cars, runs and what was really on the car."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, Date, Float, ForeignKey, Index, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db import Base, UtcDateTime, not_blank, one_of
from app.programmes.conditions import Grip, Surface, condition_class


class SessionState(StrEnum):
    PLANNED = "planned"
    OPEN = "open"
    CUT_SHORT = "cut short"
    CLOSED = "closed"
    RECONCILED = "reconciled"


CLOSED_STATES = (SessionState.CUT_SHORT, SessionState.CLOSED, SessionState.RECONCILED)


class Session(Base):
    """A booked block at one place: a test session. Its condition class is surface and grip in words."""

    __tablename__ = "sessions"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"),
        one_of("state", SessionState),
        one_of("surface", Surface),
        one_of("grip", Grip),
        not_blank("place"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    alias: Mapped[str] = mapped_column(String(60), default="")  # the name an imported table gave it
    place: Mapped[str] = mapped_column(String(80))
    time_zone: Mapped[str] = mapped_column(String(60))
    on_date: Mapped[date] = mapped_column(Date)
    state: Mapped[str] = mapped_column(String(12), default=SessionState.PLANNED)
    surface: Mapped[str] = mapped_column(String(20), default=Surface.OTHER)
    grip: Mapped[str] = mapped_column(String(12), default=Grip.MEDIUM)
    air_temp_degC: Mapped[float | None] = mapped_column(Float)
    track_temp_degC: Mapped[float | None] = mapped_column(Float)
    humidity_percent: Mapped[float | None] = mapped_column(Float)
    layout: Mapped[str] = mapped_column(String(60), default="")
    notes: Mapped[str] = mapped_column(Text, default="")
    order_known: Mapped[bool] = mapped_column(Boolean, default=True)
    opened_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    closed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    created_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)

    @property
    def label(self) -> str:
        return f"S-{self.number:02d}"

    @property
    def closed(self) -> bool:
        return self.state in CLOSED_STATES

    @property
    def condition(self) -> str:
        return condition_class(self.surface, self.grip)


class SessionPerson(Base):
    """Who is due at a session, and as what; a driver here is due to rate its runs."""

    __tablename__ = "session_people"
    __table_args__ = (UniqueConstraint("session_id", "account_id", "duty"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    account_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"), index=True)
    duty: Mapped[str] = mapped_column(String(12))  # driver, conductor, marshal


class Car(Base):
    __tablename__ = "cars"
    __table_args__ = (UniqueConstraint("programme_id", "name_key"), not_blank("name"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    name: Mapped[str] = mapped_column(String(40))
    name_key: Mapped[str] = mapped_column(String(80))
    note: Mapped[str] = mapped_column(String(200), default="")


class RunState(StrEnum):
    PLANNED = "planned"
    DRIVING = "driving"
    DRIVEN = "driven"
    SHORT = "short"
    VOID = "void"
    NOT_DRIVEN = "not driven"


class Run(Base):
    """One car, one driver, one continuous time on track. Voided, never deleted."""

    __tablename__ = "runs"
    __table_args__ = (
        UniqueConstraint("session_id", "number"),
        one_of("state", RunState),
        Index("ix_runs_programme_id_driver_id", "programme_id", "driver_id"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    number: Mapped[int] = mapped_column(Integer)
    alias: Mapped[str] = mapped_column(String(60), default="")  # the name an imported table gave it
    car_id: Mapped[int] = mapped_column(ForeignKey("cars.id"))
    driver_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    state: Mapped[str] = mapped_column(String(12), default=RunState.PLANNED)
    planned_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    started_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    laps_driven: Mapped[int | None] = mapped_column(Integer)
    tyre_set: Mapped[str] = mapped_column(String(40), default="")
    tyre_runs: Mapped[int | None] = mapped_column(Integer)
    pack: Mapped[str] = mapped_column(String(40), default="")
    pack_rest_V: Mapped[float | None] = mapped_column(Float)
    note: Mapped[str] = mapped_column(Text, default="")
    edition: Mapped[int] = mapped_column(Integer, default=1)
    blind_code: Mapped[int | None] = mapped_column(Integer)  # the code it is driven under, in a blind block
    sealed_question_id: Mapped[int | None] = mapped_column(Integer)  # the block's question, while its key is sealed

    session: Mapped[Session] = relationship(lazy="raise")
    car: Mapped[Car] = relationship(lazy="raise")

    @property
    def label(self) -> str:
        return f"R-{self.number:02d}"

    @property
    def sealed(self) -> bool:
        """Is what was on the car under a sealed key?"""
        return self.sealed_question_id is not None

    @property
    def key_opened(self) -> bool:
        """Was it driven under a code whose key is open now?"""
        return self.blind_code is not None and self.sealed_question_id is None


class RunReport(Base):
    """What a phone said of a run's start or end. `taken`: the run has this time; else it had one, and both are shown."""

    __tablename__ = "run_reports"
    __table_args__ = (one_of("what", ("start", "end")),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)
    what: Mapped[str] = mapped_column(String(5))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
    taken: Mapped[bool] = mapped_column(Boolean)
    said: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)  # laps, tyres, pack, note as they were sent
    clock_doubt: Mapped[str] = mapped_column(String(80), default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    received_at: Mapped[datetime] = mapped_column(UtcDateTime)


CONDITIONS = ("air_temp_degC", "track_temp_degC", "humidity_percent", "grip")


class ConditionNote(Base):
    """Conditions as somebody noted them at a moment. The session carries, of each, the one noted last, not the one that came last."""

    __tablename__ = "condition_notes"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"), index=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime)
    noted: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)  # {"air_temp_degC": 9.5}; only what was given
    clock_doubt: Mapped[str] = mapped_column(String(80), default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    received_at: Mapped[datetime] = mapped_column(UtcDateTime)


class BuildState(StrEnum):
    ASSUMED = "assumed"
    CONFIRMED = "confirmed"
    CORRECTED = "corrected"


class AsRunBuild(Base):
    """What was really fitted in one run. A correction is a new version; older ones stay readable."""

    __tablename__ = "as_run_builds"
    __table_args__ = (UniqueConstraint("run_id", "version"), one_of("state", BuildState))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    version: Mapped[int] = mapped_column(Integer)
    state: Mapped[str] = mapped_column(String(12), default=BuildState.ASSUMED)
    settings: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)  # {"anti-roll bar mm": "1.2"}
    made_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    confirmed_by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    confirmed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    reason: Mapped[str] = mapped_column(Text, default="")

    pieces: Mapped[list["BuildPiece"]] = relationship(lazy="raise")
    variants: Mapped[list["BuildVariant"]] = relationship(lazy="raise")


class BuildPiece(Base):
    """A piece on the car in one as-run build."""

    __tablename__ = "build_pieces"
    __table_args__ = (UniqueConstraint("build_id", "piece_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    build_id: Mapped[int] = mapped_column(ForeignKey("as_run_builds.id"))
    piece_id: Mapped[int] = mapped_column(ForeignKey("pieces.id"), index=True)


class BuildVariant(Base):
    """Which variant of a question this build carries: from its pieces, or declared (whole car, imported table)."""

    __tablename__ = "build_variants"
    __table_args__ = (UniqueConstraint("build_id", "question_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    build_id: Mapped[int] = mapped_column(ForeignKey("as_run_builds.id"))
    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"))
    variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"), index=True)
    declared: Mapped[bool] = mapped_column(Boolean, default=False)
