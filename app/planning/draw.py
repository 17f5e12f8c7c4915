"""What is behind each run of a blind chain, drawn when its key is sealed. Pure: the caller brings the randomness."""

import random
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple


class Behind(NamedTuple):
    """What a run under a code carries: a variant's code, and whether the control has its second code there."""

    variant: str
    repeat: bool = False


def draw_chain(roles: Sequence[str], rivals: Mapping[str, int], control: str, rng: random.Random) -> list[Behind]:
    """Controls stay where the brackets need them; which test is where, and which control is the hidden repeat, is chance.

    roles : "control" or "test" of each run; rivals : how often each is driven, in all as often as there are tests.
    Half of the controls, rounded down, come back under the second code. Every order is equally likely.
    """
    tests = [code for code, times in sorted(rivals.items()) for _ in range(times)]
    controls = [place for place, role in enumerate(roles) if role == "control"]
    if len(tests) + len(controls) != len(roles):
        raise ValueError(f"{len(tests)} tests for {len(roles) - len(controls)} runs")
    rng.shuffle(tests)
    repeats = set(rng.sample(controls, len(controls) // 2))
    following = iter(tests)
    return [Behind(control, place in repeats) if role == "control" else Behind(next(following)) for place, role in enumerate(roles)]


def chains_of(told: Mapping[str, Any], question: str) -> list[dict[str, Any]]:
    """The blind chains of one question as they are kept with an accepted plan."""
    return [chain for chain in told.get("sealed", ()) if chain["question"] == question]
