"""Paired comparisons by plain maximum likelihood: Bradley & Terry (1952) and, with ties, Davidson (1970).

P(i beats j) = pi_i / (pi_i + pi_j + nu sqrt(pi_i pi_j)), a tie takes the nu term; without ties nu = 0. Here to check
ours against outside fits, and for tables that come without drivers. The product itself uses the hierarchical probit of
`preferences`: it stays finite when everybody prefers the same part, and does not count one driver's taste many times.
Sources: from memory; checked against R's glm fits in the reference cases.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.evidence.links import Array
from app.evidence.refusals import EvidenceError


@dataclass(frozen=True, slots=True)
class Comparison:
    """What happened between two items; halves are allowed (a tie split in two). `tied` is for `davidson` only."""

    first: str
    second: str
    first_won: float
    second_won: float
    tied: float = 0.0


@dataclass(frozen=True, slots=True)
class PairedFit:
    """Log abilities against the reference (0 for it, not listed) with standard errors; logs throughout.

    extra : log nu (davidson), the advantage of the first item (bradley_terry with `first_advantage`), else None
    log_lik_kernel : sum of counts x log probabilities;  log_lik : with the binomial or multinomial coefficients
    deviance, df_residual : against one free probability per pair as given
    """

    reference: str
    ability: dict[str, float]
    se: dict[str, float]
    extra: float | None
    extra_se: float | None
    log_lik_kernel: float
    log_lik: float
    deviance: float
    df_residual: int


def why_no_estimate(comparisons: Sequence[Comparison]) -> str:
    """'' where the maximum-likelihood estimate exists, else why not.

    It exists if and only if every item can be reached from every other along wins (Ford 1957); a tie counts both ways.
    """
    from scipy.sparse.csgraph import connected_components

    items = _items(comparisons)
    beats = np.zeros((len(items), len(items)))
    for c in comparisons:
        i, j = items.index(c.first), items.index(c.second)
        beats[i, j] += c.first_won + c.tied
        beats[j, i] += c.second_won + c.tied
    if connected_components(beats, connection="strong")[0] == 1:
        return ""
    parts, label = connected_components(beats, connection="weak")
    if parts > 1:
        groups = ["{" + ",".join(v for v, k in zip(items, label, strict=True) if k == part) + "}" for part in range(parts)]
        return f"{' and '.join(groups)} never meet"
    for told, wins in (("never wins", beats.sum(axis=1)), ("never loses", beats.sum(axis=0))):
        if (wins == 0).any():
            return f"{items[int(np.argmax(wins == 0))]} {told}"
    return "one group of items never loses to the others"


def bradley_terry(comparisons: Sequence[Comparison], *, first_advantage: bool = False, reference: str | None = None) -> PairedFit:
    """Without ties (`tied` must be 0). Raises EvidenceError where no estimate exists."""
    if any(c.tied for c in comparisons):
        raise EvidenceError("tied", sum(c.tied for c in comparisons), "Ties need the model with ties.")
    reference, columns = _checked(comparisons, reference)
    design = np.zeros((len(comparisons), 2, len(columns) + first_advantage))
    for i, c in enumerate(comparisons):
        _own(design[i, 0], columns, c.first, 1.0)
        _own(design[i, 1], columns, c.second, 1.0)
    if first_advantage:
        design[:, 0, -1] = 1.0
    counts = np.array([[c.first_won, c.second_won] for c in comparisons])
    return _fit(reference, columns, design, counts)


def davidson(comparisons: Sequence[Comparison], *, reference: str | None = None) -> PairedFit:
    """With ties; the same pair given twice is added up. Raises EvidenceError where no estimate exists."""
    ties, wins = sum(c.tied for c in comparisons), sum(c.first_won + c.second_won for c in comparisons)
    if not ties or not wins:
        raise EvidenceError("tied", ties, "With no tie, or nothing but ties, the share of ties has no finite estimate.")
    comparisons = _pooled(comparisons)
    reference, columns = _checked(comparisons, reference)
    design = np.zeros((len(comparisons), 3, len(columns) + 1))
    for i, c in enumerate(comparisons):
        _own(design[i, 0], columns, c.first, 1.0)
        _own(design[i, 1], columns, c.second, 1.0)
        _own(design[i, 2], columns, c.first, 0.5)
        _own(design[i, 2], columns, c.second, 0.5)
    design[:, 2, -1] = 1.0
    counts = np.array([[c.first_won, c.second_won, c.tied] for c in comparisons])
    return _fit(reference, columns, design, counts)


def _items(comparisons: Sequence[Comparison]) -> list[str]:
    return sorted({c.first for c in comparisons} | {c.second for c in comparisons})


def _pooled(comparisons: Sequence[Comparison]) -> list[Comparison]:
    pooled: dict[tuple[str, str], list[float]] = {}
    for c in comparisons:
        turned = c.first > c.second
        own = (c.second_won, c.first_won, c.tied) if turned else (c.first_won, c.second_won, c.tied)
        total = pooled.setdefault((c.second, c.first) if turned else (c.first, c.second), [0.0, 0.0, 0.0])
        for k in range(3):
            total[k] += own[k]
    return [Comparison(*pair, *total) for pair, total in sorted(pooled.items())]


def _checked(comparisons: Sequence[Comparison], reference: str | None) -> tuple[str, list[str]]:
    items = _items(comparisons)
    if why := why_no_estimate(comparisons):
        raise EvidenceError("comparisons", why, "No maximum-likelihood estimate exists.")
    base = reference if reference is not None else items[0]
    if base not in items:
        raise EvidenceError("reference", base, "It was never compared.")
    return base, [item for item in items if item != base]


def _own(row: Array, columns: list[str], item: str, share: float) -> None:
    if item in columns:
        row[columns.index(item)] += share


def _fit(reference: str, columns: list[str], design: Array, counts: Array) -> PairedFit:
    """Newton with step halving on a multinomial logit: design (n, outcomes, P), counts (n, outcomes)."""
    from scipy.special import gammaln, xlogy

    total = counts.sum(axis=1)
    values = np.zeros(design.shape[2])
    log_p = _log_shares(design @ values)
    for _ in range(100):
        p = np.exp(log_p)
        off = design - np.einsum("no,nop->np", p, design)[:, None, :]
        gradient = np.einsum("no,nop->p", counts - total[:, None] * p, design)
        information = np.einsum("n,no,nop,noq->pq", total, p, off, off)
        step = np.linalg.solve(information, gradient)
        if step @ gradient < 1e-14:
            break
        kernel = (counts * log_p).sum()
        while (counts * _log_shares(design @ (values + step))).sum() < kernel - 1e-10:
            step *= 0.5
        values = values + step
        log_p = _log_shares(design @ values)
    se = np.sqrt(np.diag(np.linalg.inv(information)))
    kernel = float((counts * log_p).sum())
    best = float((xlogy(counts, counts) - xlogy(counts, total[:, None])).sum())
    coefficient = float(gammaln(total + 1).sum() - gammaln(counts + 1).sum())
    extra = len(values) > len(columns)
    played = int((total > 0).sum()) * (design.shape[1] - 1)
    return PairedFit(
        reference,
        dict(zip(columns, map(float, values[: len(columns)]), strict=True)),
        dict(zip(columns, map(float, se[: len(columns)]), strict=True)),
        float(values[-1]) if extra else None,
        float(se[-1]) if extra else None,
        kernel,
        kernel + coefficient,
        2.0 * (best - kernel),
        played - len(values),
    )


def _log_shares(eta: Array) -> Array:
    top = eta.max(axis=1, keepdims=True)
    return eta - top - np.log(np.exp(eta - top).sum(axis=1, keepdims=True))
