"""The bench: characteristics with their limits, gauges, reading sets, gauge studies, fits, chains, expected effects.

What was read is only ever added; a set, study, fit, chain or effect that is wrong is withdrawn with its reason.
"""

from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, CheckConstraint, Date, Float, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.bench.words import UNITS, EffectKind, Kind, Taken
from app.db import Base, UtcDateTime, not_blank, one_of


class Withdrawable:
    """Out of every figure once it is withdrawn, and still readable."""

    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    withdrawn_by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    withdrawn_why: Mapped[str] = mapped_column(String(300), default="")


class Characteristic(Base):
    """Something that can be gauged on every piece of a part, such as thickness; its kind fixes the unit.

    `paired_with_id`: the other of two limits that pull against each other, such as play and breakaway torque of one joint.
    """

    __tablename__ = "characteristics"
    __table_args__ = (UniqueConstraint("part_id", "name_key"), one_of("kind", Kind), not_blank("name"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    part_id: Mapped[int] = mapped_column(ForeignKey("parts.id"))
    kind: Mapped[str] = mapped_column(String(30))
    name: Mapped[str] = mapped_column(String(60))
    name_key: Mapped[str] = mapped_column(String(120))
    note: Mapped[str] = mapped_column(String(300), default="")
    paired_with_id: Mapped[int | None] = mapped_column(ForeignKey("characteristics.id"))
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)


class CharacteristicLimit(Base):
    """Limits of a characteristic, for every revision of its part or for one. The newest of each stands; none of both = no limit."""

    __tablename__ = "characteristic_limits"
    __table_args__ = (
        UniqueConstraint("characteristic_id", "version"),
        CheckConstraint("lower_limit IS NULL OR upper_limit IS NULL OR lower_limit <= upper_limit", name="in_order"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    characteristic_id: Mapped[int] = mapped_column(ForeignKey("characteristics.id"))
    version: Mapped[int] = mapped_column(Integer)
    revision_id: Mapped[int | None] = mapped_column(ForeignKey("revisions.id"))
    lower_limit: Mapped[float | None] = mapped_column(Float)
    upper_limit: Mapped[float | None] = mapped_column(Float)
    lower_raw: Mapped[str] = mapped_column(String(40), default="")
    upper_raw: Mapped[str] = mapped_column(String(40), default="")
    reason: Mapped[str] = mapped_column(String(300), default="")
    set_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    set_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Gauge(Base):
    """An instrument. Resolution, standard uncertainty and range are in `unit`; another certificate is another gauge."""

    __tablename__ = "gauges"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"), UniqueConstraint("programme_id", "name_key"), one_of("unit", UNITS), not_blank("name"),
        CheckConstraint("resolution >= 0 AND standard_uncertainty >= 0", name="not_negative"),
    )  # fmt: skip

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    name: Mapped[str] = mapped_column(String(80))
    name_key: Mapped[str] = mapped_column(String(160))
    unit: Mapped[str] = mapped_column(String(12))
    resolution: Mapped[float] = mapped_column(Float)
    standard_uncertainty: Mapped[float] = mapped_column(Float)
    lowest: Mapped[float | None] = mapped_column(Float)
    highest: Mapped[float | None] = mapped_column(Float)
    typed: Mapped[dict[str, Any]] = mapped_column(JSON)  # the figures as they were typed
    certificate: Mapped[str] = mapped_column(String(200), default="")
    calibrated_on: Mapped[date | None] = mapped_column(Date)
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)
    retired_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    retired_why: Mapped[str] = mapped_column(String(300), default="")

    @property
    def label(self) -> str:
        return f"G-{self.number:02d}"


class ReadingSet(Withdrawable, Base):
    """Repeated readings of one characteristic of one piece with one gauge. The gauge's figures are those of that day."""

    __tablename__ = "reading_sets"
    __table_args__ = (one_of("taken", ("", *Taken)),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    piece_id: Mapped[int] = mapped_column(ForeignKey("pieces.id"), index=True)
    characteristic_id: Mapped[int] = mapped_column(ForeignKey("characteristics.id"), index=True)
    gauge_id: Mapped[int] = mapped_column(ForeignKey("gauges.id"))
    resolution: Mapped[float] = mapped_column(Float)
    gauge_uncertainty: Mapped[float] = mapped_column(Float)
    temperature_degC: Mapped[float | None] = mapped_column(Float)
    temperature_raw: Mapped[str] = mapped_column(String(40), default="")
    taken: Mapped[str] = mapped_column(String(8), default="")
    session_id: Mapped[int | None] = mapped_column(ForeignKey("sessions.id"))
    measured_at: Mapped[datetime] = mapped_column(UtcDateTime)
    taken_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    noted_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    noted_at: Mapped[datetime] = mapped_column(UtcDateTime)
    note: Mapped[str] = mapped_column(String(300), default="")


class SetReading(Base):
    """One reading of a set: `raw` as it was typed, `value` in the unit of the characteristic."""

    __tablename__ = "set_readings"
    __table_args__ = (UniqueConstraint("reading_set_id", "place"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    reading_set_id: Mapped[int] = mapped_column(ForeignKey("reading_sets.id"))
    place: Mapped[int] = mapped_column(Integer)
    raw: Mapped[str] = mapped_column(String(40))
    value: Mapped[float] = mapped_column(Float)


class GaugeStudy(Withdrawable, Base):
    """A crossed study of one gauge on one characteristic: every operator gauges every piece several times."""

    __tablename__ = "gauge_studies"
    __table_args__ = (UniqueConstraint("programme_id", "number"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    characteristic_id: Mapped[int] = mapped_column(ForeignKey("characteristics.id"))
    gauge_id: Mapped[int] = mapped_column(ForeignKey("gauges.id"))
    note: Mapped[str] = mapped_column(String(300), default="")
    noted_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    noted_at: Mapped[datetime] = mapped_column(UtcDateTime)

    @property
    def label(self) -> str:
        return f"GS-{self.number:02d}"


class StudyReading(Base):
    """One trial of a study; operator and piece by the names that were typed, since a study may use samples of its own."""

    __tablename__ = "study_readings"
    __table_args__ = (UniqueConstraint("gauge_study_id", "operator", "piece", "trial", name="uq_study_readings_once"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    gauge_study_id: Mapped[int] = mapped_column(ForeignKey("gauge_studies.id"))
    operator: Mapped[str] = mapped_column(String(40))
    piece: Mapped[str] = mapped_column(String(40))
    trial: Mapped[str] = mapped_column(String(20))
    raw: Mapped[str] = mapped_column(String(40))
    value: Mapped[float] = mapped_column(Float)


class Fit(Withdrawable, Base):
    """Two mating features: nominal size, each side's limits by code or as typed (µm from nominal), the bearing spread."""

    __tablename__ = "mating_fits"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"), not_blank("name"),
        CheckConstraint("hole_lower_um <= hole_upper_um AND shaft_lower_um <= shaft_upper_um", name="in_order"),
    )  # fmt: skip

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    name: Mapped[str] = mapped_column(String(80))
    nominal_mm: Mapped[float] = mapped_column(Float)
    hole_typed: Mapped[str] = mapped_column(String(60))
    hole_lower_um: Mapped[float] = mapped_column(Float)
    hole_upper_um: Mapped[float] = mapped_column(Float)
    hole_source: Mapped[str] = mapped_column(String(60), default="")
    shaft_typed: Mapped[str] = mapped_column(String(60))
    shaft_lower_um: Mapped[float] = mapped_column(Float)
    shaft_upper_um: Mapped[float] = mapped_column(Float)
    shaft_source: Mapped[str] = mapped_column(String(60), default="")
    spread_mm: Mapped[float | None] = mapped_column(Float)
    hole_characteristic_id: Mapped[int | None] = mapped_column(ForeignKey("characteristics.id"))
    shaft_characteristic_id: Mapped[int | None] = mapped_column(ForeignKey("characteristics.id"))
    seed: Mapped[int] = mapped_column(Integer, default=1)
    noted_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    noted_at: Mapped[datetime] = mapped_column(UtcDateTime)

    @property
    def label(self) -> str:
        return f"FT-{self.number:02d}"


class Chain(Withdrawable, Base):
    """A chain of parts that leaves a gap; `typed` holds its lines as they were written."""

    __tablename__ = "chains"
    __table_args__ = (UniqueConstraint("programme_id", "number"), not_blank("name"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    name: Mapped[str] = mapped_column(String(80))
    typed: Mapped[str] = mapped_column(Text)
    lowest_mm: Mapped[float | None] = mapped_column(Float)  # the gap that is wanted
    highest_mm: Mapped[float | None] = mapped_column(Float)
    seed: Mapped[int] = mapped_column(Integer, default=1)
    noted_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    noted_at: Mapped[datetime] = mapped_column(UtcDateTime)

    @property
    def label(self) -> str:
        return f"CH-{self.number:02d}"


class ExpectedEffect(Withdrawable, Base):
    """What a designer expects of a variant, worked out before it was driven; `inputs` as typed, `says` the answer in words."""

    __tablename__ = "expected_effects"
    __table_args__ = (one_of("kind", EffectKind),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    inputs: Mapped[dict[str, Any]] = mapped_column(JSON)
    says: Mapped[str] = mapped_column(String(400))
    note: Mapped[str] = mapped_column(String(300), default="")
    noted_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    noted_at: Mapped[datetime] = mapped_column(UtcDateTime)
