"""Do drivers rank the variants alike? Rank tests within drivers, exact where the table is small.

Friedman's test with ties, Kendall's W and the F of Iman & Davenport; its relatives for incomplete tables; and the exact
sign-flip test of paired differences. They count orders only, know nothing of noise or of days, and decide nothing: the
sheet shows the agreement beside what the drivers said.
Sources: Conover, Practical Nonparametric Statistics (1999); Skillings & Mack (1981); Fisher (1935); from memory, checked
in the reference cases.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from app.evidence.findings import Agreement
from app.evidence.inputs import Evidence
from app.evidence.links import Array, IntArray
from app.evidence.phrases import count, probability
from app.evidence.ratings import usable_marks
from app.evidence.refusals import EvidenceError

_MOST_ORDERS = 200_000  # orders looked at in one step of the exact distribution: about 20 ms
_MOST_DIFFERENCES = 20


def _ranks(table: Array) -> Array:
    """Mid-ranks within each row of (b, k)."""
    other = table[:, None, :]
    return (table[:, :, None] > other).sum(axis=2) + 0.5 * ((table[:, :, None] == other).sum(axis=2) + 1)


@dataclass(frozen=True, slots=True)
class Friedman:
    """b blocks (drivers) x k treatments (variants).

    squares, correction : Conover's A1 and C1;  f, p_f : Iman & Davenport, None where every block ranks alike
    w : Kendall's W corrected for ties, w_uncorrected : without;  p_exact : over all orders within blocks, None if too many
    """

    rank_sums: tuple[float, ...]
    chi2: float
    df: int
    p: float
    squares: float
    correction: float
    f: float | None
    f_df: tuple[int, int]
    p_f: float | None
    w: float
    w_uncorrected: float
    p_exact: float | None


def friedman(table: Array) -> Friedman:
    """`table` (b, k) of values, b and k at least 2; a table without any order in it has chi2 = 0, p = 1, W = 0."""
    from scipy.special import chdtrc, fdtrc

    table = np.asarray(table, dtype=float)
    if table.ndim != 2 or min(table.shape) < 2:
        raise EvidenceError("table", table.shape, "It takes at least two drivers and two variants.")
    b, k = table.shape
    ranks = _ranks(table)
    sums = ranks.sum(axis=0)
    squares, correction = float((ranks**2).sum()), b * k * (k + 1) ** 2 / 4
    off = float(((sums - b * (k + 1) / 2) ** 2).sum())
    chi2 = (k - 1) * off / (squares - correction) if squares - correction > 1e-9 else 0.0
    rest = b * (k - 1) - chi2
    f = (b - 1) * chi2 / rest if rest > 1e-9 * b * k else None
    degrees = (k - 1, (b - 1) * (k - 1))
    return Friedman(
        tuple(map(float, sums)),
        chi2,
        k - 1,
        float(chdtrc(k - 1, chi2)),
        squares,
        correction,
        f,
        degrees,
        None if f is None else float(fdtrc(*degrees, f)),
        min(1.0, chi2 / (b * (k - 1))),
        12.0 * off / (b * b * (k**3 - k)),
        _exact_friedman(ranks),
    )


def _exact_friedman(ranks: Array) -> float | None:
    """P(rank sums at least this far apart) when every block's ranks fall in any order; None if there are too many."""
    twice = np.rint(2 * ranks).astype(np.int64)  # mid-ranks are halves
    b, k = ranks.shape
    if k > 6:
        return None
    sums: IntArray = np.zeros((1, k), dtype=np.int64)
    ways: Array = np.ones(1)
    base = (2 * b * k + 1) ** np.arange(k, dtype=np.int64)
    for block in twice:
        orders: IntArray = np.array(list(permutations(block)))
        if len(sums) * len(orders) > _MOST_ORDERS:
            return None
        reached: IntArray = (sums[:, None, :] + orders[None, :, :]).reshape(-1, k)
        _, first, inverse = np.unique(reached @ base, return_index=True, return_inverse=True)
        ways = np.bincount(inverse.ravel(), weights=np.repeat(ways, len(orders)) / len(orders)).astype(np.float64)
        sums = reached[first]
    off = ((sums - b * (k + 1)) ** 2).sum(axis=1)
    seen = ((twice.sum(axis=0) - b * (k + 1)) ** 2).sum()
    return float(min(1.0, ways[off >= seen].sum()))


@dataclass(frozen=True, slots=True)
class SignFlip:
    """Of `total` ways to flip the signs, `as_high` give a sum at least as high as seen."""

    n: int
    sum: float
    as_high: int
    total: int
    p_greater: float
    p_two_sided: float


def sign_flip(differences: Sequence[float]) -> SignFlip:
    """Exact test that paired differences are symmetric about 0. At most 20 differences. Source: Fisher (1935), sec. 21."""
    values = np.asarray(differences, dtype=float)
    if not 1 <= len(values) <= _MOST_DIFFERENCES:
        raise EvidenceError("differences", len(values), f"The exact test takes 1 to {_MOST_DIFFERENCES} differences.")
    sums = np.zeros(1)
    for value in values:
        sums = np.concatenate([sums + value, sums - value])
    slack = 1e-9 * float(np.abs(values).sum())
    seen = float(values.sum())
    as_high, as_far = int((sums >= seen - slack).sum()), int((np.abs(sums) >= abs(seen) - slack).sum())
    return SignFlip(len(values), seen, as_high, len(sums), as_high / len(sums), as_far / len(sums))


