"""Forced choices, exactly: which of three was the odd one, which of a pair; and whether guesses were better than chance.

Binomial tail sums in whole numbers, no approximation. The chance is 1/3 in a triangle, 1/2 in a pair. A result that is
not significant reads *not shown*: so few trials never show that there is no difference.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import comb

LEVEL = 0.05  # the usual level of these tests; common practice
TRIANGLE, PAIR = Fraction(1, 3), Fraction(1, 2)


def tail(right: int, trials: int, chance: Fraction) -> float:
    """P(at least `right` of `trials` by chance alone), the exact one-sided binomial. Raises ValueError for impossible counts."""
    if not 0 <= right <= trials:
        raise ValueError(f"{right} of {trials} can't be")
    if not 0 < chance < 1:
        raise ValueError(f"a chance of {chance} is none")
    return float(sum(comb(trials, k) * chance**k * (1 - chance) ** (trials - k) for k in range(right, trials + 1)))


def two_sided(picked: int, trials: int) -> float:
    """The same for a pair without an expected answer: twice the smaller tail, at most 1."""
    return min(1.0, 2 * tail(max(picked, trials - picked), trials, PAIR))


def least_right(trials: int, chance: Fraction, *, sides: int = 1) -> int | None:
    """The fewest right answers of `trials` that reach the level; None where even all of them don't."""
    for right in range(trials + 1):
        p = two_sided(right, trials) if sides == 2 and 2 * right >= trials else tail(right, trials, chance)
        if 2 * right >= trials * (sides - 1) and p <= LEVEL:
            return right
    return None


@dataclass(frozen=True, slots=True)
class ChoiceResult:
    """What a forced-choice block shows. `p` is None without a trial; `shown` is significance at 5 %."""

    right: int
    trials: int
    p: float | None
    shown: bool
    sentence: str


def triangle(right: int, trials: int) -> ChoiceResult:
    """`right` of `trials` picked the odd one."""
    if not trials:
        return ChoiceResult(0, 0, None, False, "No trial was answered.")
    p = tail(right, trials, TRIANGLE)
    shown = p <= LEVEL
    words = "difference can be felt" if shown else "a difference is not shown"
    told = f"{right} of {trials} picked the odd one, {_p(p)}: {words}."
    return ChoiceResult(right, trials, p, shown, told + _hopeless(trials, TRIANGLE, 1))


def paired(picked: int, trials: int, *, variant: str, asked: str, sides: int) -> ChoiceResult:
    """`picked` of `trials` pairs named `variant`: the expected one (one side), or the rival of the control (two sides)."""
    if not trials:
        return ChoiceResult(0, 0, None, False, "No trial was answered.")
    p = tail(picked, trials, PAIR) if sides == 1 else two_sided(picked, trials)
    shown = p <= LEVEL
    words = "a difference can be felt" if shown else "a difference is not shown"
    told = f"{picked} of {trials} named {variant} for “{asked}”, {'one' if sides == 1 else 'two'}-sided {_p(p)}: {words}."
    return ChoiceResult(picked, trials, p, shown, told + _hopeless(trials, PAIR, sides))


def guess_test(right: int, guesses: int, variants: int) -> float | None:
    """P of so many right guesses by chance 1/`variants`; None without a guess or with fewer than two variants."""
    return tail(right, guesses, Fraction(1, variants)) if guesses and variants > 1 else None


def _hopeless(trials: int, chance: Fraction, sides: int) -> str:
    if least_right(trials, chance, sides=sides) is not None:
        return ""
    best = two_sided(trials, trials) if sides == 2 else tail(trials, trials, chance)
    return f" With {trials} trial{'' if trials == 1 else 's'} no answer can reach 5 % (at best {_p(best)})."


def _p(p: float) -> str:
    """Two figures, three below .095: P = 0.10, P = 0.018, P = 0.004."""
    if p < 0.0005:
        return "P < 0.001"
    return f"P = {p:.2f}" if p >= 0.095 else f"P = {p:.3f}"
