"""A chain of parts: the gap at its end, worst case and by root sum of squares. Textbook formulas, one dimension, mm."""

import math
import random
from collections.abc import Sequence
from statistics import NormalDist
from typing import NamedTuple


class Link(NamedTuple):
    """One part of the chain. direction : +1 opens the gap, −1 closes it; plus, minus : tolerances, both ≥ 0."""

    name: str
    direction: int
    nominal: float
    plus: float
    minus: float

    @property
    def middle(self) -> float:
        return self.nominal + (self.plus - self.minus) / 2

    @property
    def half(self) -> float:
        return (self.plus + self.minus) / 2


class Gap(NamedTuple):
    """mm. mean : with every part at the middle of its tolerance; sd : if each tolerance is ± 3 SD."""

    nominal: float
    worst_low: float
    worst_high: float
    mean: float
    rss_half: float
    sd: float
    below_zero: float
    simulated_low: float
    simulated_high: float
    seed: int

    @property
    def likely(self) -> tuple[float, float]:
        return self.mean - self.rss_half, self.mean + self.rss_half


def stack(links: Sequence[Link], *, seed: int = 1, draws: int = 20_000) -> Gap:
    """Asymmetric tolerances are centred for the root sum of squares; simulated: sizes spread evenly, the middle 99.7 %.

    Raises ValueError without a link or for a tolerance below 0.
    """
    if not links:
        raise ValueError("a chain needs at least one part")
    if wrong := [link.name for link in links if link.plus < 0 or link.minus < 0 or link.direction not in (-1, 1)]:
        raise ValueError(f"{wrong[0]}: tolerances are 0 or more and the direction is + or −")
    nominal = sum(link.direction * link.nominal for link in links)
    high = nominal + sum(link.plus if link.direction > 0 else link.minus for link in links)
    low = nominal - sum(link.minus if link.direction > 0 else link.plus for link in links)
    mean = sum(link.direction * link.middle for link in links)
    rss = math.sqrt(sum(link.half**2 for link in links))
    sd = rss / 3
    below = NormalDist(mean, sd).cdf(0.0) if sd else float(mean < 0)
    if sd and mean / sd > 6:  # NormalDist loses the far tail
        below = math.erfc(mean / sd / math.sqrt(2)) / 2
    rng, cut = random.Random(seed), int(draws * 0.0015)
    drawn = sorted(sum(link.direction * (link.middle + rng.uniform(-link.half, link.half)) for link in links) for _ in range(draws))
    return Gap(nominal, low, high, mean, rss, sd, below, drawn[cut], drawn[-cut - 1], seed)
