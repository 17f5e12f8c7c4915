"""Design questions, their variants and the declared rule."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, Date, ForeignKey, Index, Integer, String, Text, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db import Base, UtcDateTime, not_blank, one_of
from app.parts.models import Revision


class QuestionState(StrEnum):
    DRAFT = "draft"
    ASKED = "asked"
    RUNNING = "running"
    READY = "ready to rule"
    RULED = "ruled"
    REOPENED = "reopened"
    DROPPED = "dropped"


LOOKED_AT = (QuestionState.ASKED, QuestionState.RUNNING, QuestionState.READY, QuestionState.RULED, QuestionState.REOPENED)


class Ground(StrEnum):
    HANDLING = "handling"
    PACE = "pace"
    DURABILITY = "durability"
    FRICTION = "friction"
    MASS = "mass"
    COST = "cost"
    ASSEMBLY = "ease of build"
    LEGALITY = "legality"


class Question(Base):
    """One choice to be settled. Its state `running` or `ready to rule` follows from runs and verdict.

    `panel_noise` is what other questions had taught about the panel at this one's first look; {} = nothing, None = not yet.
    """

    __tablename__ = "questions"
    __table_args__ = (UniqueConstraint("programme_id", "number"), one_of("state", QuestionState), not_blank("title"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    title: Mapped[str] = mapped_column(String(120))
    text: Mapped[str] = mapped_column(Text, default="")
    asked_ground: Mapped[str] = mapped_column(String(20))
    deciding_ground: Mapped[str] = mapped_column(String(20), default="")
    state: Mapped[str] = mapped_column(String(16), default=QuestionState.DRAFT)
    owner_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    decide_by: Mapped[date | None] = mapped_column(Date)
    created_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)
    panel_noise: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))

    variants: Mapped[list["Variant"]] = relationship(lazy="raise", order_by="Variant.position")
    rules: Mapped[list["RuleVersion"]] = relationship(lazy="raise", order_by="RuleVersion.version")

    @property
    def label(self) -> str:
        return f"Q-{self.number:02d}"


class VariantState(StrEnum):
    LIVE = "live"
    PARKED = "parked"
    ELIMINATED = "eliminated"


class Variant(Base):
    """One answer to a question: a part revision, or a whole car's build (`whole_car`) such as last season's car."""

    __tablename__ = "variants"
    __table_args__ = (
        UniqueConstraint("question_id", "code_key"),
        Index("uq_variants_one_control", "question_id", unique=True, sqlite_where=text("is_control"),
              postgresql_where=text("is_control")),
        one_of("state", VariantState),
        not_blank("code"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"))
    code: Mapped[str] = mapped_column(String(24))
    code_key: Mapped[str] = mapped_column(String(48))
    title: Mapped[str] = mapped_column(String(120), default="")
    is_control: Mapped[bool] = mapped_column(Boolean, default=False)
    position: Mapped[int] = mapped_column(Integer, default=0)
    state: Mapped[str] = mapped_column(String(12), default=VariantState.LIVE)
    whole_car: Mapped[bool] = mapped_column(Boolean, default=False)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    revisions: Mapped[list["VariantRevision"]] = relationship(lazy="raise")


class VariantRevision(Base):
    """A part revision that a variant consists of; a variant lives through several steps of its part."""

    __tablename__ = "variant_revisions"
    __table_args__ = (UniqueConstraint("variant_id", "revision_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"))
    revision_id: Mapped[int] = mapped_column(ForeignKey("revisions.id"), index=True)
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)

    revision: Mapped[Revision] = relationship(lazy="raise")


class RuleKind(StrEnum):
    GAIN = "gain"
    NO_WORSE = "no_worse"


class RuleVersion(Base):
    """The declared rule of a question. Locked at its first counted run; later changes are a new version with a reason.

    `declared` holds what rules.DeclaredRule reads: goals, musts, margins, worthwhile difference, requirements.
    """

    __tablename__ = "rule_versions"
    __table_args__ = (UniqueConstraint("question_id", "version"), one_of("kind", RuleKind))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"))
    version: Mapped[int] = mapped_column(Integer)
    kind: Mapped[str] = mapped_column(String(12))
    declared: Mapped[dict[str, Any]] = mapped_column(JSON)
    reason: Mapped[str] = mapped_column(Text, default="")
    made_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    locked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
