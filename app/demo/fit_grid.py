"""The demo's fit grid of 72 cells, part done: what fits was found by CAD and on a list of trial builds. All invented."""

from datetime import date, timedelta

from app import clock
from app.db import Db, transaction
from app.demo import scenes
from app.grid import commands, list_queries, queries, rule_commands
from app.grid.proposing import propose_builds
from app.grid.reading import read_factors
from app.grid.rules import GridFacts
from app.grid.state import GridState
from app.grid.words import Fit, How, Proof, RuleKind, SettingMark
from app.parts import commands as parts
from app.parts.rules import Facts

OPTIONS = "Damper hole: inner = DLM-mount, middle, outer\nDamper mount: high, low"
ITEMS = "Motor can: S1, S2, S3\nWheel offset: +0, +1, +2, +3"
RUBS = {"outer", "low", "S3"}


def make_grid(db: Db, s: scenes.Season, today: date) -> None:
    """A grid that is proven by pairs, with a list part tried, and one proven cell by cell that a question waits for."""
    part_id = _mount(db, s, today)
    grid_id = _damper_grid(db, s, today)
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=2), 9)):
        parts.issue_revision(db, part_id, by=s.team.RT, line="mount", facts=Facts(change_note="0.3 mm more meat behind the inner hole"))
    _carrier_grid(db, s, today)
    facts = _facts(db, s, grid_id)
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=1), 10)):
        high = [_level(facts, "Damper hole", "middle"), _level(facts, "Damper mount", "high")]
        rule_commands.mark_setting(db, grid_id, by=s.team.RT, setting=high, mark=SettingMark.PUBLISHED, sentence="as delivered")


def _mount(db: Db, s: scenes.Season, today: date) -> int:
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=20), 9)):
        part = parts.add_part(db, by=s.team.RT, number="P-319", code="DLM", title="Damper mount")
        parts.issue_revision(db, part.id, by=s.team.RT, line="mount", facts=Facts(mass_g=3.1))
        return part.id


def _facts(db: Db, s: scenes.Season, grid_id: int) -> GridFacts:
    found = queries.load_facts(db, s.team.id, grid_id)
    db.rollback()
    return found


def _level(facts: GridFacts, factor: str, code: str) -> int:
    return next(level.id for f in facts.factors if f.name == factor for level in f.levels if level.code == code)


def _damper_grid(db: Db, s: scenes.Season, today: date) -> int:
    """3 x 2 x 3 x 4 = 72: the inner hole by CAD, then a list of builds; the outer hole, low mount and can S3 rub together."""
    day = today - timedelta(days=12)
    with transaction(db), clock.at(scenes.moment(day, 9)):
        grid_id = commands.make_grid(
            db, by=s.team.RT, title="Damper mounts, motor cans and wheel offsets", proof=Proof.EACH_CELL,
            options=read_factors(OPTIONS, field="options"), items=read_factors(ITEMS, field="items"),
        ).id  # fmt: skip
    facts = _facts(db, s, grid_id)
    with transaction(db), clock.at(scenes.moment(day, 11)):
        inner = [_level(facts, "Damper hole", "inner"), _level(facts, "Damper mount", "high")]
        for levels in (inner, [_level(facts, "Damper hole", "middle")]):
            commands.file_cad(db, grid_id, by=s.team.RT, level_ids=levels, result=Fit.FITS, note="Assembly model, at full droop and lock.")
    proposed = propose_builds(_facts(db, s, grid_id))
    with transaction(db), clock.at(scenes.moment(day, 14)):
        list_id = rule_commands.make_list(db, grid_id, by=s.team.SK, proposed=proposed).id
    builds = list_queries.list_builds(db, list_id)
    db.rollback()
    for n, build in enumerate(builds[:-2]):
        _try(db, s, facts, build.cell, day + timedelta(days=1), n, build.id)
    outer = [cell for cell in GridState(facts).space.every_cell() if cell[0] == 2 and cell[3] < 2]
    for n, cell in enumerate(outer):
        _try(db, s, facts, [facts.level_at(f, level).id for f, level in enumerate(cell)], day + timedelta(days=6), n)
    return grid_id


def _try(db: Db, s: scenes.Season, facts: GridFacts, levels: list[int], day: date, n: int, build_id: int | None = None) -> None:
    cell = facts.cell_of(levels) or ()
    codes = set(facts.cell_words(cell).split(", "))
    result, shim, note = Fit.FITS, "", ""
    if codes >= RUBS:
        result, note = Fit.RUBS, "Damper touches the can at full droop."
    elif {"outer", "low"} <= codes:
        result, shim = Fit.SHIM, "0.5 mm under the outer ball stud"
    with transaction(db), clock.at(scenes.moment(day, 9, 10 * n % 60) + timedelta(hours=10 * n // 60)):
        commands.file_fits(db, facts.id, by=s.team.SK, cells=[levels], result=result, how=How.BY_HAND, shim=shim, note=note,
                           build_id=build_id)  # fmt: skip


def _carrier_grid(db: Db, s: scenes.Season, today: date) -> None:
    """What the question of the hub carrier waits for: every bearing must assemble, one pair is never built."""
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=4), 15)):
        grid_id = commands.make_grid(
            db, by=s.team.RT, title="Hub carriers, bearings and driveshafts", question_id=s.asked["carrier"].question_id,
            options=read_factors("Hub carrier: c0 = RHC-c0, c1 = RHC-c1", field="options"),
            items=read_factors("Bearing: shielded, open\nDriveshaft: A, B", field="items"),
        ).id  # fmt: skip
    facts = _facts(db, s, grid_id)
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=4), 16)):
        pair = [_level(facts, "Bearing", "open"), _level(facts, "Driveshaft", "B")]
        rule_commands.add_rule(db, grid_id, by=s.team.RT, kind=RuleKind.FORBIDDEN, level_ids=pair,
                               sentence="Driveshaft B throws its grease, so it is sold with shielded bearings only.")  # fmt: skip
        commands.file_cad(db, grid_id, by=s.team.RT, level_ids=[_level(facts, "Hub carrier", "c0")], result=Fit.FITS)
        cell = [_level(facts, "Hub carrier", "c1"), _level(facts, "Bearing", "shielded"), _level(facts, "Driveshaft", "A")]
        commands.file_fits(db, grid_id, by=s.team.SK, cells=[cell], result=Fit.FITS, how=How.BY_HAND)
