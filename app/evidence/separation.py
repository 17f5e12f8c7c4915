"""When a maximum does not exist: columns spanned by others, and marks that a direction separates."""

import numpy as np

from app.evidence.links import Array, IntArray


def independent_columns(x: Array) -> tuple[list[int], tuple[int, ...]]:
    """Columns not spanned by a constant and the columns before them, in order; and the others."""
    basis = np.ones((len(x), 1)) / np.sqrt(len(x))
    kept: list[int] = []
    for j in range(x.shape[1]):
        column = x[:, j] - basis @ (basis.T @ x[:, j])
        column -= basis @ (basis.T @ column)
        if np.linalg.norm(column) > 1e-8 * max(1.0, float(np.linalg.norm(x[:, j]))):
            basis = np.column_stack([basis, column / np.linalg.norm(column)])
            kept.append(j)
    return kept, tuple(j for j in range(x.shape[1]) if j not in kept)


def separating_direction(codes: IntArray, x: Array) -> tuple[Array | None, bool]:
    """A direction (thresholds, beta) along which no row becomes less likely and some become more so; and: is it strict?

    None when there is none, so that the maximum exists. Found by linear programming over the rows' margins
    (Albert & Anderson 1984 for nominal outcomes, used here for cumulative links; from memory).
    """
    from scipy.optimize import linprog

    n, p = x.shape
    top = int(codes.max())
    thresholds = np.eye(top)
    upper = codes < top
    lower = codes > 0
    margins = np.vstack(
        [np.hstack([thresholds[codes[upper]], -x[upper]]), np.hstack([-thresholds[codes[lower] - 1], x[lower]])]
    )
    if p == 0:
        return None, False
    owner = np.concatenate([np.flatnonzero(upper), np.flatnonzero(lower)])
    scale = np.concatenate([np.ones(top), np.abs(x).max(axis=0)])  # comparable columns
    m = len(margins)
    found = linprog(
        np.concatenate([np.zeros(top + p), -np.ones(m)]),
        A_ub=np.hstack([-margins / scale, np.eye(m)]),
        b_ub=np.zeros(m),
        bounds=[(-1e4, 1e4)] * (top + p) + [(0, 1)] * m,
        method="highs",
    )
    if found.x is None or -found.fun < 1e-6:
        return None, False
    gained = np.zeros(n)
    np.maximum.at(gained, owner, found.x[top + p :])
    return found.x[: top + p] / scale, bool((gained > 1e-6).all())
