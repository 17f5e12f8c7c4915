"""What is known of cells: the latest stands, withdrawn ones don't, a new revision makes unknown again, and what is proposed."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import func, select, text
from sqlalchemy.exc import DBAPIError

from app import clock
from app.covering.space import combinations_in, contains
from app.db import transaction
from app.errors import Conflict, NotAllowed, Refused
from app.grid import commands, queries, rule_commands
from app.grid.models import CellFit
from app.grid.proposing import propose_builds
from app.grid.reading import TypedLevel, read_factors
from app.grid.rules import Factor, GridFacts, Level, Result
from app.grid.state import GridState
from app.grid.words import BY_COMBINATIONS, NOT_TRIED, UNKNOWN_AGAIN, FactorKind, Fit, How, Proof, RuleKind
from tests.grid import steps
from tests.parts import make_parts


def tower_grid(db):
    """A grid with a level that is a line of a part: t40 = FST-t40."""
    w = steps.World(db)
    part = make_parts.tower(db, w.team.RT)
    first = make_parts.revision(db, w.team.RT, part, "t40")
    make_parts.revision(db, w.team.RT, part, "t45")
    w.grid_id = steps.new_grid(db, w.team.RT, options="Tower: t40 = FST-t40, t45 = FST-t45 r1\nDamper mount: high, low",
                               items="Motor can: S1, S2")  # fmt: skip
    return w, part, first


# --- results
def test_the_latest_result_stands_and_a_withdrawn_one_gives_way(db):
    w = steps.World(db)
    cell = (0, 0, 0, 0)
    steps.file(db, w, [cell])
    steps.file(db, w, [cell], Fit.RUBS)
    assert steps.state(db, w).state_of(cell).word == Fit.RUBS
    newest = max(steps.facts(db, w).results, key=lambda r: r.id).id
    with pytest.raises(Refused, match="says too little"), transaction(db):
        commands.withdraw_fit(db, w.grid_id, newest, by=w.team.SK, reason="oops")
    with transaction(db):
        commands.withdraw_fit(db, w.grid_id, newest, by=w.team.SK, reason="It was the wrong can.")
    with pytest.raises(Conflict, match="withdrawn already"), transaction(db):
        commands.withdraw_fit(db, w.grid_id, newest, by=w.team.SK, reason="It was the wrong can.")
    state = steps.state(db, w)
    assert state.state_of(cell).word == Fit.FITS
    taken = next(r for r in state.facts.results if r.id == newest)
    assert taken.withdrawn.startswith("It was the wrong can. (SK, ")


def test_what_arrives_later_but_was_tried_earlier_does_not_stand(db):
    w = steps.World(db)
    early, late = clock.now(), clock.now()
    cell = steps.ids(steps.facts(db, w), (0, 0, 0, 0))
    for when, result in ((late, Fit.FITS), (early.replace(year=2020), Fit.RUBS)):
        with transaction(db):
            commands.file_fits(db, w.grid_id, by=w.team.SK, cells=[cell], result=result, how=How.BY_HAND, tried_at=when)
    assert steps.state(db, w).state_of((0, 0, 0, 0)).word == Fit.FITS


@pytest.mark.parametrize(
    ("given_", "said"),
    [
        ({"result": Fit.SHIM}, "Which shim it needs is missing"),
        ({"result": Fit.RUBS, "shim": "0.5 mm"}, "The shim “0.5 mm” does not go with “rubs”"),
    ],
)
def test_a_shim_goes_with_its_result_only(db, given_, said):
    w = steps.World(db)
    with pytest.raises(Refused, match=said):
        steps.file(db, w, [(0, 0, 0, 0)], **given_)
    assert steps.facts(db, w).results == ()


def test_several_cells_are_settled_by_cad_and_never_by_hand(db):
    w = steps.World(db)
    known = steps.facts(db, w)
    both = [steps.ids(known, (0, 0, 0, 0)), steps.ids(known, (0, 0, 0, 1))]
    with pytest.raises(Refused, match="2 cells can't be tried by hand in one go"), transaction(db):
        commands.file_fits(db, w.grid_id, by=w.team.SK, cells=both, result=Fit.FITS, how=How.BY_HAND)
    steps.file(db, w, [(0, 0, 0, 0)], Fit.RUBS)
    with transaction(db):
        count = commands.file_cad(db, w.grid_id, by=w.team.RT, level_ids=steps.pick(known, Damper_hole="inner"), result=Fit.FITS)
    assert count == 23  # 2 x 3 x 4 cells have the inner hole; one has a result, which CAD does not overrule
    state = steps.state(db, w)
    assert state.state_of((0, 0, 0, 0)).word == Fit.RUBS
    assert state.counts[Fit.FITS] == 23
    with pytest.raises(Conflict, match="No required cell with these levels is unknown"), transaction(db):
        commands.file_cad(db, w.grid_id, by=w.team.RT, level_ids=steps.pick(known, Damper_hole="inner"), result=Fit.FITS)


def test_what_was_filed_is_never_changed_or_deleted(db):
    """Triggers of the migration: on the rows themselves, whatever the application does."""
    w = steps.World(db)
    steps.file(db, w, [(0, 0, 0, 0)])
    for statement in ("UPDATE fits SET result = 'rubs'", "DELETE FROM fit_levels", "DELETE FROM grid_levels"):
        with pytest.raises(DBAPIError), transaction(db):
            db.execute(text(statement))
    assert db.scalar(select(func.count()).select_from(CellFit)) == 1


# --- revisions
def test_a_new_revision_makes_its_cells_unknown_again_until_they_are_carried_over(db):
    w, part, first = tower_grid(db)
    every = list(steps.state(db, w).space.every_cell())
    steps.file(db, w, every)
    assert steps.state(db, w).complete
    second = make_parts.revision(db, w.team.RT, part, "t40", note="bolt hole 0.2 mm larger")
    state = steps.state(db, w)
    again = [s for s in state.cells if s.word == UNKNOWN_AGAIN]
    assert len(again) == 4  # those of t40; t45 is not touched
    assert again[0].why == "fits on FST-t40 r1, now r2"
    assert state.gate() == (None, "FG-01: 4 required cells unknown".replace("FG-01", state.facts.label))
    tower = steps.level(state.facts, "Tower", "t40")
    with pytest.raises(Refused, match="says too little"), transaction(db):
        rule_commands.carry_over(db, w.grid_id, by=w.team.RT, level_id=tower, from_id=first, sentence="same")
    with pytest.raises(NotAllowed), transaction(db):
        rule_commands.carry_over(db, w.grid_id, by=w.team.SK, level_id=tower, from_id=first, sentence="The hole is inside the bolt's head.")
    with transaction(db):
        carry = rule_commands.carry_over(db, w.grid_id, by=w.team.RT, level_id=tower, from_id=first,
                                         sentence="Only the bolt hole grew; it is under the bolt's head.").id  # fmt: skip
    assert steps.state(db, w).complete
    third = make_parts.revision(db, w.team.RT, part, "t40", note="0.5 mm thicker")
    assert steps.state(db, w).counts[UNKNOWN_AGAIN] == 4
    with transaction(db):
        rule_commands.carry_over(db, w.grid_id, by=w.team.RT, level_id=tower, from_id=second,
                                 sentence="Thicker to the outside only, by CAD.")  # fmt: skip
    assert steps.state(db, w).complete  # r1 to r2 to r3, step by step
    with transaction(db):
        rule_commands.withdraw_carry_over(db, w.grid_id, carry, by=w.team.OW, reason="The head was smaller than thought.")
    assert steps.state(db, w).counts[UNKNOWN_AGAIN] == 4
    steps.file(db, w, [s.cell for s in again])
    assert steps.state(db, w).complete
    assert {r.revisions[tower][0] for r in steps.facts(db, w).results if tower in r.revisions} == {first, third}


def test_a_draft_makes_nothing_unknown(db):
    from app.parts.models import RevisionState

    w, part, _ = tower_grid(db)
    steps.file(db, w, [(0, 0, 0)])
    make_parts.revision(db, w.team.RT, part, "t40", note="thought of", state=RevisionState.DRAFT)
    assert steps.state(db, w).state_of((0, 0, 0)).word == Fit.FITS


def test_an_older_piece_may_be_named_and_proves_the_older_revision_only(db):
    w, part, first = tower_grid(db)
    make_parts.revision(db, w.team.RT, part, "t40", note="second")
    known = steps.facts(db, w)
    tower = steps.level(known, "Tower", "t40")
    steps.file(db, w, [(0, 0, 0)], on={tower: first})
    assert steps.state(db, w).state_of((0, 0, 0)).word == UNKNOWN_AGAIN
    with pytest.raises(Refused, match="no revision of “Tower t40”"):
        steps.file(db, w, [(0, 0, 0)], on={tower: 99999})


def test_the_cells_of_a_part(db):
    """What the part's own page shows: the newest of each cell and revision, the newest revision first, withdrawn ones not."""
    w, part, first = tower_grid(db)
    steps.file(db, w, [(0, 0, 0), (0, 1, 0), (1, 0, 0)])
    steps.file(db, w, [(0, 0, 0)], Fit.RUBS)
    second = make_parts.revision(db, w.team.RT, part, "t40", note="second")
    steps.file(db, w, [(0, 0, 0)], Fit.SHIM, shim="0.5 mm")
    rows = queries.cells_of_part(db, part)
    assert [(row.revision, row.cell, row.result) for row in rows] == [
        ("FST-t40 r2", "t40, high, S1", Fit.SHIM), ("FST-t40 r1", "t40, high, S1", Fit.RUBS), ("FST-t40 r1", "t40, low, S1", Fit.FITS),
        ("FST-t45 r1", "t45, high, S1", Fit.FITS)]  # fmt: skip
    assert (rows[0].revision_id, rows[1].revision_id, rows[0].shim, rows[0].by, rows[0].grid) == (second, first, "0.5 mm", "SK", "FG-02")
    newest = max(steps.facts(db, w).results, key=lambda r: r.id).id
    with transaction(db):
        commands.withdraw_fit(db, w.grid_id, newest, by=w.team.SK, reason="wrong tower on the car")
    assert len(queries.cells_of_part(db, part)) == 3


