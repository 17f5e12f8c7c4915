"""The rule itself: from probabilities to a clause, for one case or for thousands of imagined futures alike.

    gain and harm                                -> gain_with_harm (setting)
    better in one condition class, worse in another -> conditions (setting)
    gain and every must held, or so large a gain  -> gain, large_gain (adopt)
    harm, loss, a gain all but ruled out          -> harm, loss, futility (reject)
    else                                         -> gain_not_shown, must_not_shown (retest)

Thresholds: `thresholds`. Common practice, no source: chosen on simulated programmes.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from app.evidence.links import Array
from app.evidence.mixture import Mixture
from app.evidence.thresholds import RULE

WORDS = {
    "gain": "adopt", "large_gain": "adopt", "no_worse": "adopt", "gain_with_harm": "setting", "conditions": "setting",
    "harm": "reject", "loss": "reject", "futility": "reject", "gain_not_shown": "retest", "must_not_shown": "retest",
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Chances:
    """What the rule looks at, N cases at once.

    better, worthwhile : (N,) P(goal > 0), P(goal > W); None for a rule without a goal
    held, held_twice   : (M, N) per must, P(improvement > -margin) and P(> -2 margin)
    """

    better: Array | None
    worthwhile: Array | None
    held: Array
    held_twice: Array

    @classmethod
    def of(cls, goal: Mixture | None, musts: Mapping[str, tuple[Mixture, float]]) -> "Chances":
        """One case: the goal in units of W, musts with their margins."""
        held = np.array([[m.p_above(-margin)] for m, margin in musts.values()]).reshape(-1, 1)
        twice = np.array([[m.p_above(-2.0 * margin)] for m, margin in musts.values()]).reshape(-1, 1)
        if goal is None:
            return cls(None, None, held, twice)
        return cls(np.array([goal.p_above(0.0)]), np.array([goal.p_above(1.0)]), held, twice)


def gain_clauses(chances: Chances, p_gain: float, depends: bool) -> Array:
    """(N,) clauses of a question that asks for a gain."""
    assert chances.better is not None  # a rule of gain has a goal; refused at the door otherwise
    assert chances.worthwhile is not None
    gain = chances.better >= p_gain
    harm = (1.0 - chances.held >= RULE.harm).any(axis=0)
    held = (chances.held >= RULE.must_held).all(axis=0)
    tolerated = (chances.held >= RULE.large_gain_must) & (chances.held_twice >= RULE.large_gain_twice_margin)
    large = (chances.worthwhile >= RULE.large_gain) & tolerated.all(axis=0)
    return np.select(
        [gain & harm, ~harm & depends, gain & held, gain & large, harm, 1.0 - chances.better >= RULE.loss,
         chances.worthwhile <= RULE.futility, gain],
        ["gain_with_harm", "conditions", "gain", "large_gain", "harm", "loss", "futility", "must_not_shown"],
        "gain_not_shown",
    )  # fmt: skip


def no_worse_clauses(chances: Chances, better: bool | None) -> Array:
    """(N,) clauses where the ground is a declared fact and on the track nothing may be lost."""
    harm = (1.0 - chances.held >= RULE.harm).any(axis=0)
    held = (chances.held >= RULE.no_worse).all(axis=0)
    unknown, worse = np.full(harm.shape, better is None), np.full(harm.shape, better is False)
    return np.select([harm, unknown, worse, held], ["harm", "gain_not_shown", "loss", "no_worse"], "must_not_shown")
