"""How a table of marks becomes the coefficients, bounds and index lists of the model with priors."""

from dataclasses import dataclass

import numpy as np

from app.evidence.inputs import Scale
from app.evidence.links import Array, IntArray


@dataclass(frozen=True, slots=True)
class Priors:
    """Default priors, in units of the scale's `unit_r`. common practice, no source: chosen on simulated programmes.

    `log_*` are (centre, spread) of a log-normal SD; `half_*` the scale of a half-normal SD; the rest are normal SDs.
    """

    mu: float = 3.0
    beta: float = 1.0
    driver: float = 1.0
    session: float = 0.5
    drift_per_hour: float = 0.4
    log_noise: tuple[float, float] = (0.9, 0.35)
    log_driver_session: tuple[float, float] = (0.4, 0.6)
    half_driver_variant: float = 0.5
    half_session_variant: float = 0.3
    condition: float = 1.0  # SD of the difference between two condition classes in what a rival gains
    spacing: float = 0.2  # of the scale's step


PRIORS = Priors()


@dataclass(frozen=True, slots=True)
class RatingRows:
    """What is fitted, one entry per run. All codes start at 0; variant 0 is the control.

    y, variant, driver, session : (n,) int;  hours : (n,) since the session's start, or None = order not known
    others : (n, E) indicators of other parts that changed; sizes are given because a variant may have no runs
    """

    y: IntArray
    variant: IntArray
    driver: IntArray
    session: IntArray
    hours: Array | None
    others: Array
    n_variants: int
    n_drivers: int
    n_sessions: int
    condition: IntArray | None = None  # (n,) class of each run, -1 = of no class that can be told apart
    n_conditions: int = 0


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each coefficient sits, and the index lists that scatter row curvatures into Hessians."""

    x: Array  # (n, P) dense, for linear predictors and gradients
    upper: Array  # (n, F) threshold coefficients of the upper and lower bound
    lower: Array
    base_upper: Array  # (n,) constant part of the bounds
    base_lower: Array
    open_upper: Array  # (n,) bool
    open_lower: Array
    mean: Array  # (F + P,) prior mean
    precision: Array  # (F, F) of the free thresholds
    kinds: tuple[tuple[str, int, int], ...]  # (name, first coefficient, count), after the thresholds
    gather: IntArray
    coefficient: Array
    starts: IntArray
    target_row: IntArray
    target_column: IntArray


def _slots(rows: RatingRows) -> tuple[list[tuple[str, int, IntArray, Array]], int]:
    """Per term: name, number of coefficients, each row's coefficient number and value; in a fixed order."""
    n = len(rows.y)
    one, zero = np.ones(n), np.zeros(n, dtype=np.int64)
    cells = rows.driver * rows.n_sessions + rows.session
    used = np.unique(cells)
    slots = [
        ("mu", 1, zero, one),
        ("beta", rows.n_variants - 1, np.maximum(rows.variant - 1, 0), (rows.variant > 0).astype(float)),
        ("driver", rows.n_drivers, rows.driver, one),
        ("session", rows.n_sessions, rows.session, one),
        ("cell", len(used), np.searchsorted(used, cells), one),
    ]
    if rows.n_variants == 2:
        half = rows.variant - 0.5
        slots += [("g", rows.n_drivers, rows.driver, half), ("h", rows.n_sessions, rows.session, half)]
    else:
        slots.append(("g", rows.n_drivers * rows.n_variants, rows.driver * rows.n_variants + rows.variant, one))
        slots.append(("h", rows.n_sessions * rows.n_variants, rows.session * rows.n_variants + rows.variant, one))
    if rows.hours is not None:
        slots.append(("drift", 1, zero, rows.hours - 0.5))
    if rows.condition is not None:
        rival = np.maximum(rows.variant - 1, 0)
        for level in range(rows.n_conditions):  # centred, so that beta stays the mean over classes
            share = (rows.condition == level) - 1.0 / rows.n_conditions
            own = np.where((rows.variant > 0) & (rows.condition >= 0), share, 0.0)
            slots.append((f"kappa{level}", rows.n_variants - 1, rival, own))
    slots += [(f"other{k}", 1, zero, rows.others[:, k]) for k in range(rows.others.shape[1])]
    return slots, sum(count for _, count, _, _ in slots)