# --- rules
def test_a_forbidden_pair_names_two_factors(db):
    w = steps.World(db)
    known = steps.facts(db, w)
    with pytest.raises(Refused, match="“Damper hole” alone can't be forbidden"):
        steps.exclude(db, w, steps.pick(known, Damper_hole="outer"), kind=RuleKind.FORBIDDEN)
    with pytest.raises(Refused, match="No level is named"):
        steps.exclude(db, w, [])
    steps.exclude(db, w, steps.pick(known, Damper_hole="outer", Damper_mount="low"), kind=RuleKind.FORBIDDEN)
    with pytest.raises(Conflict, match="forbidden already"):
        steps.exclude(db, w, steps.pick(known, Damper_hole="outer", Damper_mount="low"), kind=RuleKind.FORBIDDEN)
    state = steps.state(db, w)
    assert state.counts["required"] == 60
    assert all(not (cell[0] == 2 and cell[1] == 1) for cell in propose_builds(state.facts).builds)


def test_once_a_rule_says_what_is_required_only_that_is(db):
    w = steps.World(db)
    known = steps.facts(db, w)
    rule = steps.exclude(db, w, steps.pick(known, Motor_can="S1"), kind=RuleKind.REQUIRED,
                         why="Only S1 is sold with the kit, so only it must fit.")  # fmt: skip
    state = steps.state(db, w)
    assert state.counts["required"] == state.counts["unknown"] == 24
    assert {cell[2] for cell in propose_builds(state.facts).builds} == {0}
    assert len(propose_builds(state.facts).builds) == 12
    with transaction(db):
        rule_commands.withdraw_rule(db, w.grid_id, rule, by=w.team.OW, reason="S2 and S3 are sold too now.")
    assert steps.state(db, w).counts["required"] == 72


