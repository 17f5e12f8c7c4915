"""Grids of the invented team that the tests of this folder share, made through commands."""

from collections.abc import Iterable, Sequence
from typing import Any

from app.access.viewer import Viewer
from app.db import Db, transaction
from app.grid import commands, queries, rule_commands
from app.grid.proposing import propose_builds
from app.grid.reading import read_factors
from app.grid.rules import GridFacts
from app.grid.state import GridState
from app.grid.words import Fit, How, Proof, RuleKind
from tests import make

OPTIONS = "Damper hole: inner, middle, outer\nDamper mount: high, low"
ITEMS = "Motor can: S1, S2, S3\nWheel offset: +0, +1, +2, +3"
REASON = "S3 is too long for a low mount with the outer hole; the setting sheet says so."


class World:
    """The team, and the grid of 3 x 2 x 3 x 4 = 72 cells."""

    def __init__(self, db: Db, *, options: str = OPTIONS, items: str = ITEMS, **more: Any) -> None:
        self.team = make.programme(db)
        self.grid_id = new_grid(db, self.team.RT, options=options, items=items, **more)

    def path(self, rest: str = "") -> str:
        return f"/programmes/{self.team.id}/grids/{self.grid_id}{rest}"


def new_grid(db: Db, by: Viewer, *, options: str = OPTIONS, items: str = ITEMS,
             title: str = "Damper mounts, cans and wheels", **more: Any) -> int:  # fmt: skip
    with transaction(db):
        return commands.make_grid(db, by=by, title=title, options=read_factors(options, field="options"),
                                  items=read_factors(items, field="items"), **more).id  # fmt: skip


def facts(db: Db, w: World) -> GridFacts:
    found = queries.load_facts(db, w.team.id, w.grid_id)
    db.rollback()
    return found


def state(db: Db, w: World) -> GridState:
    return GridState(facts(db, w))


def ids(found: GridFacts, cell: Sequence[int]) -> list[int]:
    return [found.level_at(factor, level).id for factor, level in enumerate(cell)]


def level(found: GridFacts, factor: str, code: str) -> int:
    return next(lv.id for f in found.factors if f.name == factor for lv in f.levels if lv.code == code)


def pick(found: GridFacts, **codes: str) -> list[int]:
    """Level ids by factor name with underscores: pick(f, Damper_hole="outer")."""
    return [level(found, name.replace("_", " "), code) for name, code in codes.items()]


def file(db: Db, w: World, cells: Iterable[Sequence[int]], result: str = Fit.FITS, *, by: str = "SK", **more: Any) -> None:
    """Each cell by itself, by hand, a minute apart."""
    known = facts(db, w)
    for cell in cells:
        with transaction(db):
            commands.file_fits(db, w.grid_id, by=w.team[by], cells=[ids(known, cell)], result=result, how=How.BY_HAND, **more)


def exclude(db: Db, w: World, level_ids: Sequence[int], *, by: str = "RT", kind: RuleKind = RuleKind.EXCLUDED, why: str = REASON) -> int:
    with transaction(db):
        return rule_commands.add_rule(db, w.grid_id, by=w.team[by], kind=kind, level_ids=level_ids, sentence=why).id


def make_list(db: Db, w: World, *, by: str = "SK") -> int:
    proposed = propose_builds(facts(db, w))
    with transaction(db):
        return rule_commands.make_list(db, w.grid_id, by=w.team[by], proposed=proposed).id


def scenario_38(db: Db) -> World:
    """60 fit, 4 with a shim, 4 rub (outer hole, low mount, can S3, all four wheel offsets), 4 not tried."""
    w = World(db)
    every = list(state(db, w).space.every_cell())
    rubs = [cell for cell in every if cell[:3] == (2, 1, 2)]
    shims = [cell for cell in every if cell[:3] == (2, 1, 1)]
    left = [cell for cell in every if cell[:3] == (0, 0, 0)]
    file(db, w, [cell for cell in every if cell not in (*rubs, *shims, *left)])
    file(db, w, shims, Fit.SHIM, shim="0.5 mm under the outer stud")
    file(db, w, rubs, Fit.RUBS, note="Damper touches the can at full droop.")
    return w


__all__ = ["Proof", "World"]
