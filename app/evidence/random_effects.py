"""Random intercepts integrated out of a cumulative model: Laplace for several factors, quadrature for one."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.evidence.links import FAR, Array, IntArray, Interval

_STRAYED = 1e4  # standardised columns: no likelihood worth maximising has its maximum out there


@dataclass(slots=True)
class Problem:
    """Rows, columns and factors of one model; `u` keeps the last inner mode, the next start."""

    y: IntArray  # 0..J-1
    x: Array
    groups: list[IntArray]
    levels: list[int]
    link: Callable[[Array, Array], Interval]
    nodes: int
    n_thresholds: int
    u: Array

    def rows(self, thresholds: Array, eta: Array) -> Interval:
        padded = np.concatenate(([-FAR], thresholds, [FAR]))
        lower = np.where(self.y == 0, -FAR, padded[self.y] - eta)
        upper = np.where(self.y == self.n_thresholds, FAR, padded[self.y + 1] - eta)
        return self.link(lower, upper)


def with_factors(problem: Problem, active: list[int]) -> Problem:
    """The same rows with only the named grouping factors."""
    return Problem(
        problem.y,
        problem.x,
        [problem.groups[k] for k in active],
        [problem.levels[k] for k in active],
        problem.link,
        problem.nodes if active else 1,
        problem.n_thresholds,
        np.zeros(0),
    )


def _inner_diagonal(problem: Problem, thresholds: Array, fixed: Array, sd: float) -> tuple[Array, Array]:
    """Mode and curvature of each level's random effect; one factor, so levels are independent."""
    group, levels = problem.groups[0], problem.levels[0]
    u = problem.u if problem.u.shape == (levels,) else np.zeros(levels)

    def at(u: Array) -> tuple[Array, Interval]:
        rows = problem.rows(thresholds, fixed + sd * u[group])
        return np.bincount(group, rows.logp, levels) - 0.5 * u * u, rows

    value, rows = at(u)
    for _ in range(50):
        score = -sd * np.bincount(group, rows.d_upper + rows.d_lower, levels) - u
        curve = 1.0 - sd * sd * np.bincount(group, rows.h_upper + 2 * rows.h_cross + rows.h_lower, levels)
        step = score / curve
        if np.abs(step).max() < 1e-10:
            break
        trial, rows = at(u + step)
        worse = trial < value - 1e-10
        while worse.any():
            step = np.where(worse, step / 2, step)
            trial, rows = at(u + step)
            worse = (trial < value - 1e-10) & (np.abs(step) > 1e-12)
        u, value = u + step, trial
    curve = 1.0 - sd * sd * np.bincount(group, rows.h_upper + 2 * rows.h_cross + rows.h_lower, levels)
    problem.u = u
    return u, np.asarray(curve, dtype=np.float64)


def _inner_dense(problem: Problem, thresholds: Array, fixed: Array, sds: Array) -> tuple[Array, float, float]:
    """Mode of all crossed random effects, the log joint there, and log|curvature|."""
    offsets = np.concatenate([[0], np.cumsum(problem.levels)])
    q = int(offsets[-1])
    z = np.zeros((len(problem.y), q))
    for k, group in enumerate(problem.groups):
        z[np.arange(len(group)), offsets[k] + group] = sds[k]
    u = problem.u if problem.u.shape == (q,) else np.zeros(q)

    def at(u: Array) -> tuple[float, Interval]:
        rows = problem.rows(thresholds, fixed + z @ u)
        return float(rows.logp.sum() - 0.5 * u @ u), rows

    def curvature(rows: Interval) -> Array:
        return np.eye(q) - (z.T * (rows.h_upper + 2 * rows.h_cross + rows.h_lower)) @ z

    value, rows = at(u)
    for _ in range(50):
        step = np.linalg.solve(curvature(rows), -z.T @ (rows.d_upper + rows.d_lower) - u)
        if np.abs(step).max() < 1e-10:
            break
        trial, rows = at(u + step)
        while trial < value - 1e-10 and np.abs(step).max() > 1e-12:
            step = step / 2
            trial, rows = at(u + step)
        u, value = u + step, trial
    problem.u = u
    return u, value, float(np.linalg.slogdet(curvature(rows))[1])


def marginal(problem: Problem, thresholds: Array, beta: Array, sds: Array) -> float:
    """Log-likelihood with the random effects integrated out; -inf where a search has strayed beyond all sense."""
    values = np.concatenate([thresholds, beta, sds])
    if not np.isfinite(values).all() or (np.diff(thresholds) <= 0).any() or np.abs(values).max() > _STRAYED:
        return -np.inf
    with np.errstate(all="ignore"):
        found = _integrated(problem, thresholds, problem.x @ beta, sds)
    if not np.isfinite(found):
        problem.u = np.zeros(0)  # a broken mode must not be the next start
        return -np.inf
    return found


def _integrated(problem: Problem, thresholds: Array, fixed: Array, sds: Array) -> float:
    if len(problem.groups) != 1:
        _, value, log_det = _inner_dense(problem, thresholds, fixed, sds)
        return value - 0.5 * log_det
    group, levels = problem.groups[0], problem.levels[0]
    mode, curve = _inner_diagonal(problem, thresholds, fixed, float(sds[0]))
    nodes, weights = np.polynomial.hermite.hermgauss(problem.nodes)
    terms = np.empty((problem.nodes, levels))
    for k, (node, weight) in enumerate(zip(nodes, weights, strict=True)):
        u = mode + np.sqrt(2.0 / curve) * node
        logp = problem.rows(thresholds, fixed + sds[0] * u[group]).logp
        terms[k] = np.bincount(group, logp, levels) - 0.5 * u * u + node * node + np.log(weight / np.sqrt(np.pi))
    return float(np.logaddexp.reduce(terms, axis=0).sum() - 0.5 * np.log(curve).sum())