def test_a_new_level_makes_new_unknown_cells(db):
    w = steps.World(db)
    steps.file(db, w, list(steps.state(db, w).space.every_cell()))
    factor = next(f.id for f in steps.facts(db, w).factors if f.name == "Motor can")
    with transaction(db):
        commands.add_level(db, w.grid_id, factor, by=w.team.RT, level=TypedLevel("S4"))
    state = steps.state(db, w)
    assert (state.facts.cells, state.counts[NOT_TRIED]) == (96, 24)
    with pytest.raises(Refused, match="has a level “s4” already"), transaction(db):
        commands.add_level(db, w.grid_id, factor, by=w.team.RT, level=TypedLevel("s4"))


# --- what is proposed
def test_builds_go_on_from_what_is_proven_and_round_the_named_pair(db):
    """Made so: every build with the outer hole and the low mount rubs. Named once enough was tried, then left out."""
    pair = ((0, 2), (1, 1))
    w = steps.World(db, proof=Proof.COMBINATIONS)
    for _ in range(6):
        state = steps.state(db, w)
        found = propose_builds(state.facts)
        if not found.builds:
            break
        if state.explained.named:
            assert not any(contains(cell, pair) for cell in found.builds)
        for cell in found.builds:
            steps.file(db, w, [cell], Fit.RUBS if contains(cell, pair) else Fit.FITS)
    state = steps.state(db, w)
    assert state.explained.named == pair
    assert state.unproven == [pair]
    steps.exclude(db, w, [state.facts.level_at(f, n).id for f, n in pair])
    after = steps.state(db, w)
    assert after.complete
    assert {s.word for s in after.cells if s.required} <= {Fit.FITS, BY_COMBINATIONS}