@dataclass(frozen=True, slots=True)
class Durbin:
    """t treatments in b blocks of k, each treatment in r blocks, each pair in `together` blocks."""

    t: int
    b: int
    k: int
    r: int
    together: int
    rank_sums: tuple[float, ...]
    squares: float
    correction: float
    chi2: float
    df: int
    p: float
    f: float | None
    f_df: tuple[int, int]
    p_f: float | None


def durbin(table: Array) -> Durbin:
    """`table` (b, t) with NaN where a block lacks a treatment; the plan must be a balanced incomplete block design."""
    from scipy.special import chdtrc, fdtrc

    there = ~np.isnan(table)
    b, t = table.shape
    blocks, treated = there.sum(axis=1), there.sum(axis=0)
    pairs = (there.T.astype(int) @ there.astype(int))[np.triu_indices(t, 1)]
    if any(len(np.unique(counts)) > 1 for counts in (blocks, treated, pairs)):
        raise EvidenceError("table", table.shape, "The plan is not balanced: use the test for any gaps instead.")
    k, r, together = int(blocks[0]), int(treated[0]), int(pairs[0])
    ranks = _ranks_with_gaps(table)
    sums = np.nansum(ranks, axis=0)
    squares, correction = float(np.nansum(ranks**2)), b * k * (k + 1) ** 2 / 4
    varied = squares - correction
    chi2 = (t - 1) * (float((sums**2).sum()) - r * correction) / varied if varied > 1e-9 else 0.0
    degrees = (t - 1, b * k - b - t + 1)
    rest = b * (k - 1) - chi2
    f = chi2 / (t - 1) / (rest / degrees[1]) if rest > 1e-9 and degrees[1] > 0 else None
    p_f = None if f is None else float(fdtrc(*degrees, f))
    return Durbin(
        t, b, k, r, together, tuple(map(float, sums)), squares, correction, chi2, t - 1, float(chdtrc(t - 1, chi2)), f, degrees, p_f
    )


def _ranks_with_gaps(table: Array) -> Array:
    ranks = np.full(table.shape, np.nan)
    for i, row in enumerate(table):
        here = ~np.isnan(row)
        if here.any():
            ranks[i, here] = _ranks(row[here][None, :])[0]
    return ranks


@dataclass(frozen=True, slots=True)
class SkillingsMack:
    """weighted_sums : per treatment, of ranks centred in their block; df = treatments that can be compared, less one."""

    weighted_sums: tuple[float, ...]
    chi2: float
    df: int
    p: float


def skillings_mack(table: Array) -> SkillingsMack:
    """Friedman's test for any gaps (NaN); blocks with one value drop out. Equal to Friedman on a full table without ties."""
    from scipy.special import chdtrc

    table = table[(~np.isnan(table)).sum(axis=1) >= 2]
    there = (~np.isnan(table)).astype(float)
    size = there.sum(axis=1)
    centred = np.nan_to_num(_ranks_with_gaps(table) - (size[:, None] + 1) / 2)
    sums = (np.sqrt(12.0 / (size + 1))[:, None] * centred).sum(axis=0)
    covariance = -(there.T @ there)
    np.fill_diagonal(covariance, 0.0)
    np.fill_diagonal(covariance, -covariance.sum(axis=1))
    df = int(np.linalg.matrix_rank(covariance))
    chi2 = float(sums @ np.linalg.pinv(covariance) @ sums)
    return SkillingsMack(tuple(map(float, sums)), chi2, df, float(chdtrc(df, chi2)) if df else 1.0)


def agreement(evidence: Evidence, attribute: str) -> Agreement | None:
    """From each driver's mean mark per variant. None with fewer than two drivers who rated the same two variants."""
    table = _mean_marks(evidence, attribute)
    if table is None:
        return None
    test = friedman(table)
    p = test.p if test.p_exact is None else test.p_exact
    how = "" if test.p_exact is None else ", exact"
    alike = "alike" if test.w >= 0.7 else "with little in common" if test.w <= 0.3 else "partly alike"  # common practice, no source
    drivers, variants = table.shape
    sentence = (
        f"On {attribute}, {count(drivers, 'driver')} rank {count(variants, 'variant')} {alike}: "
        f"Kendall's W {test.w:.2f} (1 = the same order, 0 = no common order; p {probability(p)}{how})."
    )
    return Agreement(attribute, drivers, round(test.chi2, 6), round(p, 6), round(test.w, 6), sentence)


def _mean_marks(evidence: Evidence, attribute: str) -> Array | None:
    """(drivers, variants), without gaps: drivers who rated every variant; if they are too few, variants rated by everybody."""
    distance = evidence.question.scales[attribute].kind == "ideal_zero"
    marks: dict[str, dict[str, list[float]]] = {}
    for m in usable_marks(evidence.marks, attribute):
        own = marks.setdefault(m.driver, {}).setdefault(m.variant, [])
        own.append(abs(m.rating or 0.0) if distance else m.rating or 0.0)
    rated = {driver: own for driver, own in sorted(marks.items()) if len(own) >= 2}
    variants = [v for v in evidence.question.variants if any(v in own for own in rated.values())]
    complete = [own for own in rated.values() if len(own) == len(variants)]
    if len(complete) < 2:
        variants = [v for v in variants if all(v in own for own in rated.values())]
        complete = list(rated.values())
    if len(complete) < 2 or len(variants) < 2:
        return None
    return np.array([[round(float(np.mean(own[v])), 9) for v in variants] for own in complete])
