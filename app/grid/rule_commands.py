"""What is taken out of a grid, carried to a newer revision, said of a setting, and proposed as trial builds."""

from collections.abc import Sequence

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, Refused
from app.grid import list_queries, queries, rules
from app.grid.models import BuildList, CarryOver, Grid, GridRule, GridSetting, GridWithdrawal, TrialBuild
from app.grid.proposing import Proposed
from app.grid.rules import GridFacts
from app.grid.state import GridState, settings_of
from app.grid.words import Fit, RuleKind, SettingMark
from app.history.commands import record


def _open(db: Db, by: Viewer, grid_id: int) -> tuple[Grid, GridFacts]:
    grid = queries.get_grid(db, by.programme_id, grid_id, lock=True)
    return grid, queries.facts_of(db, by.programme_id, [grid])[grid.id]


def _note(db: Db, by: Viewer, what: str, grid: Grid, words: str, why: str = "") -> None:
    record(db, what, "grid", grid.id, f"{grid.label} {words}", by_id=by.account_id, programme_id=by.programme_id, why=why)


def add_rule(db: Db, grid_id: int, *, by: Viewer, kind: RuleKind, level_ids: Sequence[int], sentence: str) -> GridRule:
    """Exclude cells, forbid a pair, or say which cells are required; the owner's sentence is kept with it."""
    grid, facts = _open(db, by, grid_id)
    require(by, Action.RULE_CELLS, grid)
    pattern = facts.pattern_of(level_ids)
    rules.check_rule(kind, pattern, facts.factors)
    rules.check_sentence(sentence)
    if any(not rule.withdrawn and rule.kind == kind and rule.pattern == pattern for rule in facts.rules):
        raise Conflict(f"These cells are {kind} already", facts.pattern_words(pattern), "Withdraw that rule to give another sentence.")
    places = facts.places()
    rule = GridRule(grid_id=grid.id, kind=kind, levels=sorted({level for level in level_ids if level in places}), sentence=sentence,
                    by_id=by.account_id, at=clock.now())  # fmt: skip
    db.add(rule)
    db.flush()
    said = {RuleKind.EXCLUDED: "excluded cells of", RuleKind.FORBIDDEN: "forbade a combination in", RuleKind.REQUIRED: "required cells of"}
    _note(db, by, said[kind], grid, facts.pattern_words(pattern), sentence)
    return rule


def withdraw_rule(db: Db, grid_id: int, rule_id: int, *, by: Viewer, reason: str) -> None:
    grid, facts = _open(db, by, grid_id)
    require(by, Action.RULE_CELLS, grid)
    list_queries.get_rule(db, by.programme_id, rule_id)
    rules.check_sentence(reason, field="reason", shortest=rules.SHORTEST_REASON)
    if list_queries.is_withdrawn(db, rule_id=rule_id):
        raise Conflict("This rule is withdrawn already")
    words = next((facts.pattern_words(rule.pattern) for rule in facts.rules if rule.id == rule_id), "")
    db.add(GridWithdrawal(rule_id=rule_id, reason=reason, by_id=by.account_id, at=clock.now()))
    _note(db, by, "withdrew a rule of", grid, words, reason)


def carry_over(db: Db, grid_id: int, *, by: Viewer, level_id: int, from_id: int, sentence: str) -> CarryOver:
    """Say why what was tried on an older revision of a level holds for its newest."""
    grid, facts = _open(db, by, grid_id)
    require(by, Action.RULE_CELLS, grid)
    level = next((level for factor in facts.factors for level in factor.levels if level.id == level_id), None)
    labels = dict(level.revisions) if level is not None else {}
    if level is None or level.revision_id is None or from_id not in labels or from_id == level.revision_id:
        raise Refused("That is not an older revision of a level of this grid", "", "Choose one of the list.", field="from")
    rules.check_sentence(sentence)
    if GridState(facts).holds_for(level.id, from_id, level.revision_id):
        raise Conflict(f"What was tried on {labels[from_id]} is carried over already", "", "Withdraw that first to give another sentence.")
    carry = CarryOver(grid_id=grid.id, level_id=level.id, from_revision_id=from_id, to_revision_id=level.revision_id, sentence=sentence,
                      by_id=by.account_id, at=clock.now())  # fmt: skip
    db.add(carry)
    db.flush()
    _note(db, by, "carried results over in", grid, f"{labels[from_id]} to {level.revision}", sentence)
    return carry