def test_cell_by_cell_the_list_goes_on_with_what_is_left(db):
    w = steps.World(db, options="Hole: inner, outer", items="Can: S1, S2")
    steps.file(db, w, [(0, 0), (0, 1), (1, 0)])
    assert propose_builds(steps.facts(db, w)).builds == ((1, 1),)
    w.grid_id = steps.new_grid(db, w.team.RT)
    steps.file(db, w, propose_builds(steps.facts(db, w)).builds)
    state = steps.state(db, w)
    assert (state.counts["unknown"], len(state.unproven)) == (60, 0)
    found = propose_builds(state.facts)
    assert len(found.builds) == 60
    assert not set(found.builds) & set(state.standing)


@st.composite
def filed_grids(draw):
    """Facts without a database: factors, results and rules as they may come."""
    sizes = draw(st.lists(st.integers(2, 4), min_size=2, max_size=4))
    factors, next_id = [], 1
    for n, size in enumerate(sizes):
        factors.append(Factor(n + 1, f"F{n}", FactorKind.OPTION, tuple(Level(next_id + k, f"c{next_id + k}") for k in range(size))))
        next_id += size
    facts = GridFacts(1, "FG-01", "", draw(st.integers(2, 3)), draw(st.sampled_from([p.value for p in Proof])), None, 1, 1, tuple(factors))
    every = list(GridState(facts).space.every_cell())
    results = tuple(Result(n, draw(st.sampled_from(every)), draw(st.sampled_from([f.value for f in Fit])), How.BY_HAND, "", "", {}, "SK",
                           clock.now()) for n in range(draw(st.integers(0, 8))))  # fmt: skip
    return facts._replace(results=results)


