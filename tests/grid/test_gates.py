"""A grid that a question waits for: nothing is adopted while a required cell is unknown, and a misfit blocks."""

from app.access.viewer import Viewer
from app.db import transaction
from app.decisions import queries as decisions
from app.grid import commands
from app.grid.words import Fit, Proof
from tests import fixture
from tests.grid import steps
from tests.pages import text_of


class OnQuestion(steps.World):
    """The acceptance fixture, and a grid that its question waits for."""

    def __init__(self, db, **more):
        self.w = fixture.s03(db)
        self.team = self.w.team
        given = {"options": "Tower: t40 = FST-t40, t45 = FST-t45, t50 = FST-t50", "items": "Can: S1, S2", **more}
        self.grid_id = steps.new_grid(db, self.team.RT, question_id=self.w.question_id, **given)

    def sheet(self, db, viewer: Viewer | None = None):
        found = decisions.open_sheet(db, viewer or self.team.RT, self.w.question_id)
        db.rollback()
        return found

    def verdict(self, db, variant):
        return next(v for v in self.sheet(db).sheet.verdicts if v.variant == variant)

    def reading(self, db, variant):
        return next(r for r in self.sheet(db).sheet.panel.readings if r.variant == variant)


def gates(w, db):
    return [(g.name, g.variant, g.passed, g.sentence) for g in w.sheet(db).loaded.look.gates]


def test_each_rival_waits_for_its_own_cells(db):
    w = OnQuestion(db)
    assert gates(w, db) == [("fit grid FG-01", "t45", None, "t45, FG-01: 2 required cells unknown"),
                            ("fit grid FG-01", "t50", None, "t50, FG-01: 2 required cells unknown")]  # fmt: skip
    steps.file(db, w, [(1, 0), (1, 1)])
    steps.file(db, w, [(2, 0)], Fit.RUBS)
    assert gates(w, db) == [("fit grid FG-01", "t45", True, "t45, FG-01: every required cell is known and fits"),
                            ("fit grid FG-01", "t50", False, "t50, FG-01: 1 required cell does not fit (t50, S1 rubs)")]  # fmt: skip
    assert w.reading(db, "t50").reading == "blocked"
    assert w.reading(db, "t45").reading == "favours_adopt"


def test_the_sheet_says_so_within_twelve_queries(db, browser):
    w = OnQuestion(db)
    steps.file(db, w, [(2, 0)], Fit.RUBS)
    path = w.w.path(f"/questions/{w.w.question_id}/sheet")
    browser.as_(w.team.RT).get(path)
    told = text_of(browser.get(path, max_queries=12).text)
    assert "1 required cell does not fit (t50, S1 rubs)" in told
    assert "t45, FG-01: 2 required cells unknown" in told


def test_a_grid_without_the_questions_parts_gates_every_variant(db):
    w = OnQuestion(db, options="Hole: inner, outer")
    assert gates(w, db) == [("fit grid FG-01", None, None, "FG-01: 4 required cells unknown")]
    steps.file(db, w, [(0, 0), (0, 1), (1, 0)])
    assert gates(w, db)[0][2:] == (None, "FG-01: 1 required cell unknown")
    steps.file(db, w, [(1, 1)])
    assert gates(w, db)[0][2:] == (True, "FG-01: every required cell is known and fits")
    assert w.reading(db, "t45").reading == "favours_adopt"


def test_by_pairs_the_gate_counts_pairs_and_a_new_revision_opens_it_again(db):
    from tests.parts import make_parts

    w = OnQuestion(db, options="Tower: t40 = FST-t40, t45 = FST-t45, t50 = FST-t50\nHole: inner, outer", proof=Proof.COMBINATIONS)
    found = steps.propose_builds(steps.facts(db, w)).builds
    steps.file(db, w, found)
    assert {gate[2] for gate in gates(w, db)} == {True}
    part = next(lv.part_id for f in steps.facts(db, w).factors for lv in f.levels if lv.code == "t45")
    make_parts.revision(db, w.team.RT, part, "t45", note="0.5 mm fillet")
    after = {variant: (passed, told) for _, variant, passed, told in gates(w, db)}
    assert after["t45"][0] is None
    unproven = steps.state(db, w).unproven
    own = [pair for pair in unproven if all(level == 1 for factor, level in pair if factor == 0)]  # of t45, and of hole and can
    assert len(own) >= 4
    assert after["t45"][1] == f"t45, FG-01: {len(own)} required pairs unknown"


def test_a_question_without_a_grid_and_a_grid_taken_off_it_have_no_gate(db):
    w = OnQuestion(db)
    before = w.sheet(db).loaded.look.fingerprint()
    with transaction(db):
        commands.edit_grid(db, w.grid_id, by=w.team.RT, edition=1, title="x", strength=2, proof=Proof.EACH_CELL, question_id=None)
    assert gates(w, db) == []
    assert w.sheet(db).loaded.look.fingerprint() != before


def test_the_sheets_facts_say_the_same_as_the_grids_page(db):
    """Loaded in another way (one union), so compared: rules, withdrawals, carry-overs and the order of results."""
    from app.grid import queries
    from app.grid.state import GridState
    from app.grid.words import RuleKind

    w = OnQuestion(db, options="Tower: t40 = FST-t40, t45 = FST-t45, t50 = FST-t50\nHole: inner, outer")
    known = steps.facts(db, w)
    steps.exclude(db, w, steps.pick(known, Tower="t50", Hole="outer"), kind=RuleKind.FORBIDDEN)
    steps.file(db, w, [(1, 0, 0), (1, 0, 1), (1, 1, 0)])
    steps.file(db, w, [(1, 0, 0)], Fit.RUBS)
    steps.file(db, w, [(1, 1, 1), (2, 0, 0)])
    last = max(steps.facts(db, w).results, key=lambda r: r.id).id
    with transaction(db):
        commands.withdraw_fit(db, w.grid_id, last, by=w.team.SK, reason="wrong tower on the car")
    page = GridState(queries.load_facts(db, w.team.id, w.grid_id))
    told = {variant: sentence for _, variant, _, sentence in gates(w, db)}
    for variant, level in (("t45", 1), ("t50", 2)):
        assert told[variant] == f"{variant}, {page.gate({0: {level}})[1]}"
