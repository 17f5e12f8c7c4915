"""Screening of two-level options: all combinations, or half of them, and what a half can't tell apart, in words.

Source: Box, Hunter & Hunter, Statistics for Experimenters (from memory; words are checked in the reference case).
"""

from collections.abc import Mapping, Sequence
from itertools import product
from typing import NamedTuple

from app.evidence.phrases import joined
from app.evidence.refusals import EvidenceError

FEWEST, MOST = 2, 6


class Screening(NamedTuple):
    """Builds to drive: per run one level of each option. words: what can't be told apart; resolution None = everything can."""

    options: tuple[str, ...]
    runs: tuple[tuple[str, ...], ...]
    resolution: int | None
    words: tuple[str, ...]


def screening(levels: Mapping[str, tuple[str, str]], *, half: bool) -> Screening:
    """levels : option -> its two levels. A half fraction sets the last option by the product of the others."""
    names = tuple(levels)
    if not FEWEST <= len(names) <= MOST:
        raise EvidenceError("options", len(names), f"Between {FEWEST} and {MOST} options are screened at once.")
    if half and len(names) < 3:
        raise EvidenceError("options", len(names), "Half of two options can tell nothing apart; drive all four combinations.")
    signs = [tuple(row) for row in product((0, 1), repeat=len(names) - half)]
    if half:  # the last option's sign is the product of the others'
        signs = [(*row, 1 - (row.count(0) % 2)) for row in signs]
    runs = tuple(tuple(levels[name][sign] for name, sign in zip(names, row, strict=True)) for row in signs)
    if not half:
        return Screening(names, runs, None, ("Every option and every pair of options can be told apart.",))
    from app.evidence.plan_figures import alias_structure  # numbers load with the first plan, not with the app

    letters = [chr(ord("A") + k) for k in range(len(names))]
    found = alias_structure(letters, {letters[-1]: "".join(letters[:-1])})
    return Screening(names, runs, found.resolution, alias_words(names, found.aliases))


def alias_words(names: Sequence[str], aliases: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """Effects that a fraction can't tell apart, one sentence a group; letters A, B, ... stand for the names in order."""
    told, seen = [], set()
    for effect, others in aliases.items():
        group = frozenset([effect, *others])
        if not others or group in seen:
            continue
        seen.add(group)
        first, *rest = sorted(group, key=lambda word: (len(word), word))
        told.append(f"{_effect(names, first)} can't be told from {' or '.join(_effect(names, word) for word in rest)}.")
    clear = [names[ord(e) - ord("A")] for e, others in aliases.items() if len(e) == 1 and not others]
    if clear:
        told.insert(0, f"On their own {joined(clear)} can be told from every pair.")
    return tuple(told)


def _effect(names: Sequence[str], word: str) -> str:
    own = [names[ord(letter) - ord("A")] for letter in word]
    return own[0] if len(own) == 1 else f"{joined(own)} together"
