"""Every SELECT about build lists, and small look-ups beside the grid's facts."""

from datetime import datetime
from typing import NamedTuple

from sqlalchemy import and_, func, literal, select

from app.db import Db
from app.errors import NotFound
from app.grid.models import BuildList, CarryOver, CellFit, Grid, GridRule, GridWithdrawal, TrialBuild
from app.people.models import Membership


class ListRow(NamedTuple):
    id: int
    label: str
    strength: int
    wanted: int
    floor: int
    made_by: str
    made_at: datetime
    builds: int


class BuildRow(NamedTuple):
    id: int
    number: int
    cell: list[int]


def list_build_lists(db: Db, programme_id: int, grid_id: int) -> list[ListRow]:
    """The newest first."""
    rows = db.execute(
        select(BuildList, Membership.initials, func.count(TrialBuild.id)).join(TrialBuild, TrialBuild.build_list_id == BuildList.id)
        .outerjoin(Membership, and_(Membership.account_id == BuildList.made_by_id, Membership.programme_id == programme_id))
        .where(BuildList.grid_id == grid_id).group_by(BuildList.id, Membership.initials).order_by(BuildList.number.desc())
    )  # fmt: skip
    return [ListRow(made.id, made.label, made.strength, made.wanted, made.floor, by or "–", made.made_at, builds)
            for made, by, builds in rows]  # fmt: skip


class OpenList(NamedTuple):
    grid_id: int
    list_id: int
    label: str
    title: str
    builds: int
    tried: int


def list_open_lists(db: Db, programme_id: int, *, since: datetime, most: int = 3) -> list[OpenList]:
    """Of each grid the newest list, where some build of it has no result yet and it was made since then; the newest first."""
    taken_back = select(GridWithdrawal.fit_id).where(GridWithdrawal.fit_id.is_not(None))
    newest = select(func.max(BuildList.id)).group_by(BuildList.grid_id)
    builds, tried = func.count(TrialBuild.id.distinct()), func.count(CellFit.trial_build_id.distinct())
    rows = db.execute(
        select(Grid.id, Grid.number, Grid.title, BuildList.id, BuildList.number, builds, tried)
        .join(BuildList, BuildList.grid_id == Grid.id).join(TrialBuild, TrialBuild.build_list_id == BuildList.id)
        .outerjoin(CellFit, and_(CellFit.trial_build_id == TrialBuild.id, CellFit.id.not_in(taken_back)))
        .where(Grid.programme_id == programme_id, BuildList.made_at >= since, BuildList.id.in_(newest))
        .group_by(Grid.id, Grid.number, Grid.title, BuildList.id, BuildList.number).having(builds > tried)
        .order_by(BuildList.made_at.desc(), BuildList.id.desc()).limit(most)
    )  # fmt: skip
    return [OpenList(grid_id, list_id, f"FG-{grid:02d} B-{number}", title, all_, done)
            for grid_id, grid, title, list_id, number, all_, done in rows]  # fmt: skip


def get_build_list(db: Db, programme_id: int, grid_id: int, list_id: int) -> BuildList:
    found = db.scalar(select(BuildList).join(Grid, Grid.id == BuildList.grid_id)
                      .where(BuildList.id == list_id, Grid.id == grid_id, Grid.programme_id == programme_id))  # fmt: skip
    if found is None:
        raise NotFound("There is no such build list in this grid", "", "Open it from the grid's page.")
    return found


def list_builds(db: Db, list_id: int) -> list[BuildRow]:
    rows = db.scalars(select(TrialBuild).where(TrialBuild.build_list_id == list_id).order_by(TrialBuild.number))
    return [BuildRow(row.id, row.number, row.cell) for row in rows]


def get_build(db: Db, programme_id: int, grid_id: int, build_id: int) -> TrialBuild:
    found = db.scalar(
        select(TrialBuild).join(BuildList, BuildList.id == TrialBuild.build_list_id).join(Grid, Grid.id == BuildList.grid_id)
        .where(TrialBuild.id == build_id, Grid.id == grid_id, Grid.programme_id == programme_id)
    )  # fmt: skip
    if found is None:
        raise NotFound("There is no such trial build in this grid", "", "Open its list from the grid's page.")
    return found


def next_list_number(db: Db, grid_id: int) -> int:
    return (db.scalar(select(func.max(BuildList.number)).where(BuildList.grid_id == grid_id)) or 0) + 1


def has_photo(db: Db, programme_id: int, grid_id: int, photo_id: int) -> bool:
    query = select(literal(1)).select_from(CellFit).join(Grid, Grid.id == CellFit.grid_id)
    own = query.where(CellFit.grid_id == grid_id, CellFit.photo_id == photo_id, Grid.programme_id == programme_id)
    return db.scalar(own.limit(1)) is not None


def is_withdrawn(db: Db, **of: int) -> bool:
    return db.scalar(select(GridWithdrawal.id).filter_by(**of).limit(1)) is not None


def get_fit(db: Db, programme_id: int, fit_id: int) -> CellFit:
    found = db.scalar(select(CellFit).join(Grid, Grid.id == CellFit.grid_id).where(CellFit.id == fit_id, Grid.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such result in this programme", "", "Open the cell from its grid.")
    return found


def get_rule(db: Db, programme_id: int, rule_id: int) -> GridRule:
    found = db.scalar(select(GridRule).join(Grid, Grid.id == GridRule.grid_id)
                      .where(GridRule.id == rule_id, Grid.programme_id == programme_id))  # fmt: skip
    if found is None:
        raise NotFound("There is no such rule in this programme", "", "Open it from its grid.")
    return found


def get_carry_over(db: Db, programme_id: int, carry_id: int) -> CarryOver:
    found = db.scalar(select(CarryOver).join(Grid, Grid.id == CarryOver.grid_id)
                      .where(CarryOver.id == carry_id, Grid.programme_id == programme_id))  # fmt: skip
    if found is None:
        raise NotFound("There is no such carry-over in this programme", "", "Open it from its grid.")
    return found
