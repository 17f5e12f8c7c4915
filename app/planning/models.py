"""What planning remembers: change-over of parts, tyre sets and packs, a session's sheet, accepted plans, the season."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Date, Float, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, not_blank, one_of


class PartFigures(Base):
    """How long a part takes to change at the hall, and how its tool is corrected: for the plan and for the season."""

    __tablename__ = "part_figures"
    __table_args__ = (
        UniqueConstraint("part_id"),
        CheckConstraint("change_min >= 0 AND corrections >= 0 AND correction_days >= 0", name="not_negative"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    part_id: Mapped[int] = mapped_column(ForeignKey("parts.id"))
    change_min: Mapped[float] = mapped_column(Float, default=0.0)
    corrections: Mapped[int] = mapped_column(Integer, default=1)
    correction_days: Mapped[int] = mapped_column(Integer, default=14)


class KitKind(StrEnum):
    TYRES = "tyre set"
    PACK = "pack"


class Kit(Base):
    """A tyre set with the runs it may be driven, or a pack with the minutes it charges. Retired, never deleted."""

    __tablename__ = "kit"
    __table_args__ = (UniqueConstraint("programme_id", "kind", "name_key"), one_of("kind", KitKind), not_blank("name"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    kind: Mapped[str] = mapped_column(String(10))
    name: Mapped[str] = mapped_column(String(40))
    name_key: Mapped[str] = mapped_column(String(80))
    most_runs: Mapped[int | None] = mapped_column(Integer)
    charging_min: Mapped[float | None] = mapped_column(Float)
    retired_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class DaySheet(Base):
    """What a session's plan is made from, as last saved. Lists hold ids of cars, accounts and questions."""

    __tablename__ = "day_sheets"
    __table_args__ = (UniqueConstraint("session_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    starts_at: Mapped[datetime] = mapped_column(UtcDateTime)
    booked_min: Mapped[float] = mapped_column(Float)
    set_up_min: Mapped[float] = mapped_column(Float)
    warm_up_min: Mapped[float] = mapped_column(Float)
    breaks_min: Mapped[float] = mapped_column(Float)
    tear_down_min: Mapped[float] = mapped_column(Float)
    run_min: Mapped[float] = mapped_column(Float)
    turnround_min: Mapped[float] = mapped_column(Float)
    brackets: Mapped[int] = mapped_column(Integer, default=1)
    cars: Mapped[list[int]] = mapped_column(JSON)
    drivers: Mapped[list[int]] = mapped_column(JSON)
    questions: Mapped[list[int]] = mapped_column(JSON)
    blind: Mapped[list[int]] = mapped_column(JSON)
    fit_only: Mapped[list[int]] = mapped_column(JSON)
    limits: Mapped[str] = mapped_column(Text, default="")  # of drivers, one a line, as typed
    seed: Mapped[int] = mapped_column(Integer, default=1)
    saved_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    saved_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)


class RunPlan(Base):
    """An accepted plan, or the re-plan of a day under way. Only ever added: the newest version stands.

    `told` holds what was said of it: left out and why, imbalance, design check, what it is expected to settle.
    """

    __tablename__ = "run_plans"
    __table_args__ = (UniqueConstraint("session_id", "version"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    version: Mapped[int] = mapped_column(Integer)
    wish: Mapped[str] = mapped_column(String(40))
    seed: Mapped[int] = mapped_column(Integer)
    starts_at: Mapped[datetime] = mapped_column(UtcDateTime)
    available_min: Mapped[float] = mapped_column(Float)
    slack_min: Mapped[float] = mapped_column(Float)
    imbalance: Mapped[float] = mapped_column(Float)
    told: Mapped[dict[str, Any]] = mapped_column(JSON)
    why: Mapped[str] = mapped_column(String(300), default="")
    accepted_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    accepted_at: Mapped[datetime] = mapped_column(UtcDateTime)


class PlannedRun(Base):
    """One line of an accepted plan's run card, and the run that was planned for it."""

    __tablename__ = "planned_runs"
    __table_args__ = (UniqueConstraint("plan_id", "place"), one_of("role", ("control", "test", "sealed")))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    plan_id: Mapped[int] = mapped_column(ForeignKey("run_plans.id"))
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)
    place: Mapped[int] = mapped_column(Integer)
    start_min: Mapped[float] = mapped_column(Float)
    role: Mapped[str] = mapped_column(String(8))
    serves: Mapped[str] = mapped_column(String(300))
    on_car: Mapped[str] = mapped_column(String(400))
    change: Mapped[str] = mapped_column(String(300))
    tyre_set: Mapped[str] = mapped_column(String(40))
    pack: Mapped[str] = mapped_column(String(40))
    code: Mapped[str] = mapped_column(String(3), default="")


class SeasonSheet(Base):
    """The programme's freeze date, against which the season's hours are held."""

    __tablename__ = "season_sheets"
    __table_args__ = (UniqueConstraint("programme_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    freeze_on: Mapped[date | None] = mapped_column(Date)
    edition: Mapped[int] = mapped_column(Integer, default=1)


class HallOffer(Base):
    """Hall time that could be booked. minutes: for running, after set-up and tear-down. Withdrawn, never deleted."""

    __tablename__ = "hall_offers"
    __table_args__ = (CheckConstraint("running_min > 0 AND price >= 0", name="plausible"), not_blank("place"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    place: Mapped[str] = mapped_column(String(80))
    on_date: Mapped[date] = mapped_column(Date)
    running_min: Mapped[float] = mapped_column(Float)
    price: Mapped[float] = mapped_column(Float)
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
