"""A crossed gauge study: every operator gauges every piece several times. How much of what is seen is the gauge?

Two-way random analysis of variance with interaction; where the interaction is not seen (p > .25, common practice) it is
pooled with the repeats. Negative variances are 0. The average-and-range method stands beside it for comparison.
Source: measurement systems analysis as publicly reproduced many times; constants and the 10 %, 30 % cuts from memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from statistics import fmean
from typing import NamedTuple

POOL_ABOVE = 0.25
GOOD_SHARE, POOR_SHARE = 0.10, 0.30
K1 = {2: 0.8862, 3: 0.5908, 4: 0.4857, 5: 0.4299}
K2 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030}
K3 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}


class Trial(NamedTuple):
    operator: str
    piece: str
    trial: str
    value: float


@dataclass(frozen=True, slots=True)
class Components:
    """Variances in squared units, never below 0."""

    repeatability: float
    operator: float
    interaction: float
    piece: float

    @property
    def reproducibility(self) -> float:
        return self.operator + self.interaction

    @property
    def gauge(self) -> float:
        return self.repeatability + self.reproducibility

    @property
    def total(self) -> float:
        return self.gauge + self.piece

    @property
    def sd_gauge(self) -> float:
        return math.sqrt(self.gauge)

    @property
    def sd_piece(self) -> float:
        return math.sqrt(self.piece)

    @property
    def share(self) -> float:
        """SD of the gauge over the total SD."""
        return math.sqrt(self.gauge / self.total) if self.total else 0.0

    @property
    def categories(self) -> float:
        """How many groups of pieces the gauge can tell apart, not rounded; infinite for a gauge without error."""
        return math.sqrt(2) * self.sd_piece / self.sd_gauge if self.gauge else math.inf


@dataclass(frozen=True, slots=True)
class Study:
    """Sums of squares and mean squares by source (operator, piece, interaction, repeatability), and both readings of them."""

    operators: int
    pieces: int
    repeats: int
    ss: dict[str, float]
    df: dict[str, int]
    f_interaction: float
    p_interaction: float
    f_piece: float
    f_operator: float
    full: Components
    pooled: Components
    mean: float

    @property
    def ms(self) -> dict[str, float]:
        return {name: self.ss[name] / self.df[name] for name in self.df}

    @property
    def ms_pooled(self) -> float:
        return (self.ss["interaction"] + self.ss["repeatability"]) / (self.df["interaction"] + self.df["repeatability"])

    @property
    def pools(self) -> bool:
        return self.p_interaction > POOL_ABOVE

    @property
    def used(self) -> Components:
        return self.pooled if self.pools else self.full


def what_is_missing(trials: Sequence[Trial]) -> str:
    """Why this is no balanced crossed study, in words; empty when it is one."""
    operators = list(dict.fromkeys(t.operator for t in trials))
    pieces = list(dict.fromkeys(t.piece for t in trials))
    if len(operators) < 2 or len(pieces) < 2:
        return f"{len(operators)} operator(s) and {len(pieces)} piece(s); at least two of each are needed"
    counts = dict.fromkeys(product(operators, pieces), 0)
    for t in trials:
        counts[t.operator, t.piece] += 1
    most = max(counts.values())
    if most < 2:
        return "every operator gauged each piece once; at least twice is needed to see how well a reading repeats"
    short = [f"{operator} on {piece}: {n} of {most}" for (operator, piece), n in counts.items() if n != most]
    return f"not every operator gauged every piece {most} times ({'; '.join(short[:3])}{' …' if len(short) > 3 else ''})" if short else ""


def crossed_study(trials: Sequence[Trial]) -> Study:
    """Raises ValueError, with the reason, for a study that is not crossed and balanced."""
    if problem := what_is_missing(trials):
        raise ValueError(problem)
    operators, pieces = sorted({t.operator for t in trials}), sorted({t.piece for t in trials})
    cells: dict[tuple[str, str], list[float]] = {}
    for t in trials:
        cells.setdefault((t.operator, t.piece), []).append(t.value)
    o, p, r = len(operators), len(pieces), len(trials) // (len(operators) * len(pieces))
    grand = fmean(t.value for t in trials)
    of_operator = {a: fmean(v for b in pieces for v in cells[a, b]) for a in operators}
    of_piece = {b: fmean(v for a in operators for v in cells[a, b]) for b in pieces}
    ss = {"operator": p * r * sum((m - grand) ** 2 for m in of_operator.values()),
          "piece": o * r * sum((m - grand) ** 2 for m in of_piece.values()),
          "interaction": r * sum((fmean(cells[a, b]) - of_operator[a] - of_piece[b] + grand) ** 2 for a in operators for b in pieces),
          "repeatability": sum((v - fmean(own)) ** 2 for own in cells.values() for v in own)}  # fmt: skip
    df = {"operator": o - 1, "piece": p - 1, "interaction": (o - 1) * (p - 1), "repeatability": o * p * (r - 1)}
    return _with_components(o, p, r, ss, df, grand)


def _with_components(o: int, p: int, r: int, ss: dict[str, float], df: dict[str, int], grand: float) -> Study:
    from scipy.stats import f as f_distribution

    ms = {name: ss[name] / df[name] for name in df}
    pooled = (ss["interaction"] + ss["repeatability"]) / (df["interaction"] + df["repeatability"])
    full_parts = (ms["repeatability"], (ms["operator"] - ms["interaction"]) / (p * r), (ms["interaction"] - ms["repeatability"]) / r,
                  (ms["piece"] - ms["interaction"]) / (o * r))  # fmt: skip
    pooled_parts = (pooled, (ms["operator"] - pooled) / (p * r), 0.0, (ms["piece"] - pooled) / (o * r))
    f = _ratio(ms["interaction"], ms["repeatability"])
    return Study(o, p, r, ss, df, f, float(f_distribution.sf(f, df["interaction"], df["repeatability"])),
                 _ratio(ms["piece"], ms["interaction"]), _ratio(ms["operator"], ms["interaction"]),
                 Components(*(max(0.0, part) for part in full_parts)), Components(*(max(0.0, part) for part in pooled_parts)),
                 grand)  # fmt: skip


def _ratio(above: float, below: float) -> float:
    return above / below if below else math.inf if above else 0.0


class RangeMethod(NamedTuple):
    """Average and range: mean range, difference of operators' means, range of pieces' means, and the SDs that follow."""

    mean_range: float
    operator_difference: float
    piece_range: float
    repeatability: float
    reproducibility: float
    gauge: float
    piece: float
    total: float


def average_and_range(trials: Sequence[Trial]) -> RangeMethod | None:
    """None where no constant is known for that many trials, operators or pieces."""
    operators, pieces = sorted({t.operator for t in trials}), sorted({t.piece for t in trials})
    repeats = len(trials) // (len(operators) * len(pieces))
    if repeats not in K1 or len(operators) not in K2 or len(pieces) not in K3:
        return None
    cells = [[t.value for t in trials if (t.operator, t.piece) == key] for key in product(operators, pieces)]
    means = [fmean(t.value for t in trials if t.operator == operator) for operator in operators]
    of_pieces = [fmean(t.value for t in trials if t.piece == piece) for piece in pieces]
    mean_range = fmean(max(own) - min(own) for own in cells)
    difference, piece_range = max(means) - min(means), max(of_pieces) - min(of_pieces)
    ev = mean_range * K1[repeats]
    av = math.sqrt(max(0.0, (difference * K2[len(operators)]) ** 2 - ev**2 / (len(pieces) * repeats)))
    gauge, piece = math.hypot(ev, av), piece_range * K3[len(pieces)]
    return RangeMethod(mean_range, difference, piece_range, ev, av, gauge, piece, math.hypot(gauge, piece))


class Sight(NamedTuple):
    """Can the gauge see the limits? share : of the tolerance that the gauge's own spread takes up; guard : U of one reading."""

    word: str  # yes, with care, no
    share: float
    guard: float
    sentence: str


