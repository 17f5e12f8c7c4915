"""The trial builds to propose for a grid. No database; a second of work for a large grid, so never inside a transaction."""

from typing import NamedTuple

from app.covering.check import bound_of
from app.covering.propose import propose
from app.covering.space import Cell
from app.grid.rules import GridFacts
from app.grid.state import GridState
from app.grid.words import Proof

SEED = 1
MOST_BUILDS = 60  # of a list that goes through the cells one by one


class Proposed(NamedTuple):
    """wanted : combinations that the builds try, of which nothing was proven; 0 = cells, one by one.  floor : fewer can't do."""

    builds: tuple[Cell, ...]
    wanted: int
    floor: int
    seed: int = SEED


def propose_builds(facts: GridFacts) -> Proposed:
    """The fewest builds that try every combination still open; when none is, the cells that are still unknown, some at a time."""
    state = GridState(facts)
    found = propose(state.open_space, facts.strength, state.fitting, seed=SEED)
    if found.builds or facts.proof != Proof.EACH_CELL:
        return Proposed(found.builds, found.open, found.floor)
    cells = tuple(cell.cell for cell in state.cells if cell.unknown)[:MOST_BUILDS]
    return Proposed(cells, 0, len(cells))


def least_builds(state: GridState) -> tuple[int, int]:
    """How many combinations are open where builds are proposed, and how many builds it takes at least."""
    left = [found for found in state.open_space.combinations(state.facts.strength) if found not in state.proven]
    return len(left), bound_of(left)
