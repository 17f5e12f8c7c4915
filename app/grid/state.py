"""What is known of each cell of a grid, what is still unknown, and what explains the misfits. No database."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from functools import cached_property
from itertools import product
from typing import NamedTuple

from app.covering.explain import Explained, explain
from app.covering.space import Cell, Combination, Pattern, Space, combinations_in, contains, matches
from app.grid.rules import CellRule, GridFacts, Mark, Result
from app.grid.words import (
    BY_COMBINATIONS,
    EXCLUDED,
    FITTING,
    NOT_TRIED,
    UNKNOWN_AGAIN,
    Fit,
    Proof,
    RuleKind,
    SettingMark,
)

MISFITS = (Fit.RUBS, Fit.NOT_TOGETHER)


class CellState(NamedTuple):
    """word : the result that stands, excluded, not tried, unknown again, or proven by its combinations.
    why : the rule's sentence, or what a new revision made unknown."""

    cell: Cell
    word: str
    required: bool
    why: str = ""
    result: Result | None = None

    @property
    def unknown(self) -> bool:
        return self.required and self.word in (NOT_TRIED, UNKNOWN_AGAIN)

    @property
    def misfit(self) -> bool:
        return self.required and self.word in MISFITS


class GridState:
    """Derived from the facts each time, so that nothing can be stale. Each part is computed when it is asked for."""

    def __init__(self, facts: GridFacts) -> None:
        self.facts = facts

    # --- what may be built
    @cached_property
    def rules(self) -> list[CellRule]:
        """Those that stand. A rule whose levels are no pattern here any more means nothing."""
        return [rule for rule in self.facts.rules if not rule.withdrawn and rule.pattern]

    @cached_property
    def space(self) -> Space:
        def of(*kinds: RuleKind) -> tuple[Pattern, ...]:
            return tuple(rule.pattern for rule in self.rules if rule.kind in kinds)

        levels = tuple(len(factor.levels) for factor in self.facts.factors)
        return Space(levels, of(RuleKind.FORBIDDEN, RuleKind.EXCLUDED), of(RuleKind.REQUIRED))

    # --- results
    @cached_property
    def carried(self) -> dict[int, set[tuple[int, int]]]:
        found: dict[int, set[tuple[int, int]]] = defaultdict(set)
        for carry in self.facts.carries:
            if not carry.withdrawn:
                found[carry.level_id].add((carry.from_id, carry.to_id))
        return found

    def holds_for(self, level_id: int, tried_on: int, current: int) -> bool:
        """Whether what was tried on one revision still holds: the same, or carried over to it, step by step."""
        reached, wave = {tried_on}, [tried_on]
        while wave:
            here = wave.pop()
            for older, newer in self.carried.get(level_id, ()):
                if older == here and newer not in reached:
                    reached.add(newer)
                    wave.append(newer)
        return current in reached

    def older(self, result: Result) -> list[str]:
        """What a new revision made unknown again: “FST-t45 r2, now r3”; [] while the result holds."""
        found = []
        for factor, index in zip(self.facts.factors, result.cell, strict=True):
            level = factor.levels[index]
            on = result.revisions.get(level.id)
            if level.revision_id is not None and on is not None and not self.holds_for(level.id, on[0], level.revision_id):
                found.append(f"{on[1]}, now {level.revision.rpartition(' ')[2] or level.revision}")
        return found

    @cached_property
    def _sorted(self) -> tuple[dict[Cell, Result], dict[Cell, tuple[Result, list[str]]]]:
        """The results that stand, and, of cells that have none, the newest with what made it unknown again."""
        holds: dict[Cell, Result] = {}
        stale: dict[Cell, tuple[Result, list[str]]] = {}
        for result in sorted(self.facts.results, key=lambda r: (r.tried_at, r.id)):
            if result.withdrawn:
                continue
            older = self.older(result)
            if older:
                stale[result.cell] = (result, older)
            else:
                holds[result.cell] = result
        return holds, {cell: found for cell, found in stale.items() if cell not in holds}

    @property
    def standing(self) -> dict[Cell, Result]:
        return self._sorted[0]

    @property
    def stale(self) -> dict[Cell, tuple[Result, list[str]]]:
        return self._sorted[1]

    @cached_property
    def fitting(self) -> list[Cell]:
        return sorted(cell for cell, result in self.standing.items() if result.fits)

    @cached_property
    def misfitting(self) -> list[Cell]:
        """Of the cells that are required; what is taken out by a rule needs no explanation any more."""
        return sorted(cell for cell, result in self.standing.items() if not result.fits and self.space.wants(cell))

    @cached_property
    def explained(self) -> Explained:
        return explain(self.space, self.misfitting, self.fitting)

    # --- combinations
    @cached_property
    def combinations(self) -> list[Combination]:
        return list(self.space.combinations(self.facts.strength))

    @cached_property
    def proven(self) -> set[Combination]:
        return {found for cell in self.fitting for found in combinations_in(cell, self.facts.strength)}

    @cached_property
    def unproven(self) -> list[Combination]:
        """Combinations of required cells that no fitting build has."""
        return [found for found in self.combinations if found not in self.proven]

    @cached_property
    def open_space(self) -> Space:
        """Where builds are proposed: without the combination that explains the misfits, since it would hide what else is wrong,
        and without the very builds that did not fit."""
        named = self.explained.named
        known = [tuple(enumerate(cell)) for cell in self.misfitting if named is None or not contains(cell, named)]
        return self.space.without([*([named] if named is not None else []), *known])

    # --- cells
    @cached_property
    def cells(self) -> list[CellState]:
        """Every cell of a listed grid; of a larger one those that were tried."""
        every = self.space.every_cell() if self.facts.listed else sorted({*self.standing, *self.stale})
        return [self.state_of(cell) for cell in every]

    def state_of(self, cell: Cell) -> CellState:
        required = self.space.wants(cell)
        out = next((rule for rule in self.rules if rule.kind != RuleKind.REQUIRED and matches(cell, rule.pattern)), None)
        result = self.standing.get(cell)
        if out is not None:
            return CellState(cell, EXCLUDED, False, f"{out.sentence} ({out.by})", result)
        if result is not None:
            return CellState(cell, result.result, required, result.shim or result.note, result)
        by_parts = self.facts.proof == Proof.COMBINATIONS and all(c in self.proven for c in combinations_in(cell, self.facts.strength))
        if by_parts:
            return CellState(cell, BY_COMBINATIONS, required, f"every {self.facts.noun} of it is in a build that fits")
        if cell in self.stale:
            last, older = self.stale[cell]
            return CellState(cell, UNKNOWN_AGAIN, required, f"{last.words} on {' and '.join(older)}", last)
        return CellState(cell, NOT_TRIED, required)

    @cached_property
    def counts(self) -> Counter[str]:
        """Word -> cells; “required”, “unknown” and “misfit” count the required ones only."""
        found = Counter(state.word for state in self.cells)
        found["required"] = sum(state.required for state in self.cells)
        found["unknown"] = sum(state.unknown for state in self.cells)
        found["misfit"] = sum(state.misfit for state in self.cells)
        for word in FITTING:
            found["fitting"] += sum(state.word == word and state.required for state in self.cells)
        return found

    @property
    def complete(self) -> bool:
        return not self.misfitting and not self._unknown_left(None)

    def _unknown_left(self, part: Mapping[int, set[int]] | None) -> int:
        """Unknown required cells, or combinations where they prove; `part` keeps to cells with these levels (factor -> levels)."""

        def within(pairs: Sequence[tuple[int, int]]) -> bool:
            return part is None or all(level in part[factor] for factor, level in pairs if factor in part)

        if self.facts.proof == Proof.EACH_CELL:
            return sum(state.unknown and within(tuple(enumerate(state.cell))) for state in self.cells)
        return sum(within(found) for found in self.unproven)

    def gate(self, part: Mapping[int, set[int]] | None = None) -> tuple[bool | None, str]:
        """Whether the required cells are known and fit: False on a misfit, None while something is unknown; with a sentence.

        part : factor index -> level indexes; only cells with these levels are looked at (one variant's own).
        """
        misfits = [cell for cell in self.misfitting if part is None or all(cell[f] in levels for f, levels in part.items())]
        left = self._unknown_left(part)
        noun = "required cell" if self.facts.proof == Proof.EACH_CELL else f"required {self.facts.noun}"
        told = f"{self.facts.label}: "
        if misfits:
            first = f"{self.facts.cell_words(misfits[0])} {self.standing[misfits[0]].result}"
            rest = f" and {len(misfits) - 1} more" if len(misfits) > 1 else ""
            return False, f"{told}{len(misfits)} required {'cell does' if len(misfits) == 1 else 'cells do'} not fit ({first}{rest})"
        if left:
            return None, f"{told}{left} {noun}{'' if left == 1 else 's'} unknown"
        return True, f"{told}every {noun} is known and fits"

    def part_of(self, revision_lines: set[tuple[int, str]]) -> dict[int, set[int]]:
        """Factor -> its levels that are of these lines (part id, line), of the factors that have such a level."""
        found: dict[int, set[int]] = defaultdict(set)
        for f, factor in enumerate(self.facts.factors):
            for n, level in enumerate(factor.levels):
                if level.part_id is not None and (level.part_id, level.line) in revision_lines:
                    found[f].add(n)
        return dict(found)


