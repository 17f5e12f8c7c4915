"""The fit grids that questions wait for, as rows of the one union that a sheet loads (a page has twelve queries)."""

import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Select, String, and_, cast, func, or_, select
from sqlalchemy.orm import aliased

from app.grid.models import CarryOver, CellFit, FitLevel, Grid, GridFactor, GridLevel, GridRule, GridWithdrawal
from app.grid.queries import NOT_ISSUED
from app.grid.rules import Carry, CellRule, Factor, GridFacts, Level, Result
from app.measurements.queries import OtherRow, wide
from app.parts.models import Revision
from app.people.models import Membership

GRID, LEVEL, FIT, RULE, CARRY = "grid", "grid level", "grid fit", "grid rule", "grid carry"
KINDS = (GRID, LEVEL, FIT, RULE, CARRY)
NO_MOMENT = datetime(2000, 1, 1, tzinfo=UTC)


def evidence_rows(programme_id: int, question_ids: Sequence[int]) -> list[Select[Any]]:
    """Grids of these questions with factors, levels, standing results, rules and carry-overs; what was withdrawn is left out."""
    grids = select(Grid.id).where(Grid.programme_id == programme_id, Grid.question_id.in_(question_ids))
    own, line = aliased(Revision), aliased(Revision)
    stands = GridWithdrawal.id.is_(None)
    order = func.row_number().over(order_by=(CellFit.tried_at, CellFit.id))
    return [
        wide(GRID, ints=[Grid.id, Grid.number, Grid.strength, Grid.question_id, Grid.owner_id], texts=[Grid.proof])
        .select_from(Grid).where(Grid.id.in_(grids)),
        wide(LEVEL, ints=[GridFactor.grid_id, GridFactor.position, GridLevel.position, GridLevel.id, own.part_id, line.id, line.step],
             texts=[GridFactor.name, GridLevel.code, line.label, own.line_key])
        .select_from(GridFactor).join(GridLevel, GridLevel.factor_id == GridFactor.id).outerjoin(own, own.id == GridLevel.revision_id)
        .outerjoin(line, and_(line.part_id == own.part_id, line.line_key == own.line_key,
                              or_(line.state.not_in(NOT_ISSUED), line.id == own.id)))
        .where(GridFactor.grid_id.in_(grids)),
        wide(FIT, ints=[CellFit.grid_id, CellFit.id, FitLevel.level_id, FitLevel.revision_id, order],
             texts=[CellFit.result, Revision.label])
        .select_from(CellFit).join(FitLevel, FitLevel.fit_id == CellFit.id).outerjoin(Revision, Revision.id == FitLevel.revision_id)
        .outerjoin(GridWithdrawal, GridWithdrawal.fit_id == CellFit.id).where(CellFit.grid_id.in_(grids), stands),
        wide(RULE, ints=[GridRule.grid_id, GridRule.id], texts=[GridRule.kind, cast(GridRule.levels, String), Membership.initials])
        .select_from(GridRule).outerjoin(GridWithdrawal, GridWithdrawal.rule_id == GridRule.id)
        .outerjoin(Membership, and_(Membership.account_id == GridRule.by_id, Membership.programme_id == programme_id))
        .where(GridRule.grid_id.in_(grids), stands),
        wide(CARRY, ints=[CarryOver.grid_id, CarryOver.id, CarryOver.level_id, CarryOver.from_revision_id, CarryOver.to_revision_id])
        .select_from(CarryOver).outerjoin(GridWithdrawal, GridWithdrawal.carry_over_id == CarryOver.id)
        .where(CarryOver.grid_id.in_(grids), stands),
    ]  # fmt: skip


def evidence_facts(rows: Sequence[OtherRow]) -> list[GridFacts]:
    """The inverse of `evidence_rows`: facts without titles, notes and names, which no gate reads."""
    by_kind: dict[str, list[OtherRow]] = defaultdict(list)
    for row in rows:
        by_kind[row.kind].append(row)
    factors = _factors(by_kind[LEVEL])
    found = {}
    for ints, texts in ((row.ints, row.texts) for row in by_kind[GRID]):
        found[ints[0]] = GridFacts(ints[0], f"FG-{ints[1]:02d}", "", ints[2], texts[0], ints[3], ints[4], 0, factors.get(ints[0], ()))
    results, rules, carries = _results(by_kind[FIT], found), defaultdict(list), defaultdict(list)
    for row in sorted(by_kind[RULE], key=lambda row: row.ints[1]):
        facts = found[row.ints[0]]
        pattern = facts.pattern_of(json.loads(row.texts[1]))
        rules[facts.id].append(CellRule(row.ints[1], row.texts[0], pattern, "", row.texts[2] or "–", NO_MOMENT))
    for row in by_kind[CARRY]:
        carries[row.ints[0]].append(Carry(row.ints[1], row.ints[2], row.ints[3], row.ints[4], "", "", NO_MOMENT))
    return [facts._replace(results=tuple(results[grid_id]), rules=tuple(rules[grid_id]), carries=tuple(carries[grid_id]))
            for grid_id, facts in sorted(found.items())]  # fmt: skip


def _factors(rows: Sequence[OtherRow]) -> dict[int, tuple[Factor, ...]]:
    levels: dict[tuple[int, int], dict[int, Level]] = defaultdict(dict)
    names: dict[tuple[int, int], str] = {}
    for row in sorted(rows, key=lambda row: (row.ints[0], row.ints[1], row.ints[2], row.ints[6] or 0)):
        grid_id, place, _, level_id, part_id, revision_id, _ = row.ints[:7]
        names[grid_id, place] = row.texts[0]
        known = levels[grid_id, place].get(level_id) or Level(level_id, row.texts[1], part_id=part_id, line=row.texts[3] or "")
        if revision_id is not None:
            listed = (*known.revisions, (revision_id, row.texts[2]))
            known = known._replace(revision_id=revision_id, revision=row.texts[2], revisions=listed)
        levels[grid_id, place][level_id] = known
    factors: dict[int, list[Factor]] = defaultdict(list)
    for (grid_id, place), name in names.items():
        factors[grid_id].append(Factor(place, name, "", tuple(levels[grid_id, place].values())))
    return {grid_id: tuple(listed) for grid_id, listed in factors.items()}


def _results(rows: Sequence[OtherRow], grids: dict[int, GridFacts]) -> dict[int, list[Result]]:
    on: dict[int, dict[int, tuple[int, str] | None]] = defaultdict(dict)
    heads: dict[int, tuple[int, str, int]] = {}
    for row in rows:
        grid_id, fit_id, level_id, revision_id, order = row.ints[:5]
        heads[fit_id] = (grid_id, row.texts[0], order)
        on[fit_id][level_id] = (revision_id, row.texts[1]) if revision_id is not None else None
    found: dict[int, list[Result]] = defaultdict(list)
    for fit_id, (grid_id, result, order) in heads.items():
        cell = grids[grid_id].cell_of(list(on[fit_id]))
        if cell is not None:
            tried_on = {level: revision for level, revision in on[fit_id].items() if revision is not None}
            found[grid_id].append(Result(fit_id, cell, result, "", "", "", tried_on, "", NO_MOMENT + timedelta(seconds=order)))
    return found
