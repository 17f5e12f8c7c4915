"""The normal linear mixed model without priors: maximum likelihood and REML, crossed random intercepts and slopes.

    y = X b + sum_k Z_k u_k + e,   u_k ~ N(0, s^2 T_k T_k') for each level of grouping factor k,   e ~ N(0, s^2)

This is how the lap model's likelihood is checked against the outside; the product itself always adds priors
(`lap_model`). The deviance is profiled over b and s and minimised over the entries of the lower triangular T_k.
Source: Bates, Maechler, Bolker & Walker (2015), J. Stat. Software 67(1), for the profiled deviance, from memory,
checked on the reference cases.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from app.evidence.links import Array, IntArray

_BOUNDARY_DEVIANCE = 1e-6  # a random effect that buys less deviance than this is reported as 0
_MOST_ROUNDS = 6


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Estimates of one fit. Shapes: fixed, fixed_se, t (p,); per random term: re_sd (m,), re_cor (m, m), re_modes (L, m).

    criterion : the deviance, -2 log-likelihood, restricted where `reml`;  log_lik = -criterion / 2
    m         : 1 for an intercept, 2 for an intercept with a slope;  singular : some random effect has no spread
    """

    n: int
    reml: bool
    criterion: float
    log_lik: float
    fixed: Array
    fixed_se: Array
    t: Array
    re_sd: tuple[Array, ...]
    re_cor: tuple[Array, ...]
    residual_sd: float
    re_modes: tuple[Array, ...]
    singular: bool
    fixed_names: tuple[str, ...] = ()
    group_names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Problem:
    y: Array
    x: Array
    z: Array  # (n, q), terms side by side, a term's levels in order, intercept and slope of a level side by side
    levels: tuple[int, ...]
    widths: tuple[int, ...]
    zz: Array
    zx: Array
    xx: Array
    reml: bool
    free: tuple[bool, ...]  # which entries of theta are sought; the others stay 0


@dataclass(frozen=True, slots=True)
class _Solution:
    deviance: float
    fixed: Array
    covariance: Array  # of fixed, in units of s^2
    modes: Array  # (q,) random effects
    s2: float


def fit_linear(
    y: Sequence[float] | Array,
    x: Array,
    groups: Sequence[Sequence[int] | IntArray] = (),
    *,
    slopes: Sequence[Array | None] = (),
    reml: bool = True,
    fixed_names: Sequence[str] = (),
    group_names: Sequence[str] = (),
) -> LinearFit:
    """Fit by REML, or by maximum likelihood.

    y      : (n,);  x : (n, p) fixed columns, the intercept among them, of full rank
    groups : K arrays (n,) of level numbers 0..L_k-1
    slopes : per grouping factor a column (n,) whose slope varies with the intercept, correlated, or None; () = none
    Raises ValueError for shapes that do not fit, figures that are not finite, or fixed columns that span each other.
    """
    problem = _problem(np.asarray(y, dtype=float), np.asarray(x, dtype=float), groups, slopes, reml)
    theta = _search(problem, _start(problem))
    theta, problem = _at_boundary(problem, theta)
    found = _solve(problem, theta)
    sds, cors = [], []
    for factor in _factors(problem, theta):
        covariance = found.s2 * factor @ factor.T
        sd = np.sqrt(np.diag(covariance))
        safe = np.where(sd > 0, sd, 1.0)
        sds.append(sd)
        cors.append(covariance / np.outer(safe, safe))
    ends = np.cumsum([n * m for n, m in zip(problem.levels, problem.widths, strict=True)])[:-1]
    modes = np.split(found.modes, ends) if problem.levels else []
    se = np.sqrt(found.s2 * np.diag(found.covariance))
    return LinearFit(
        n=len(problem.y), reml=reml, criterion=found.deviance, log_lik=-0.5 * found.deviance, fixed=found.fixed,
        fixed_se=se, t=found.fixed / se, re_sd=tuple(sds), re_cor=tuple(cors), residual_sd=math.sqrt(found.s2),
        re_modes=tuple(mode.reshape(-1, m) for mode, m in zip(modes, problem.widths, strict=True)),
        singular=any(abs(np.diag(factor)).min() < 1e-5 for factor in _factors(problem, theta)),
        fixed_names=tuple(fixed_names), group_names=tuple(group_names),
    )  # fmt: skip


