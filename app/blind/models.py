"""Blind blocks: runs under three-digit codes, what is behind each code under a sealed key, and who opened it.

What is on the car in a sealed run stands in tables of its own and nowhere else: no page that reads as-run builds can
tell it. The key's opening writes it into the as-run book.
"""

from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import JSON, Boolean, CheckConstraint, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, one_of


class BlockKind(StrEnum):
    RATED = "rated"
    TRIANGLE = "triangle"
    PAIRED = "paired"


class KeyState(StrEnum):
    SEALED = "sealed"
    ON_PLAN = "opened on plan"
    EARLY = "opened early"


class BlindBlock(Base):
    """Runs of one session that answer one question under codes. Its key is opened once, and never closed again."""

    __tablename__ = "blind_blocks"
    __table_args__ = (UniqueConstraint("session_id", "number"), one_of("kind", BlockKind), one_of("state", KeyState))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    number: Mapped[int] = mapped_column(Integer)
    question_id: Mapped[int] = mapped_column(ForeignKey("questions.id"), index=True)
    kind: Mapped[str] = mapped_column(String(12))
    asked: Mapped[str] = mapped_column(String(120), default="")  # of a pair: which of the two … ?
    expected_id: Mapped[int | None] = mapped_column(ForeignKey("variants.id"))  # one-sided, when a variant is expected
    holder_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    state: Mapped[str] = mapped_column(String(16), default=KeyState.SEALED)
    opened_by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    opened_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    opened_why: Mapped[str] = mapped_column(Text, default="")
    missing: Mapped[int | None] = mapped_column(Integer)  # due answers not in when it was opened

    @property
    def label(self) -> str:
        return f"B{self.number}"

    @property
    def sealed(self) -> bool:
        return self.state == KeyState.SEALED


class BlindCode(Base):
    """The key: which variant is behind a code. A hidden repeat of the control has a code of its own."""

    __tablename__ = "blind_codes"
    __table_args__ = (
        UniqueConstraint("session_id", "code"),
        CheckConstraint("code BETWEEN 100 AND 999", name="three_digits"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    block_id: Mapped[int] = mapped_column(ForeignKey("blind_blocks.id"), index=True)
    session_id: Mapped[int] = mapped_column(ForeignKey("sessions.id"))
    code: Mapped[int] = mapped_column(Integer)
    variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"))
    repeat: Mapped[bool] = mapped_column(Boolean, default=False)


class BlindRun(Base):
    """The code a run is driven under; a run is in one block at most."""

    __tablename__ = "blind_runs"
    __table_args__ = (UniqueConstraint("run_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    block_id: Mapped[int] = mapped_column(ForeignKey("blind_blocks.id"), index=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    code_id: Mapped[int] = mapped_column(ForeignKey("blind_codes.id"))


class BlindBuild(Base):
    """What the holder of the key says was on the car; a correction is a new version."""

    __tablename__ = "blind_builds"
    __table_args__ = (UniqueConstraint("run_id", "version"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    version: Mapped[int] = mapped_column(Integer)
    settings: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    confirmed: Mapped[bool] = mapped_column(Boolean, default=False)
    made_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    reason: Mapped[str] = mapped_column(Text, default="")


class BlindPiece(Base):
    """A piece on the car in one version of a sealed build."""

    __tablename__ = "blind_pieces"
    __table_args__ = (UniqueConstraint("build_id", "piece_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    build_id: Mapped[int] = mapped_column(ForeignKey("blind_builds.id"))
    piece_id: Mapped[int] = mapped_column(ForeignKey("pieces.id"))


class BlindGuess(Base):
    """Which variant a rater thinks was behind a code: asked after their own slips are filed, before the key is open."""

    __tablename__ = "blind_guesses"
    __table_args__ = (UniqueConstraint("code_id", "rater_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    code_id: Mapped[int] = mapped_column(ForeignKey("blind_codes.id"))
    rater_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    variant_id: Mapped[int] = mapped_column(ForeignKey("variants.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class BlindChoice(Base):
    """A forced choice: of the rater's trial that begins with one run, the run that they picked."""

    __tablename__ = "blind_choices"
    __table_args__ = (UniqueConstraint("first_run_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    block_id: Mapped[int] = mapped_column(ForeignKey("blind_blocks.id"), index=True)
    rater_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    first_run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    chosen_run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
