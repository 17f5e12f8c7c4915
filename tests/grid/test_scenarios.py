"""Scenario 38(c) and check values 21 and 36 of the job's list, through commands."""

import pytest

from app.covering.check import bound_of
from app.db import transaction
from app.errors import NotAllowed, Refused
from app.grid import rule_commands
from app.grid.state import GridState, explanation_words, settings_of
from app.grid.words import EXCLUDED, NOT_TRIED, Fit, Proof, SettingMark
from tests.grid import steps


def test_scenario_38c_four_unknown_and_four_that_rub(db):
    """72 = 60 fit, 4 shim, 4 rub, 4 not tried: required cells unknown 4, rub 4; excluding the 4 needs an owner's sentence."""
    w = steps.scenario_38(db)
    state = steps.state(db, w)
    assert state.facts.cells == 72
    assert (state.counts[Fit.FITS], state.counts[Fit.SHIM], state.counts[Fit.RUBS], state.counts[NOT_TRIED]) == (60, 4, 4, 4)
    assert (state.counts["required"], state.counts["unknown"], state.counts["misfit"]) == (72, 4, 4)
    assert explanation_words(state) == [
        "Every one of the 4 builds that do not fit has Damper hole outer with Damper mount low and Motor can S3; no build that fits has it."
    ]
    named = steps.pick(state.facts, Damper_hole="outer", Damper_mount="low", Motor_can="S3")
    for too_short in ("", "too long"):
        with pytest.raises(Refused, match=r"sentence is missing|says too little"):
            steps.exclude(db, w, named, why=too_short)
    with pytest.raises(NotAllowed, match="needs the hat of: designer, manager"):
        steps.exclude(db, w, named, by="SK")
    steps.exclude(db, w, named)
    after = steps.state(db, w)
    assert (after.counts["required"], after.counts["unknown"], after.counts["misfit"], after.counts[EXCLUDED]) == (68, 4, 0, 4)
    assert after.gate() == (None, "FG-01: 4 required cells unknown")
    out = after.state_of((2, 1, 2, 0))
    assert out.why == f"{steps.REASON} (RT)"
    assert out.result is not None
    assert out.result.result == Fit.RUBS  # what was tried stays readable


def test_check_value_36_72_cells_and_a_floor_of_twelve(db):
    w = steps.World(db)
    state = steps.state(db, w)
    assert state.facts.cells == 3 * 2 * 3 * 4 == 72
    assert bound_of(state.combinations) == 4 * 3 == 12


@pytest.mark.parametrize(("items", "cells"), [(2, 12), (5, 30), (12, 72)])
def test_check_value_21_six_cells_a_third_party_item(db, items, cells):
    """3 x 2 options x N third-party items: 6N; N = 12 gives 72."""
    w = steps.World(db, items="Motor can: " + ", ".join(f"S{n}" for n in range(items)))
    assert steps.facts(db, w).cells == 6 * items == cells


@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_check_value_21_n_on_off_points_give_two_to_the_n_settings(db, n):
    """16 for n = 4."""
    w = steps.World(db, options="\n".join(f"Point {k}: off, on" for k in range(n)), items="Motor can: S1, S2")
    assert len(settings_of(steps.state(db, w))) == 2**n
    assert len(settings_of(steps.state(db, w))) != 16 or n == 4


def test_scenario_38a_twelve_settings_three_excluded_four_published(db):
    """2 x 2 holes x 3 pistons = 12 settings, 3 excluded as binding, 9 need an entry, 4 published."""
    w = steps.World(db, options="Front hole: in, out\nRear hole: in, out\nPiston: P1, P2, P3", items="")
    found = steps.facts(db, w)
    steps.exclude(db, w, steps.pick(found, Front_hole="out", Rear_hole="in"), why="The arm binds at full droop with out and in.")
    rows = settings_of(steps.state(db, w))
    assert (len(rows), sum(row.excluded for row in rows), sum(not row.excluded for row in rows)) == (12, 3, 9)
    keep = [row for row in rows if not row.excluded]
    steps.file(db, w, [row.setting for row in keep])
    for row in keep[:4]:
        _mark(db, w, row, SettingMark.PUBLISHED)
    _mark(db, w, keep[4], SettingMark.EQUIVALENT, same_as=keep[0])
    _mark(db, w, keep[5], SettingMark.UNSAFE, sentence="The piston can be fitted upside down and then locks.")
    rows = settings_of(steps.state(db, w))
    marked = [row.word for row in rows]
    assert [marked.count(mark) for mark in (SettingMark.PUBLISHED, SettingMark.EQUIVALENT, SettingMark.UNSAFE)] == [4, 1, 1]
    same = next(row for row in rows if row.word == SettingMark.EQUIVALENT)
    assert same.mark is not None
    assert same.mark.same_as == keep[0].setting
    with pytest.raises(Refused, match="is taken out of the grid"):
        _mark(db, w, next(row for row in rows if row.excluded), SettingMark.PUBLISHED)
    with pytest.raises(Refused, match="can't be equivalent to itself"):
        _mark(db, w, keep[0], SettingMark.EQUIVALENT, same_as=keep[0])
    with pytest.raises(Refused, match="sentence is missing"):
        _mark(db, w, keep[0], SettingMark.UNSAFE)


def _mark(db, w, row, mark, *, same_as=None, sentence=""):
    with transaction(db):
        rule_commands.mark_setting(db, w.grid_id, by=w.team.OW, setting=_ids(row.key), mark=mark, sentence=sentence,
                                   same_as=_ids(same_as.key) if same_as else ())  # fmt: skip


def _ids(key):
    return [int(word) for word in key.split("-")]


def test_a_setting_that_rubs_is_not_published(db):
    w = steps.World(db)
    steps.file(db, w, [(2, 1, 0, 0)], Fit.RUBS)
    row = next(row for row in settings_of(steps.state(db, w)) if row.setting == (2, 1))
    assert (row.cells, row.misfits, row.unknown) == (12, 1, 11)
    with pytest.raises(Refused, match="rubs or does not assemble in 1 of 12 cells"):
        _mark(db, w, row, SettingMark.PUBLISHED)


def test_by_pairs_twelve_builds_that_fit_prove_all_72_cells(db):
    w = steps.World(db, proof=Proof.COMBINATIONS)
    before = steps.state(db, w)
    assert before.gate()[0] is None
    list_id = steps.make_list(db, w)
    cells = _builds(db, w, list_id)
    assert len(cells) == 12
    steps.file(db, w, cells)
    after = steps.state(db, w)
    assert after.unproven == []
    assert after.counts["unknown"] == 0
    assert after.complete
    assert after.gate() == (True, "FG-01: every required pair is known and fits")
    with pytest.raises(Refused, match="Nothing is left to try"):
        steps.make_list(db, w)


def _builds(db, w, list_id):
    from app.grid import list_queries

    known: GridState = steps.state(db, w)
    found = [known.facts.cell_of(build.cell) for build in list_queries.list_builds(db, list_id)]
    db.rollback()
    return found