# --- settings
class SettingState(NamedTuple):
    """One setting: a level of each option. cells : over all third-party items; out, misfits, unknown of them."""

    setting: Cell
    words: str
    key: str
    mark: Mark | None
    cells: int
    out: int
    misfits: int
    unknown: int

    @property
    def word(self) -> str:
        return self.mark.mark if self.mark is not None else SettingMark.NOT_MARKED

    @property
    def excluded(self) -> bool:
        return self.out == self.cells


def option_factors(facts: GridFacts) -> list[int]:
    return [f for f, factor in enumerate(facts.factors) if factor.is_option]


def settings_of(state: GridState) -> list[SettingState]:
    """Every setting: 2^n for n options of two levels. For grids whose cells are listed."""
    facts, options = state.facts, option_factors(state.facts)
    newest = {mark.setting: mark for mark in sorted(facts.marks, key=lambda mark: mark.at)}
    cells: dict[Cell, list[CellState]] = defaultdict(list)
    for cell_state in state.cells:
        cells[tuple(cell_state.cell[f] for f in options)].append(cell_state)
    found = []
    for setting in product(*(range(len(facts.factors[f].levels)) for f in options)):
        own = cells.get(setting, [])
        levels = [facts.factors[f].levels[level] for f, level in zip(options, setting, strict=True)]
        found.append(SettingState(
            setting, ", ".join(level.code for level in levels), "-".join(str(level.id) for level in levels), newest.get(setting), len(own),
            sum(s.word == EXCLUDED for s in own), sum(s.misfit for s in own), sum(s.unknown for s in own),
        ))  # fmt: skip
    return found