def withdraw_carry_over(db: Db, grid_id: int, carry_over_id: int, *, by: Viewer, reason: str) -> None:
    grid, _ = _open(db, by, grid_id)
    require(by, Action.RULE_CELLS, grid)
    list_queries.get_carry_over(db, by.programme_id, carry_over_id)
    rules.check_sentence(reason, field="reason", shortest=rules.SHORTEST_REASON)
    if list_queries.is_withdrawn(db, carry_over_id=carry_over_id):
        raise Conflict("This carry-over is withdrawn already")
    db.add(GridWithdrawal(carry_over_id=carry_over_id, reason=reason, by_id=by.account_id, at=clock.now()))
    _note(db, by, "withdrew a carry-over in", grid, "", reason)


def mark_setting(db: Db, grid_id: int, *, by: Viewer, setting: Sequence[int], mark: SettingMark, same_as: Sequence[int] = (),
                 sentence: str = "") -> None:  # fmt: skip
    """Say of one setting that it is published, equivalent to another, or unsafe; or take the mark off. Level ids of the options."""
    grid, facts = _open(db, by, grid_id)
    require(by, Action.RULE_CELLS, grid)
    chosen, other = queries.setting_of(facts, setting), queries.setting_of(facts, same_as) if same_as else None
    if chosen is None:
        raise Refused("That is not a setting of this grid", "", "Choose one of the list.", field="setting")
    rules.check_setting(mark, other, chosen, sentence)
    row = next((row for row in settings_of(GridState(facts)) if row.setting == chosen), None)
    if mark == SettingMark.PUBLISHED and row is not None and row.cells:
        if row.excluded:
            raise Conflict(f"{row.words} is taken out of the grid, so it can't be published", "", "Withdraw that rule, or say unsafe.")
        if row.misfits:
            raise Conflict(f"{row.words} can't be published", f"It {Fit.RUBS} or does not assemble in {row.misfits} of {row.cells} cells",
                           "Exclude those cells with a sentence first, or mend the part.")  # fmt: skip
    db.add(GridSetting(grid_id=grid.id, setting=list(setting), mark=mark, same_as=list(same_as) if mark == SettingMark.EQUIVALENT else [],
                       sentence=sentence, by_id=by.account_id, at=clock.now()))  # fmt: skip
    words = row.words if row is not None else ""
    _note(db, by, f"said “{mark}” of a setting of", grid, words, sentence)


def make_list(db: Db, grid_id: int, *, by: Viewer, proposed: Proposed) -> BuildList:
    """Keep proposed builds as a list to print and tick; refused where a rule has taken one of them out meanwhile."""
    require(by, Action.FILE_FIT)
    grid, facts = _open(db, by, grid_id)
    if not proposed.builds:
        raise Conflict(f"Nothing is left to try in {grid.label}", f"Every {facts.noun} that can be built is in a build that fits",
                       "Look at what does not fit, if anything.")  # fmt: skip
    space = GridState(facts).space
    if any(len(cell) != len(space.levels) or not space.wants(cell) for cell in proposed.builds):
        raise Conflict(f"{grid.label} was changed while builds were searched", "", "Propose them again.")
    made = BuildList(grid_id=grid.id, number=list_queries.next_list_number(db, grid.id), strength=facts.strength, seed=proposed.seed,
                     wanted=proposed.wanted, floor=proposed.floor, made_by_id=by.account_id, made_at=clock.now())  # fmt: skip
    db.add(made)
    db.flush()
    for number, cell in enumerate(proposed.builds, 1):
        db.add(TrialBuild(build_list_id=made.id, number=number, cell=[facts.level_at(f, n).id for f, n in enumerate(cell)]))
    _note(db, by, f"made a list of {len(proposed.builds)} builds for", grid, made.label)
    return made
