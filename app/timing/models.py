"""What the programme remembers of a hall's timing files: how they are read, whose transponder is whose, which were attached.

The laps themselves are rows of `measurements`; here stands how they came in. Rows are only ever added, the newest holds.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, Integer, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime


class LapLayout(Base):
    """How a file of this shape is read: `reading` as `rules.Reading.stored` makes it, confirmed by a person."""

    __tablename__ = "lap_layouts"
    __table_args__ = (Index("ix_lap_layouts_programme_id_shape", "programme_id", "shape"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    shape: Mapped[str] = mapped_column(String(64))  # digest of delimiter and columns
    reading: Mapped[dict[str, Any]] = mapped_column(JSON)
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Transponder(Base):
    """A transponder or a car's name in the hall's files, and our car that it stands for; no car = none of ours."""

    __tablename__ = "transponders"
    __table_args__ = (Index("ix_transponders_programme_id_name_key", "programme_id", "name_key"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    name: Mapped[str] = mapped_column(String(60))
    name_key: Mapped[str] = mapped_column(String(120))
    car_id: Mapped[int | None] = mapped_column(ForeignKey("cars.id"))
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)


class LapFile(Base):
    """One file that was attached to a session: by which shift of its clock (none = by order), and what of it was not matched."""

    __tablename__ = "lap_files"
    __table_args__ = (UniqueConstraint("batch_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    batch_id: Mapped[int] = mapped_column(ForeignKey("measurement_batches.id"))
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"), index=True)
    layout_id: Mapped[int] = mapped_column(ForeignKey("lap_layouts.id"))
    shift_ms: Mapped[int | None] = mapped_column(Integer)  # added to the file's clock
    laps_read: Mapped[int] = mapped_column(Integer)
    not_matched: Mapped[list[Any]] = mapped_column(JSON)  # [[transponder, reason, laps, first line, last line], ...]
