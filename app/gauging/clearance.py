"""Two mating features: the clearance between hole and shaft, and what play becomes at the wheel. Millimetres and degrees."""

import math
import random
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import NamedTuple

DRAWS = 20_000
SIGMAS = 3.0  # limits taken as ± 3 SD of a normal process; common practice, and kinder than many processes are


class Feature(NamedTuple):
    """Smallest and largest size, mm."""

    lowest: float
    highest: float

    @property
    def middle(self) -> float:
        return (self.lowest + self.highest) / 2

    @property
    def half(self) -> float:
        return (self.highest - self.lowest) / 2


@dataclass(frozen=True, slots=True)
class Clearance:
    """mm; negative is interference. likely : ± 3 SD by root sum of squares; simulated : the middle 99.7 % of draws."""

    least: float
    most: float
    middle: float
    rss_half: float
    simulated_low: float
    simulated_high: float
    simulated_mean: float
    simulated_sd: float
    interferes: float  # share of draws
    seed: int
    draws: int = DRAWS

    @property
    def kind(self) -> str:
        if self.least > -1e-9:
            return "clearance"
        return "interference" if self.most < 1e-9 else "transition"

    @property
    def likely(self) -> tuple[float, float]:
        return self.middle - self.rss_half, self.middle + self.rss_half


def clearance(hole: Feature, shaft: Feature, *, seed: int = 1, draws: int = DRAWS) -> Clearance:
    """Worst case, root sum of squares, and simulated with sizes spread evenly between their limits (nothing known of the process).

    The same seed draws the same sizes. Raises ValueError for a feature whose limits are crossed.
    """
    for name, feature in (("hole", hole), ("shaft", shaft)):
        if feature.lowest > feature.highest:
            raise ValueError(f"the {name}'s smallest size {feature.lowest:g} is above its largest {feature.highest:g}")
    rng = random.Random(seed)
    drawn = sorted(rng.uniform(*hole) - rng.uniform(*shaft) for _ in range(draws))
    cut = int(draws * 0.0015)
    return Clearance(hole.lowest - shaft.highest, hole.highest - shaft.lowest, hole.middle - shaft.middle,
                     math.hypot(hole.half, shaft.half), drawn[cut], drawn[-cut - 1], fmean(drawn), stdev(drawn),
                     sum(value < 0 for value in drawn) / draws, seed, draws)  # fmt: skip


def measured_play(hole_mm: float, shaft_mm: float, hole_u: float, shaft_u: float) -> tuple[float, float]:
    """(play, its U) of one measured hole on one measured shaft; U of both in quadrature, k = 2."""
    return hole_mm - shaft_mm, math.hypot(hole_u, shaft_u)


def play_angle(play_mm: float, spread_mm: float) -> float:
    """Degrees at the wheel of a play between two bearings that stand `spread_mm` apart. Plain geometry."""
    if spread_mm <= 0:
        raise ValueError(f"the bearing spread must be above 0, got {spread_mm:g}")
    return math.degrees(math.atan(play_mm / spread_mm))
