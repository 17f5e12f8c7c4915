"""A programme: one car or update project, and the attributes its drivers rate."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, Date, ForeignKey, Integer, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, not_blank, one_of


class ProgrammeState(StrEnum):
    OPEN = "open"
    FROZEN = "frozen"
    SHIPPED = "shipped"
    ARCHIVED = "archived"


class Programme(Base):
    __tablename__ = "programmes"
    __table_args__ = (not_blank("name"), one_of("state", ProgrammeState))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    name: Mapped[str] = mapped_column(String(80))
    name_key: Mapped[str] = mapped_column(String(160), unique=True)
    team: Mapped[str] = mapped_column(String(80), default="")
    car: Mapped[str] = mapped_column(String(120), default="")
    time_zone: Mapped[str] = mapped_column(String(60), default="UTC")
    freeze_on: Mapped[date | None] = mapped_column(Date)
    state: Mapped[str] = mapped_column(String(12), default=ProgrammeState.OPEN)
    started_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)


class ScaleKind(StrEnum):
    QUALITY = "quality"  # unipolar: higher is better
    IDEAL_ZERO = "ideal_zero"  # bipolar: the middle is ideal


class Attribute(Base):
    """A rating attribute. Marks are stored in hundredths of a point, so that half steps stay exact."""

    __tablename__ = "attributes"
    __table_args__ = (UniqueConstraint("programme_id", "name_key"), not_blank("name"), one_of("kind", ScaleKind))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    name: Mapped[str] = mapped_column(String(60))
    name_key: Mapped[str] = mapped_column(String(120))
    kind: Mapped[str] = mapped_column(String(12))
    lowest_hundredths: Mapped[int] = mapped_column(Integer)
    highest_hundredths: Mapped[int] = mapped_column(Integer)
    step_hundredths: Mapped[int] = mapped_column(Integer)
    anchors: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)  # {"10": "excellent", ...}
    position: Mapped[int] = mapped_column(Integer, default=0)
    on_slip: Mapped[bool] = mapped_column(Boolean, default=True)
