"""Make and change a grid, file what was tried, take a result back."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, Refused
from app.grid import list_queries, queries, rules
from app.grid.models import CellFit, FitLevel, Grid, GridFactor, GridLevel, GridWithdrawal
from app.grid.reading import TypedFactor, TypedLevel
from app.grid.rules import GridFacts
from app.grid.state import GridState
from app.grid.words import FactorKind, How, Proof
from app.history.commands import record
from app.parts import queries as parts
from app.people.rules import name_key
from app.phone_clock import PhoneClock, captured
from app.photos.commands import keep_photo
from app.photos.rules import Picture
from app.questions.queries import get_question


def make_grid(db: Db, *, by: Viewer, title: str, options: Sequence[TypedFactor], items: Sequence[TypedFactor], strength: int = 2,
              proof: Proof = Proof.EACH_CELL, question_id: int | None = None) -> Grid:  # fmt: skip
    """A new grid with its factors: options first, then third-party items. Whoever makes it owns it."""
    require(by, Action.EDIT_GRID)
    factors = [*options, *items]
    rules.check_sizes(len(factors), [len(factor.levels) for factor in factors] or [0])
    keys = [name_key(factor.name) for factor in factors]
    if twice := next((factor.name for factor in items if keys.count(name_key(factor.name)) > 1), None):
        raise Refused(f"“{twice}” is an option already", "", "Give each factor its own name.", field="items")
    _check_size(len(factors), _product(factors), strength, proof)
    parts.lock_programme(db, by.programme_id)
    _check_question(db, by, question_id)
    grid = Grid(programme_id=by.programme_id, number=queries.next_number(db, by.programme_id), title=title, strength=strength, proof=proof,
                question_id=question_id, owner_id=by.account_id, created_by_id=by.account_id, created_at=clock.now())  # fmt: skip
    db.add(grid)
    db.flush()
    labels = _revisions(db, by)
    for position, typed in enumerate(factors):
        kind, field = (FactorKind.OPTION, "options") if position < len(options) else (FactorKind.THIRD_PARTY, "items")
        factor = GridFactor(grid_id=grid.id, position=position, name=typed.name, name_key=name_key(typed.name), kind=kind)
        db.add(factor)
        db.flush()
        for place, level in enumerate(typed.levels):
            db.add(_level(factor.id, place, level, labels, field))
    db.flush()
    record(db, "made", "grid", grid.id, f"{grid.label} {grid.title}", by_id=by.account_id, programme_id=by.programme_id,
           factors=[factor.name for factor in factors], cells=_product(factors))  # fmt: skip
    return grid


def _product(factors: Sequence[TypedFactor]) -> int:
    found = 1
    for factor in factors:
        found *= len(factor.levels)
    return found


def _check_size(factors: int, cells: int, strength: int, proof: str) -> None:
    if proof == Proof.EACH_CELL and cells > rules.MOST_LISTED:
        raise Refused(f"{cells:,} cells can't each be tried".replace(",", " "), f"At most {rules.MOST_LISTED} are listed cell by cell",
                      "Prove it by its combinations.", field="proof")  # fmt: skip
    if strength == 3 and factors > rules.MOST_TRIPLES:
        raise Refused(f"Triples of {factors} factors are too many", f"Up to {rules.MOST_TRIPLES} factors are searched", "Choose pairs.",
                      field="strength")  # fmt: skip


def _check_question(db: Db, by: Viewer, question_id: int | None) -> None:
    if question_id is not None:
        get_question(db, by.programme_id, question_id)


def _revisions(db: Db, by: Viewer) -> dict[str, tuple[int, str]]:
    """Spelling -> (revision id, state) of every revision, and of every line: its newest issued one, else its newest."""
    found: dict[str, tuple[int, str]] = {}
    for row in sorted(parts.list_revisions(db, by.programme_id), key=lambda row: (row.state not in queries.NOT_ISSUED, row.step)):
        found[name_key(row.label)] = found[name_key(row.label.rpartition(" ")[0])] = (row.id, row.state)
    return found


def _level(factor_id: int, place: int, level: TypedLevel, labels: Mapping[str, tuple[int, str]], field: str) -> GridLevel:
    revision_id = None
    if level.revision:
        known = labels.get(name_key(level.revision))
        if known is None:
            raise Refused(f"“{level.revision[:60]}”, of the level “{level.code}”, is no revision here", "",
                          "Write it as under Parts, such as FST-t40 r2, or FST-t40 for its newest.", field=field)  # fmt: skip
        if known[1] in queries.NOT_ISSUED:
            raise Refused(f"{level.revision} is {known[1]}", "Only an issued revision can be tried", "Issue it first.", field=field)
        revision_id = known[0]
    return GridLevel(factor_id=factor_id, position=place, code=level.code, code_key=name_key(level.code), revision_id=revision_id)


def edit_grid(db: Db, grid_id: int, *, by: Viewer, edition: int, title: str, strength: int, proof: Proof,
              question_id: int | None) -> None:  # fmt: skip
    """Title, what is proposed, what proves a cell, and the question that waits for it. What was before is in the trail."""
    require(by, Action.EDIT_GRID)
    grid = queries.get_grid(db, by.programme_id, grid_id, lock=True)
    facts = queries.facts_of(db, by.programme_id, [grid])[grid.id]
    _check_edition(grid, edition)
    _check_size(len(facts.factors), facts.cells, strength, proof)
    _check_question(db, by, question_id)
    before = {"title": grid.title, "strength": grid.strength, "proof": grid.proof, "question_id": grid.question_id}
    grid.title, grid.strength, grid.proof, grid.question_id = title, strength, proof, question_id
    grid.edition += 1
    record(db, "edited", "grid", grid.id, f"{grid.label} {grid.title}", by_id=by.account_id, programme_id=by.programme_id, before=before)


def _check_edition(grid: Grid, edition: int) -> None:
    if grid.edition != edition:
        raise Conflict(f"{grid.label} was changed by somebody else meanwhile", "", "Look at what stands now, then save again.")


def add_level(db: Db, grid_id: int, factor_id: int, *, by: Viewer, level: TypedLevel) -> None:
    """One more choice of a factor, such as a new motor can; its cells are unknown until they are tried."""
    require(by, Action.EDIT_GRID)
    grid = queries.get_grid(db, by.programme_id, grid_id, lock=True)
    facts = queries.facts_of(db, by.programme_id, [grid])[grid.id]
    factor = next((factor for factor in facts.factors if factor.id == factor_id), None)
    if factor is None:
        raise Refused("That factor is not in this grid", "", "Choose one of the list.", field="factor_id")
    if any(name_key(known.code) == name_key(level.code) for known in factor.levels):
        raise Refused(f"“{factor.name}” has a level “{level.code}” already", "", "Give it another code.", field="level")
    if len(factor.levels) >= rules.MOST_LEVELS:
        raise Refused(f"“{factor.name}” has {rules.MOST_LEVELS} levels already", "No more are taken", "Make another grid.", field="level")
    _check_size(len(facts.factors), facts.cells // len(factor.levels) * (len(factor.levels) + 1), facts.strength, facts.proof)
    db.add(_level(factor.id, len(factor.levels), level, _revisions(db, by), "level"))
    record(db, "added a level to", "grid", grid.id, f"{grid.label} {factor.name} {level.code}", by_id=by.account_id,
           programme_id=by.programme_id)  # fmt: skip


def file_fits(db: Db, grid_id: int, *, by: Viewer, cells: Sequence[Sequence[int]], result: str, how: str, shim: str = "", note: str = "",
              on: Mapping[int, int] | None = None, build_id: int | None = None, picture: Picture | None = None, alt: str = "",
              phone: PhoneClock | None = None, tried_at: datetime | None = None) -> list[int]:  # fmt: skip
    """File what one cell did, or by CAD several: level ids of each. Answers the ids of the results; a photo is for one cell.

    on : level id -> revision id it was tried on; levels that are not named were tried on the newest revision.
    """
    require(by, Action.FILE_FIT)
    rules.check_result(result, how, shim, len(cells))
    grid = queries.get_grid(db, by.programme_id, grid_id, lock=True)
    facts = queries.facts_of(db, by.programme_id, [grid])[grid.id]
    if build_id is not None:
        list_queries.get_build(db, by.programme_id, grid_id, build_id)
    tried = _tried_at(tried_at, phone)
    photo_id = keep_photo(db, picture, by=by).id if picture is not None and len(cells) == 1 else None
    made = []
    for level_ids in cells:
        cell = facts.cell_of(level_ids)
        if cell is None:
            raise Refused("That is not a cell of this grid any more", "Each factor has exactly one level in it",
                          "Open the cell from the grid.", field="cell")  # fmt: skip
        fit = CellFit(grid_id=grid.id, cell=facts.cell_words(cell), result=result, how=how, shim=shim.strip(), note=note,
                      trial_build_id=build_id, photo_id=photo_id, photo_alt=alt if photo_id else "", tried_at=tried, by_id=by.account_id,
                      filed_at=clock.now())  # fmt: skip
        db.add(fit)
        db.flush()
        db.add_all(_tried_levels(facts, fit.id, cell, on or {}))
        made.append(fit.id)
    words = f"{grid.label} {facts.cell_words(facts.cell_of(cells[0]) or ())}" if len(cells) == 1 else f"{grid.label}, {len(cells)} cells"
    record(db, f"filed “{result}” {how} for", "grid", grid.id, words, by_id=by.account_id, programme_id=by.programme_id, why=note,
           fits=made[:50])  # fmt: skip
    return made


def _tried_at(said: datetime | None, phone: PhoneClock | None) -> datetime:
    now = clock.now()
    return said or (captured(phone, received=now).at if phone is not None else now)


def _tried_levels(facts: GridFacts, fit_id: int, cell: Sequence[int], on: Mapping[int, int]) -> list[FitLevel]:
    found = []
    for factor, index in zip(facts.factors, cell, strict=True):
        level = factor.levels[index]
        revision_id = on.get(level.id, level.revision_id)
        known = [revision for revision, _ in level.revisions]
        if level.revision_id is None:
            revision_id = None
        elif revision_id not in known:
            raise Refused(f"That is no revision of “{factor.name} {level.code}”", "", "Choose one of the list.", field="on")
        found.append(FitLevel(fit_id=fit_id, level_id=level.id, revision_id=revision_id))
    return found


def file_cad(db: Db, grid_id: int, *, by: Viewer, level_ids: Sequence[int], result: str, shim: str = "", note: str = "") -> int:
    """By CAD, for every required cell with these levels that is not known yet; answers how many. Of a factor not named, all levels."""
    require(by, Action.FILE_FIT)
    facts = queries.load_facts(db, by.programme_id, grid_id)
    if not facts.listed:
        raise Refused(f"{facts.label} is too large to be listed", f"It has {facts.cells} cells", "File its cells one by one.")
    state, pattern = GridState(facts), dict(facts.pattern_of(level_ids))
    cells = [s.cell for s in state.cells if s.required and state.standing.get(s.cell) is None
             and all(s.cell[factor] in levels for factor, levels in pattern.items())]  # fmt: skip
    if not cells:
        raise Conflict("No required cell with these levels is unknown", "", "Choose other levels, or open a cell to file another result.")
    if len(cells) > rules.MOST_AT_ONCE:
        raise Refused(f"{len(cells)} cells in one go are too many", f"At most {rules.MOST_AT_ONCE} are taken", "Name more levels.")
    file_fits(db, grid_id, by=by, cells=[[facts.level_at(f, n).id for f, n in enumerate(cell)] for cell in cells], result=result,
              how=How.BY_CAD, shim=shim, note=note)  # fmt: skip
    return len(cells)


def withdraw_fit(db: Db, grid_id: int, fit_id: int, *, by: Viewer, reason: str) -> None:
    """Take a result back; it stays readable, and what stood before it stands again."""
    require(by, Action.FILE_FIT)
    grid = queries.get_grid(db, by.programme_id, grid_id, lock=True)
    fit = list_queries.get_fit(db, by.programme_id, fit_id)
    rules.check_sentence(reason, field="reason", shortest=rules.SHORTEST_REASON)
    if list_queries.is_withdrawn(db, fit_id=fit_id):
        raise Conflict("This result is withdrawn already")
    db.add(GridWithdrawal(fit_id=fit_id, reason=reason, by_id=by.account_id, at=clock.now()))
    record(db, f"withdrew “{fit.result}” of", "grid", grid.id, f"{grid.label} {fit.cell}", by_id=by.account_id,
           programme_id=by.programme_id, why=reason)  # fmt: skip
