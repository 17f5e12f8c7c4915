"""Parts, their revisions and the physical pieces made to them."""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import BigInteger, Float, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.db import Base, UtcDateTime, not_blank, one_of


class Part(Base):
    """A named thing with a number, such as FST, the front shock tower."""

    __tablename__ = "parts"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"),
        UniqueConstraint("programme_id", "code_key"),
        not_blank("code"),
        not_blank("title"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[str] = mapped_column(String(24))
    code: Mapped[str] = mapped_column(String(12))
    code_key: Mapped[str] = mapped_column(String(24))
    title: Mapped[str] = mapped_column(String(120))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)


class RevisionState(StrEnum):
    DRAFT = "draft"
    ISSUED = "issued"
    IN_TEST = "in test"
    CANDIDATE = "candidate"
    FROZEN = "frozen"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"


class Revision(Base):
    """An issued definition of a part along one line of design: FST-t45 r2.

    The digest is never altered once a piece of it was run; new content is a new step.
    """

    __tablename__ = "revisions"
    __table_args__ = (
        UniqueConstraint("part_id", "line_key", "step"),
        one_of("state", RevisionState),
        not_blank("line"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    part_id: Mapped[int] = mapped_column(ForeignKey("parts.id"))
    line: Mapped[str] = mapped_column(String(16))
    line_key: Mapped[str] = mapped_column(String(32))
    step: Mapped[int] = mapped_column(Integer)
    label: Mapped[str] = mapped_column(String(60))  # FST-t45 r2, written once
    alias: Mapped[str] = mapped_column(String(60), default="")
    state: Mapped[str] = mapped_column(String(12), default=RevisionState.DRAFT)
    file_name: Mapped[str] = mapped_column(String(120), default="")
    file_digest: Mapped[str] = mapped_column(String(64), default="")
    file_bytes: Mapped[int] = mapped_column(BigInteger, default=0)
    mass_g: Mapped[float | None] = mapped_column(Float)
    unit_cost: Mapped[float | None] = mapped_column(Float)
    lead_time_days: Mapped[int | None] = mapped_column(Integer)
    change_note: Mapped[str] = mapped_column(Text, default="")
    created_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)

    part: Mapped[Part] = relationship(lazy="raise")


class PieceState(StrEnum):
    ON_HAND = "on hand"
    ON_CAR = "on car"
    MODIFIED = "modified"
    QUARANTINED = "quarantined"
    BROKEN = "broken"
    SCRAPPED = "scrapped"
    LOST = "lost"


class Process(StrEnum):
    PRINTED = "printed"
    MACHINED = "machined"
    WATERJET = "waterjet carbon"
    SOFT_TOOL = "soft-tool moulded"
    PRODUCTION = "production tool"
    BOUGHT_IN = "bought in"


class Piece(Base):
    """One serial-marked example of a revision. A piece modified by hand becomes its own sub-mark (#2m)."""

    __tablename__ = "pieces"
    __table_args__ = (UniqueConstraint("revision_id", "mark"), one_of("state", PieceState), one_of("process", Process))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"), index=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revisions.id"))
    mark: Mapped[str] = mapped_column(String(12))  # "#1", "#2m"
    process: Mapped[str] = mapped_column(String(20))
    state: Mapped[str] = mapped_column(String(12), default=PieceState.ON_HAND)
    place: Mapped[str] = mapped_column(String(60), default="")
    note: Mapped[str] = mapped_column(Text, default="")
    modified_from_id: Mapped[int | None] = mapped_column(ForeignKey("pieces.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)

    revision: Mapped[Revision] = relationship(lazy="raise")