def _problem(
    y: Array, x: Array, groups: Sequence[Sequence[int] | IntArray], slopes: Sequence[Array | None], reml: bool
) -> _Problem:
    n = len(y)
    if x.ndim != 2 or len(x) != n or not np.isfinite(x).all() or not np.isfinite(y).all():
        raise ValueError("`y` (n,) and `x` (n, p) must be finite and of one length.")
    if np.linalg.matrix_rank(x) < x.shape[1] or n <= x.shape[1]:
        raise ValueError("`x` must have full rank and fewer columns than rows.")
    along = list(slopes) or [None] * len(groups)
    if len(along) != len(groups) or any(len(g) != n for g in groups):
        raise ValueError("`groups` must have one level per row of `y`, and `slopes` one entry per group.")
    blocks, levels, widths = [np.zeros((n, 0))], [], []
    for group, slope in zip(groups, along, strict=True):
        codes = np.asarray(group, dtype=np.int64)
        basis = np.ones((n, 1)) if slope is None else np.column_stack([np.ones(n), np.asarray(slope, dtype=float)])
        levels.append(int(codes.max()) + 1)
        widths.append(basis.shape[1])
        block = np.zeros((n, levels[-1], widths[-1]))
        block[np.arange(n), codes] = basis
        blocks.append(block.reshape(n, -1))
    z = np.hstack(blocks)
    entries = sum(m * (m + 1) // 2 for m in widths)
    return _Problem(y, x, z, tuple(levels), tuple(widths), z.T @ z, z.T @ x, x.T @ x, reml, (True,) * entries)


def _factors(problem: _Problem, theta: Array) -> list[Array]:
    """T_k of each term, from its lower triangle read row by row."""
    found, place = [], 0
    for m in problem.widths:
        size = m * (m + 1) // 2
        factor = np.zeros((m, m))
        factor[np.tril_indices(m)] = theta[place : place + size]
        found.append(factor)
        place += size
    return found


def _solve(problem: _Problem, theta: Array) -> _Solution:
    """The profiled deviance at theta and the estimates there."""
    q, n, p = problem.z.shape[1], len(problem.y), problem.x.shape[1]
    scale = np.zeros((q, q))
    place = 0
    for count, factor in zip(problem.levels, _factors(problem, theta), strict=True):
        size = count * len(factor)
        scale[place : place + size, place : place + size] = np.kron(np.eye(count), factor)
        place += size
    inner = np.linalg.cholesky(scale.T @ problem.zz @ scale + np.eye(q))
    across = np.linalg.solve(inner, scale.T @ problem.zx)
    moment = np.linalg.solve(inner, scale.T @ (problem.z.T @ problem.y))
    outer = problem.xx - across.T @ across
    fixed = np.linalg.solve(outer, problem.x.T @ problem.y - across.T @ moment)
    spherical = np.linalg.solve(inner.T, moment - across @ fixed)
    modes = scale @ spherical
    residual = problem.y - problem.x @ fixed - problem.z @ modes
    squares = max(float(residual @ residual + spherical @ spherical), 1e-300)
    freedom = n - p if problem.reml else n
    deviance = 2.0 * float(np.log(np.diag(inner)).sum()) + freedom * (1.0 + math.log(2.0 * math.pi * squares / freedom))
    if problem.reml:
        deviance += float(np.linalg.slogdet(outer)[1])
    return _Solution(deviance, fixed, np.linalg.inv(outer), modes, squares / freedom)


def _start(problem: _Problem) -> Array:
    return np.concatenate([np.eye(m)[np.tril_indices(m)] for m in problem.widths] or [np.zeros(0)])


def _search(problem: _Problem, start: Array) -> Array:
    """Theta at the least deviance. The deviance does not know the sign of a column of T, so no bounds are needed."""
    from scipy.optimize import minimize

    free = np.array(problem.free, dtype=bool)
    best = np.where(free, start, 0.0)
    if not free.any():
        return best

    def deviance(values: Array) -> float:
        theta = np.zeros(len(free))
        theta[free] = values
        return _solve(problem, theta).deviance

    value = deviance(best[free])
    for _ in range(_MOST_ROUNDS):  # a simplex that shrank too early starts again from where it stopped
        options = {"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000, "maxfev": 4000}
        result = minimize(deviance, best[free], method="Nelder-Mead", options=options)
        gained, value = value - result.fun, min(value, float(result.fun))
        best[free] = result.x
        if gained < 1e-9:
            break
    return best


def _at_boundary(problem: _Problem, theta: Array) -> tuple[Array, _Problem]:
    """Each term is set to 0 where that costs no deviance; the rest is sought again without it."""
    place = 0
    for m in problem.widths:
        size = m * (m + 1) // 2
        mask = np.array(problem.free)
        mask[place : place + size] = False
        without = replace(problem, free=tuple(bool(free) for free in mask))
        place += size
        if _solve(problem, np.where(mask, theta, 0.0)).deviance > _solve(problem, theta).deviance + 0.1:
            continue  # far from the boundary: no need to search again
        trial = _search(without, theta)
        if _solve(without, trial).deviance <= _solve(problem, theta).deviance + _BOUNDARY_DEVIANCE:
            problem, theta = without, trial
    return theta, problem