def setting_words(facts: GridFacts, setting: Cell) -> str:
    return ", ".join(facts.factors[f].levels[level].code for f, level in zip(option_factors(facts), setting, strict=True))


# --- words
def explanation_words(state: GridState) -> list[str]:
    """Sentences on what explains the misfits; [] when there is none to explain."""
    facts, found = state.facts, state.explained
    if not found.misfits:
        return []
    builds = "the one build that does not fit" if found.misfits == 1 else f"every one of the {found.misfits} builds that do not fit"
    if found.named is not None:
        return [f"{builds[0].upper()}{builds[1:]} has {facts.combination_words(found.named)}; no build that fits has it."]
    if found.minimal:
        several = "; ".join(facts.combination_words(c) for c in found.minimal[:6])
        more = f", and {len(found.minimal) - 6} more" if len(found.minimal) > 6 else ""
        said = [f"{len(found.minimal)} explanations are possible, each in {builds} and in none that fits: {several}{more}."]
        if found.next_build is not None:
            has = sum(contains(found.next_build, c) for c in found.minimal)
            said.append(f"This build tells them apart, it has {has} of the {len(found.minimal)}: {facts.cell_words(found.next_build)}.")
        return said
    if not found.part:
        return [f"No combination of up to three levels explains {builds}: each is also in a build that fits."]
    listed = "; ".join(f"{facts.combination_words(c)} ({n})" for c, n in found.part[:6])
    return [f"No one combination explains {builds}. Together they are explained by: {listed}."]