def _threshold_map(scale: Scale) -> tuple[Array, Array, Array]:
    """All thresholds = base + matrix @ free, with the middle pinned; and the free values at even spacing.

    An odd number of thresholds has one in the middle; of an even number the two central ones share one free gap.
    """
    count = scale.categories - 1
    even = scale.floor + (np.arange(count) + 0.5) * scale.step
    middle = 0.5 * (even[0] + even[-1])
    free = count - 1
    matrix, base, start = np.zeros((count, free)), np.zeros(count), np.zeros(free)
    position = 0
    for k in range(count):
        if count % 2 == 1 and k == count // 2:
            base[k] = middle
        elif count % 2 == 0 and k in (count // 2 - 1, count // 2):
            base[k] = middle
            matrix[k, count // 2 - 1] = -0.5 if k == count // 2 - 1 else 0.5
            start[count // 2 - 1] = scale.step
            position = count // 2
        else:
            matrix[k, position], start[position] = 1.0, even[k]
            position += 1
    return matrix, base, start


def lay_out(rows: RatingRows, scale: Scale, priors: Priors) -> Layout:
    n = len(rows.y)
    slots, width = _slots(rows)
    matrix, base, start = _threshold_map(scale)
    count, free = matrix.shape
    x = np.zeros((n, width))
    kinds: list[tuple[str, int, int]] = []
    columns: list[tuple[IntArray, Array]] = []
    offset = 0
    for name, size, index, value in slots:
        x[np.arange(n), offset + index] += value
        kinds.append((name, offset, size))
        columns.append((free + offset + index, value))
        offset += size
    open_upper, open_lower = rows.y == count, rows.y == 0
    above, below = np.minimum(rows.y, count - 1), np.maximum(rows.y - 1, 0)
    upper, lower = matrix[above] * ~open_upper[:, None], matrix[below] * ~open_lower[:, None]
    spacing = np.diff(matrix, axis=0) / (priors.spacing * scale.step)
    mean = np.concatenate([start, np.zeros(width)])
    mean[free] = _prior_mean(scale)
    return Layout(
        x, upper, lower, base[above], base[below], open_upper, open_lower, mean, spacing.T @ spacing,
        tuple(kinds), *_scatter(_columns_of(upper), _columns_of(lower), columns, n, free + width),
    )  # fmt: skip


def _prior_mean(scale: Scale) -> float:
    if scale.kind == "ideal_zero":
        return 1.5 * scale.unit_r
    return 0.5 * (scale.lowest + scale.highest) + 0.5 * scale.unit_r


def _columns_of(bound: Array) -> tuple[IntArray, Array]:
    """Each row touches at most one free threshold: its number and coefficient (0 where it touches none)."""
    index = np.abs(bound).argmax(axis=1) if bound.shape[1] else np.zeros(len(bound), dtype=np.int64)
    value = bound[np.arange(len(bound)), index] if bound.shape[1] else np.zeros(len(bound))
    return index, value


def _scatter(
    upper: tuple[IntArray, Array],
    lower: tuple[IntArray, Array],
    columns: list[tuple[IntArray, Array]],
    n: int,
    size: int,
) -> tuple[IntArray, Array, IntArray, IntArray, IntArray]:
    """Which of the five stacked curvature rows (see `_curvatures`) adds to which Hessian entry, sorted by entry.

    Rows touch a handful of coefficients each, so summing these lists beats X'WX by an order of magnitude.
    """
    pairs = [(0, upper, upper), (1, lower, lower), (2, upper, lower)]
    pairs += [(3, upper, column) for column in columns] + [(4, lower, column) for column in columns]
    pairs += [(5, a, b) for i, a in enumerate(columns) for b in columns[: i + 1]]
    source, entry, value = [], [], []
    for kind, (index_a, value_a), (index_b, value_b) in pairs:
        product = value_a * value_b
        if kind == 2:  # both bounds hang on the same free gap: the cross term counts twice
            product = np.where(index_a == index_b, 2.0 * product, product)
        keep = product != 0
        source.append((kind * n + np.arange(n))[keep])
        entry.append((np.maximum(index_a, index_b) * size + np.minimum(index_a, index_b))[keep])
        value.append(product[keep])
    entries = np.concatenate(entry)
    order = np.argsort(entries, kind="stable")
    unique, starts = np.unique(entries[order], return_index=True)
    return np.concatenate(source)[order], np.concatenate(value)[order], starts, unique // size, unique % size