def can_see(study: Study, lower: float | None, upper: float | None, unit: str = "") -> Sight | None:
    """The gauge's spread, 6 SD, against the tolerance; with one limit 3 SD against the way from the pieces' mean to it.

    None without a limit. Up to 10 %: yes; up to 30 %: with care; more: no (from memory).
    """
    sd = study.used.sd_gauge
    if lower is not None and upper is not None:
        room, taken, told = upper - lower, 6 * sd, "the tolerance"
    elif lower is not None or upper is not None:
        limit = upper if upper is not None else lower or 0.0
        room, taken, told = abs(limit - study.mean), 3 * sd, "the way from these pieces to the limit"
    else:
        return None
    share = taken / room if room else math.inf
    word = "yes" if share <= GOOD_SHARE else "with care" if share <= POOR_SHARE else "no"
    guard, tail = 2 * sd, f" {unit}" if unit else ""
    lead = {"yes": "Yes, this gauge can see that limit", "with care": "With care: this gauge can see that limit only roughly",
            "no": "No, this gauge can't see that limit"}[word]  # fmt: skip
    percent = f"{100 * share:.0f} %" if math.isfinite(share) else "all"
    sentence = (f"{lead}: gauge and operators take up {percent} of {told}. One reading is good to ± {guard:.2g}{tail}, so whatever lies "
                f"nearer to a limit than that stays inconclusive.")  # fmt: skip
    return Sight(word, share, guard, sentence)
