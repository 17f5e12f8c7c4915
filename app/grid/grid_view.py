"""Arranges a grid for reading: the sentence on top, the counts, and the table of its cells."""

from itertools import product
from math import prod
from typing import NamedTuple

from app.covering.space import Cell
from app.grid.proposing import least_builds
from app.grid.rules import GridFacts
from app.grid.state import CellState, GridState
from app.grid.words import BY_COMBINATIONS, EXCLUDED, NOT_TRIED, UNKNOWN_AGAIN, Fit, Proof

INK = {
    Fit.FITS: "for", Fit.SHIM: "for", Fit.RUBS: "against", Fit.NOT_TOGETHER: "against", EXCLUDED: "muted", NOT_TRIED: "plain",
    UNKNOWN_AGAIN: "undecided", BY_COMBINATIONS: "plain",
}  # fmt: skip
MOST_COLUMNS = 6


class Line(NamedTuple):
    """One line of the table: levels of the factors at its side, and a cell a column."""

    head: tuple[str, ...]
    cells: tuple[CellState, ...]


class View(NamedTuple):
    title: str
    open_combinations: int
    least_builds: int
    heads: tuple[str, ...]
    across: str
    columns: tuple[str, ...]
    lines: tuple[Line, ...]
    tried: tuple[CellState, ...]  # of a grid too large to be listed


def summary(state: GridState) -> str:
    """Such as “4 of 68 required cells unknown, 4 do not fit”."""
    facts, counts = state.facts, state.counts
    misfits = len(state.misfitting)
    if facts.proof == Proof.COMBINATIONS:
        left, every, noun = len(state.unproven), len(state.combinations), f"required {facts.noun}s"
    else:
        left, every, noun = counts["unknown"], counts["required"], "required cells"
    said = [f"{left} of {every} {noun} unknown"] if left else [f"all {every} {noun} known"]
    if misfits:
        said.append(f"{misfits} {'cell does' if misfits == 1 else 'cells do'} not fit")
    elif not left:
        said = [f"all {every} {noun} known, and they fit"]
    return ", ".join(said)


def view_of(state: GridState) -> View:
    left, least = least_builds(state)
    across = _across(state.facts)
    down = [f for f in range(len(state.facts.factors)) if f not in across]
    words = summary(state)
    listed = state.facts.listed
    return View(
        f"{words[0].upper()}{words[1:]}", left, least, tuple(state.facts.factors[f].name for f in down),
        " and ".join(state.facts.factors[f].name for f in across),
        tuple(_codes(state.facts, across, levels) for levels in _levels(state.facts, across)) if listed else (),
        tuple(_lines(state, across, down)) if listed else (), () if listed else tuple(state.cells),
    )  # fmt: skip


def _across(facts: GridFacts) -> list[int]:
    """The last factors stand across, as many as give a few columns."""
    found: list[int] = []
    for f in reversed(range(len(facts.factors))):
        if found and prod(len(facts.factors[g].levels) for g in [f, *found]) > MOST_COLUMNS:
            break
        found.insert(0, f)
        if len(found) == len(facts.factors) - 1:
            break
    return found


def _levels(facts: GridFacts, factors: list[int]) -> list[Cell]:
    return list(product(*(range(len(facts.factors[f].levels)) for f in factors)))


def _codes(facts: GridFacts, factors: list[int], levels: Cell) -> str:
    return " ".join(facts.factors[f].levels[level].code for f, level in zip(factors, levels, strict=True))


def _lines(state: GridState, across: list[int], down: list[int]) -> list[Line]:
    facts, by_cell = state.facts, {found.cell: found for found in state.cells}
    found = []
    for side in _levels(facts, down):
        given = dict(zip(down, side, strict=True))
        cells = []
        for top in _levels(facts, across):
            both = {**given, **dict(zip(across, top, strict=True))}
            cells.append(by_cell[tuple(both[f] for f in range(len(facts.factors)))])
        head = tuple(facts.factors[f].levels[level].code for f, level in zip(down, side, strict=True))
        found.append(Line(head, tuple(cells)))
    return found
