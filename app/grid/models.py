"""Fit grids: options and third-party items, what was tried, what is taken out. Whatever is filed is only ever added."""

from datetime import datetime

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Integer, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime, not_blank, one_of
from app.grid.words import FactorKind, Fit, How, Proof, RuleKind, SettingMark


class Grid(Base):
    """Which options and third-party items must fit together. strength : 2 = pairs, 3 = triples are proposed."""

    __tablename__ = "grids"
    __table_args__ = (
        UniqueConstraint("programme_id", "number"),
        CheckConstraint("strength IN (2, 3)", name="strength_range"),
        one_of("proof", Proof),
        not_blank("title"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    number: Mapped[int] = mapped_column(Integer)
    title: Mapped[str] = mapped_column(String(120))
    strength: Mapped[int] = mapped_column(Integer, default=2)
    proof: Mapped[str] = mapped_column(String(16), default=Proof.EACH_CELL)
    question_id: Mapped[int | None] = mapped_column(ForeignKey("questions.id"), index=True)
    owner_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    created_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    edition: Mapped[int] = mapped_column(Integer, default=1)

    @property
    def label(self) -> str:
        return f"FG-{self.number:02d}"


class GridFactor(Base):
    """One option, or one kind of third-party item; its place in the grid never changes."""

    __tablename__ = "grid_factors"
    __table_args__ = (UniqueConstraint("grid_id", "position"), UniqueConstraint("grid_id", "name_key"), one_of("kind", FactorKind))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    grid_id: Mapped[int] = mapped_column(ForeignKey("grids.id"))
    position: Mapped[int] = mapped_column(Integer)
    name: Mapped[str] = mapped_column(String(40))
    name_key: Mapped[str] = mapped_column(String(80))
    kind: Mapped[str] = mapped_column(String(20))


class GridLevel(Base):
    """One choice of a factor: a named item, or a part's line of design, of which the newest issued revision is meant.

    revision_id : the revision that was current when the level was made; its part and line say which line it is.
    """

    __tablename__ = "grid_levels"
    __table_args__ = (UniqueConstraint("factor_id", "position"), UniqueConstraint("factor_id", "code_key"), not_blank("code"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    factor_id: Mapped[int] = mapped_column(ForeignKey("grid_factors.id"))
    position: Mapped[int] = mapped_column(Integer)
    code: Mapped[str] = mapped_column(String(24))
    code_key: Mapped[str] = mapped_column(String(48))
    revision_id: Mapped[int | None] = mapped_column(ForeignKey("revisions.id"), index=True)


class GridRule(Base):
    """Cells taken out, never built together, or required, with the sentence that says why.

    levels : ids; a cell is meant that has, of every factor named, one of its levels.
    """

    __tablename__ = "grid_rules"
    __table_args__ = (one_of("kind", RuleKind), not_blank("sentence"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    grid_id: Mapped[int] = mapped_column(ForeignKey("grids.id"), index=True)
    kind: Mapped[str] = mapped_column(String(10))
    levels: Mapped[list[int]] = mapped_column(JSON)
    sentence: Mapped[str] = mapped_column(Text)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class BuildList(Base):
    """Trial builds that were proposed together, to be printed and ticked. wanted : combinations nothing had proven
    then; 0 = cells that had no result.

    floor : fewer builds could not have tried them all.
    """

    __tablename__ = "build_lists"
    __table_args__ = (UniqueConstraint("grid_id", "number"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    grid_id: Mapped[int] = mapped_column(ForeignKey("grids.id"))
    number: Mapped[int] = mapped_column(Integer)
    strength: Mapped[int] = mapped_column(Integer)
    seed: Mapped[int] = mapped_column(Integer)
    wanted: Mapped[int] = mapped_column(Integer)
    floor: Mapped[int] = mapped_column(Integer)
    made_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)

    @property
    def label(self) -> str:
        return f"B-{self.number}"


class TrialBuild(Base):
    """One build of a list. cell : ids of its levels, in the order of the factors."""

    __tablename__ = "trial_builds"
    __table_args__ = (UniqueConstraint("build_list_id", "number"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    build_list_id: Mapped[int] = mapped_column(ForeignKey("build_lists.id"))
    number: Mapped[int] = mapped_column(Integer)
    cell: Mapped[list[int]] = mapped_column(JSON)


class CellFit(Base):
    """What one cell did when it was tried. Of each cell the newest that is not withdrawn stands."""

    __tablename__ = "fits"
    __table_args__ = (one_of("result", Fit), one_of("how", How))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    grid_id: Mapped[int] = mapped_column(ForeignKey("grids.id"), index=True)
    cell: Mapped[str] = mapped_column(Text)  # codes of its levels, to be read in a table: inner, low, S3, +2
    result: Mapped[str] = mapped_column(String(20))
    how: Mapped[str] = mapped_column(String(8))
    shim: Mapped[str] = mapped_column(String(80), default="")
    note: Mapped[str] = mapped_column(Text, default="")
    trial_build_id: Mapped[int | None] = mapped_column(ForeignKey("trial_builds.id"), index=True)
    photo_id: Mapped[int | None] = mapped_column(ForeignKey("photos.id"), index=True)
    photo_alt: Mapped[str] = mapped_column(String(200), default="")
    tried_at: Mapped[datetime] = mapped_column(UtcDateTime)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    filed_at: Mapped[datetime] = mapped_column(UtcDateTime)


class FitLevel(Base):
    """A level of the cell that was tried, and the revision it was tried on."""

    __tablename__ = "fit_levels"
    __table_args__ = (UniqueConstraint("fit_id", "level_id"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    fit_id: Mapped[int] = mapped_column(ForeignKey("fits.id"))
    level_id: Mapped[int] = mapped_column(ForeignKey("grid_levels.id"))
    revision_id: Mapped[int | None] = mapped_column(ForeignKey("revisions.id"), index=True)


class CarryOver(Base):
    """What was proven on the older revision of a level holds for a newer one, because of this sentence."""

    __tablename__ = "carry_overs"
    __table_args__ = (not_blank("sentence"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    grid_id: Mapped[int] = mapped_column(ForeignKey("grids.id"), index=True)
    level_id: Mapped[int] = mapped_column(ForeignKey("grid_levels.id"))
    from_revision_id: Mapped[int] = mapped_column(ForeignKey("revisions.id"))
    to_revision_id: Mapped[int] = mapped_column(ForeignKey("revisions.id"))
    sentence: Mapped[str] = mapped_column(Text)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class GridSetting(Base):
    """What one setting (a level of each option) is: published, equivalent to another, unsafe. The newest stands.

    same_as : level ids of the setting it is equivalent to; [] for the other marks.
    """

    __tablename__ = "grid_settings"
    __table_args__ = (one_of("mark", SettingMark),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    grid_id: Mapped[int] = mapped_column(ForeignKey("grids.id"), index=True)
    setting: Mapped[list[int]] = mapped_column(JSON)
    mark: Mapped[str] = mapped_column(String(12))
    same_as: Mapped[list[int]] = mapped_column(JSON, default=list)
    sentence: Mapped[str] = mapped_column(Text, default="")
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)


class GridWithdrawal(Base):
    """A result, a rule or a carry-over taken back, with the reason; it stays readable."""

    __tablename__ = "grid_withdrawals"
    __table_args__ = (
        UniqueConstraint("fit_id"),
        UniqueConstraint("rule_id"),
        UniqueConstraint("carry_over_id"),
        not_blank("reason"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    fit_id: Mapped[int | None] = mapped_column(ForeignKey("fits.id"))
    rule_id: Mapped[int | None] = mapped_column(ForeignKey("grid_rules.id"))
    carry_over_id: Mapped[int | None] = mapped_column(ForeignKey("carry_overs.id"))
    reason: Mapped[str] = mapped_column(Text)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