@settings(max_examples=100, deadline=None)
@given(filed_grids(), st.data())
def test_proposed_and_proven_builds_have_every_pair_that_may_be_built(facts, data):
    from app.grid.rules import CellRule

    levels = st.sampled_from([level.id for factor in facts.factors for level in factor.levels])
    named = [data.draw(st.lists(levels, min_size=1, max_size=3)) for _ in range(data.draw(st.integers(0, 3)))]
    rules = tuple(CellRule(n, data.draw(st.sampled_from(["excluded", "forbidden"])), facts.pattern_of(chosen), "", "RT", clock.now())
                  for n, chosen in enumerate(named))  # fmt: skip
    facts = facts._replace(rules=rules)
    state = GridState(facts)
    found = propose_builds(facts)
    wanted = {c for s in state.cells if s.required for c in combinations_in(s.cell, facts.strength)}
    named = state.explained.named
    left = [s.cell for s in state.cells if s.required and not s.misfit and not (named and contains(s.cell, named))]
    wanted = {c for c in wanted if any(contains(cell, c) for cell in left)}
    have = {c for cell in [*found.builds, *state.fitting] for c in combinations_in(cell, facts.strength)}
    assert wanted <= have
    assert all(state.space.wants(cell) and cell not in state.misfitting for cell in found.builds)
    assert propose_builds(facts) == found
    assert state.gate()[0] in (True, False, None)
    assert state.complete == (state.gate()[0] is True)


# --- typed
@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("Damper hole inner, outer", "Line 1, “Damper hole inner, outer”, has no name with a colon"),
        ("Hole: inner", "“Hole” has one level"),
        ("Hole: inner,, outer", "A level is empty in line 1"),
        ("Hole: inner, Inner", "The level “inner” stands twice in line 1"),
        ("Hole: a, b\nhole: c, d", "“Hole” stands twice"),
        ("Hole: a = , b", "“a =” names no revision"),
        ("Hole: " + "x" * 30 + ", b", "is longer than 24 characters"),
        ("Hole: " + ", ".join(str(n) for n in range(13)), "13 levels are too many in line 1"),
    ],
)
def test_a_line_that_cannot_be_read_is_told_in_words(typed, said):
    with pytest.raises(Refused) as refused:
        read_factors(typed, field="options")
    assert said in refused.value.sentence
    assert refused.value.field == "options"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"options": "Tower: t40 = FST-t99, t45 = FST-t45", "items": "Can: S1, S2"}, "“FST-t99”, of the level “t40”, is no revision here"),
        ({"options": "Hole: a, b", "items": ""}, "A grid needs two factors or more"),
        ({"options": "Hole: a, b", "items": "hole: S1, S2"}, "“hole” is an option already"),
        ({"options": "\n".join(f"P{n}: a, b" for n in range(11)), "items": ""}, "2 048 cells can't each be tried"),
        ({"options": "\n".join(f"P{n}: a, b" for n in range(13)), "items": "", "proof": Proof.COMBINATIONS, "strength": 3},
         "Triples of 13 factors are too many"),
    ],
)  # fmt: skip
def test_a_grid_that_cannot_be_made_is_told_in_words(db, more, said):
    w, _, _ = tower_grid(db)
    with pytest.raises(Refused) as refused:
        steps.new_grid(db, w.team.RT, **more)
    assert said in refused.value.sentence


def test_a_grid_too_large_to_list_is_proven_by_its_pairs(db):
    """Check value: 15 two-level options take 7 builds (Kleitman & Spencer, Katona)."""
    w = steps.World(db, options="\n".join(f"P{n}: a, b" for n in range(15)), items="", proof=Proof.COMBINATIONS)
    state = steps.state(db, w)
    assert (state.facts.cells, state.facts.listed) == (2**15, False)
    builds = propose_builds(state.facts).builds
    assert len(builds) == 7
    steps.file(db, w, builds)
    assert steps.state(db, w).complete
