"""Every SELECT about fit grids."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import aliased

from app.clock import to_venue
from app.db import Db
from app.errors import NotFound
from app.grid.models import (
    CarryOver,
    CellFit,
    FitLevel,
    Grid,
    GridFactor,
    GridLevel,
    GridRule,
    GridSetting,
    GridWithdrawal,
)
from app.grid.rules import Carry, CellRule, Factor, GridFacts, Level, Mark, Result
from app.parts.models import Revision, RevisionState
from app.people.models import Membership
from app.questions.models import Question

NOT_ISSUED = (RevisionState.DRAFT, RevisionState.WITHDRAWN)


class GridRow(NamedTuple):
    id: int
    label: str
    title: str
    question_id: int | None
    question: str
    owner: str


def list_grids(db: Db, programme_id: int) -> list[GridRow]:
    rows = db.execute(
        select(Grid, Question, Membership.initials).outerjoin(Question, Question.id == Grid.question_id)
        .outerjoin(Membership, and_(Membership.account_id == Grid.owner_id, Membership.programme_id == programme_id))
        .where(Grid.programme_id == programme_id).order_by(Grid.number)
    )  # fmt: skip
    return [GridRow(grid.id, grid.label, grid.title, grid.question_id, f"{question.label} {question.title}" if question else "",
                    initials or "–") for grid, question, initials in rows]  # fmt: skip


def get_grid(db: Db, programme_id: int, grid_id: int, *, lock: bool = False) -> Grid:
    query = select(Grid).where(Grid.id == grid_id, Grid.programme_id == programme_id)
    if lock:
        query = query.with_for_update().execution_options(populate_existing=True)
    found = db.scalar(query)
    if found is None:
        raise NotFound("There is no such fit grid in this programme", "", "Look for it under Fit grids.")
    return found


def next_number(db: Db, programme_id: int) -> int:
    """Call after `lock_programme`, so that two grids never get the same."""
    return (db.scalar(select(func.max(Grid.number)).where(Grid.programme_id == programme_id)) or 0) + 1


def load_facts(db: Db, programme_id: int, grid_id: int, *, zone: str = "UTC") -> GridFacts:
    """Everything filed about one grid, in seven queries. zone : for the days in the words of withdrawals."""
    grid = get_grid(db, programme_id, grid_id)
    return facts_of(db, programme_id, [grid], zone=zone)[grid.id]


def facts_of(db: Db, programme_id: int, grids: Sequence[Grid], *, zone: str = "UTC") -> dict[int, GridFacts]:
    """The facts of several grids, in six queries whatever their number."""
    ids = [grid.id for grid in grids]
    if not ids:
        return {}
    factors = _load_factors(db, ids)
    found = {}
    bare = {grid.id: GridFacts(grid.id, grid.label, grid.title, grid.strength, grid.proof, grid.question_id, grid.owner_id, grid.edition,
                               factors.get(grid.id, ())) for grid in grids}  # fmt: skip
    results, carries = _load_results(db, programme_id, bare, zone), _load_carries(db, programme_id, ids, zone)
    rules, marks = _load_rules(db, programme_id, bare, zone), _load_marks(db, programme_id, bare)
    for grid_id, facts in bare.items():
        found[grid_id] = facts._replace(results=tuple(results[grid_id]), rules=tuple(rules[grid_id]), carries=tuple(carries[grid_id]),
                                        marks=tuple(marks[grid_id]))  # fmt: skip
    return found


def facts_of_all(db: Db, programme_id: int) -> dict[int, GridFacts]:
    """Of every grid of the programme."""
    return facts_of(db, programme_id, db.scalars(select(Grid).where(Grid.programme_id == programme_id)).all())


def _load_factors(db: Db, grid_ids: Sequence[int]) -> dict[int, tuple[Factor, ...]]:
    """Factors with their levels; of a level that is a line of a part, every issued revision of that line."""
    own, line = aliased(Revision), aliased(Revision)
    rows = db.execute(
        select(GridFactor, GridLevel, own.part_id, own.line_key, own.label, line.id, line.label)
        .join(GridLevel, GridLevel.factor_id == GridFactor.id)
        .outerjoin(own, own.id == GridLevel.revision_id)
        .outerjoin(line, and_(line.part_id == own.part_id, line.line_key == own.line_key,
                              or_(line.state.not_in(NOT_ISSUED), line.id == own.id)))
        .where(GridFactor.grid_id.in_(grid_ids)).order_by(GridFactor.grid_id, GridFactor.position, GridLevel.position, line.step)
    )  # fmt: skip
    levels: dict[int, dict[int, Level]] = defaultdict(dict)
    factors: dict[int, GridFactor] = {}
    for factor, level, part_id, line_key, label, revision_id, revision in rows:
        factors[factor.id] = factor
        known = levels[factor.id].get(level.id) or Level(level.id, level.code, level.revision_id, label or "", part_id, line_key or "")
        if revision_id is not None:
            known = known._replace(revision_id=revision_id, revision=revision, revisions=(*known.revisions, (revision_id, revision)))
        levels[factor.id][level.id] = known
    found: dict[int, list[Factor]] = defaultdict(list)
    for factor in factors.values():
        found[factor.grid_id].append(Factor(factor.id, factor.name, factor.kind, tuple(levels[factor.id].values())))
    return {grid_id: tuple(listed) for grid_id, listed in found.items()}


def _initials(programme_id: int, of: Any, column: Any) -> Any:
    return and_(of.account_id == column, of.programme_id == programme_id)


def _taken_back(row: GridWithdrawal | None, initials: str | None, zone: str) -> str:
    return f"{row.reason} ({initials or '–'}, {to_venue(row.at, zone):%-d %b %Y})" if row is not None else ""


def _load_results(db: Db, programme_id: int, grids: dict[int, GridFacts], zone: str) -> dict[int, list[Result]]:
    filer, taker = aliased(Membership), aliased(Membership)
    rows = db.execute(
        select(CellFit, FitLevel.level_id, FitLevel.revision_id, Revision.label, filer.initials, GridWithdrawal, taker.initials)
        .join(FitLevel, FitLevel.fit_id == CellFit.id)
        .outerjoin(Revision, Revision.id == FitLevel.revision_id)
        .outerjoin(filer, _initials(programme_id, filer, CellFit.by_id))
        .outerjoin(GridWithdrawal, GridWithdrawal.fit_id == CellFit.id)
        .outerjoin(taker, _initials(programme_id, taker, GridWithdrawal.by_id))
        .where(CellFit.grid_id.in_(grids)).order_by(CellFit.id)
    )  # fmt: skip
    heads: dict[int, tuple[CellFit, str, str]] = {}
    on: dict[int, dict[int, tuple[int, str] | None]] = defaultdict(dict)
    for fit, level_id, revision_id, label, by, withdrawal, taken_by in rows:
        heads[fit.id] = (fit, by or "–", _taken_back(withdrawal, taken_by, zone))
        on[fit.id][level_id] = (revision_id, label) if revision_id is not None else None
    found: dict[int, list[Result]] = defaultdict(list)
    for fit, by, withdrawn in heads.values():
        cell = grids[fit.grid_id].cell_of(list(on[fit.id]))
        if cell is not None:
            tried_on = {level: revision for level, revision in on[fit.id].items() if revision is not None}
            found[fit.grid_id].append(Result(fit.id, cell, fit.result, fit.how, fit.shim, fit.note, tried_on, by, fit.tried_at,
                                             fit.trial_build_id, fit.photo_id, fit.photo_alt, withdrawn))  # fmt: skip
    return found


def _load_rules(db: Db, programme_id: int, grids: dict[int, GridFacts], zone: str) -> dict[int, list[CellRule]]:
    filer, taker = aliased(Membership), aliased(Membership)
    rows = db.execute(
        select(GridRule, filer.initials, GridWithdrawal, taker.initials)
        .outerjoin(filer, _initials(programme_id, filer, GridRule.by_id))
        .outerjoin(GridWithdrawal, GridWithdrawal.rule_id == GridRule.id)
        .outerjoin(taker, _initials(programme_id, taker, GridWithdrawal.by_id))
        .where(GridRule.grid_id.in_(grids)).order_by(GridRule.id)
    )  # fmt: skip
    found: dict[int, list[CellRule]] = defaultdict(list)
    for rule, by, withdrawal, taken_by in rows:
        found[rule.grid_id].append(CellRule(rule.id, rule.kind, grids[rule.grid_id].pattern_of(rule.levels), rule.sentence, by or "–",
                                            rule.at, _taken_back(withdrawal, taken_by, zone)))  # fmt: skip
    return found


def _load_carries(db: Db, programme_id: int, grid_ids: Sequence[int], zone: str) -> dict[int, list[Carry]]:
    filer, taker = aliased(Membership), aliased(Membership)
    rows = db.execute(
        select(CarryOver, filer.initials, GridWithdrawal, taker.initials)
        .outerjoin(filer, _initials(programme_id, filer, CarryOver.by_id))
        .outerjoin(GridWithdrawal, GridWithdrawal.carry_over_id == CarryOver.id)
        .outerjoin(taker, _initials(programme_id, taker, GridWithdrawal.by_id))
        .where(CarryOver.grid_id.in_(grid_ids)).order_by(CarryOver.id)
    )  # fmt: skip
    found: dict[int, list[Carry]] = defaultdict(list)
    for carry, by, withdrawal, taken_by in rows:
        found[carry.grid_id].append(Carry(carry.id, carry.level_id, carry.from_revision_id, carry.to_revision_id, carry.sentence, by or "–",
                                          carry.at, _taken_back(withdrawal, taken_by, zone)))  # fmt: skip
    return found


def _load_marks(db: Db, programme_id: int, grids: dict[int, GridFacts]) -> dict[int, list[Mark]]:
    rows = db.execute(
        select(GridSetting, Membership.initials).outerjoin(Membership, _initials(programme_id, Membership, GridSetting.by_id))
        .where(GridSetting.grid_id.in_(grids)).order_by(GridSetting.id)
    )  # fmt: skip
    found: dict[int, list[Mark]] = defaultdict(list)
    for row, by in rows:
        facts = grids[row.grid_id]
        setting = setting_of(facts, row.setting)
        if setting is not None:
            same_as = setting_of(facts, row.same_as) or ()
            found[row.grid_id].append(Mark(setting, row.mark, same_as, row.sentence, by or "–", row.at))
    return found


def setting_of(facts: GridFacts, level_ids: Sequence[int]) -> tuple[int, ...] | None:
    """Level indexes of the options; None unless each option has one."""
    places = facts.places()
    found = sorted(places[level] for level in level_ids if level in places)
    options = [f for f, factor in enumerate(facts.factors) if factor.is_option]
    whole = len(found) == len(level_ids) and [f for f, _ in found] == options
    return tuple(level for _, level in found) if whole else None


# --- for other features
class CellOfPart(NamedTuple):
    """A cell that was tried with a revision of a part. The newest of each cell and revision; withdrawn ones are not in it."""

    grid_id: int
    grid: str
    revision_id: int
    revision: str
    cell: str
    result: str
    shim: str
    how: str
    by: str
    tried_at: datetime


def cells_of_part(db: Db, part_id: int) -> list[CellOfPart]:
    """What fit grids know of a part, in one query: by grid, the newest revision first, then by cell."""
    rows = db.execute(
        select(Grid, Revision.id, Revision.label, Revision.step, CellFit, Membership.initials)
        .select_from(FitLevel).join(CellFit, CellFit.id == FitLevel.fit_id).join(Grid, Grid.id == CellFit.grid_id)
        .join(Revision, Revision.id == FitLevel.revision_id)
        .outerjoin(Membership, and_(Membership.account_id == CellFit.by_id, Membership.programme_id == Grid.programme_id))
        .outerjoin(GridWithdrawal, GridWithdrawal.fit_id == CellFit.id)
        .where(Revision.part_id == part_id, GridWithdrawal.id.is_(None)).order_by(CellFit.tried_at, CellFit.id)
    )  # fmt: skip
    found: dict[tuple[int, int, str], tuple[tuple[Any, ...], CellOfPart]] = {}
    for grid, revision_id, label, step, fit, by in rows:
        row = CellOfPart(grid.id, grid.label, revision_id, label, fit.cell, fit.result, fit.shim, fit.how, by or "–", fit.tried_at)
        found[grid.id, revision_id, fit.cell] = ((grid.number, -step, label, fit.cell), row)
    return [row for _, row in sorted(found.values(), key=lambda pair: pair[0])]
