"""The cumulative-link mixed model by maximum likelihood: no priors, free thresholds.

    P(Y <= j) = F(theta_j - x'beta - sum_k s_k u_k),   u_k ~ N(0, 1) for each level of grouping factor k

This is how the product's likelihood is checked against the outside; the product itself always adds priors (`nested`).
Random effects are integrated by Laplace, or, with one grouping factor, by adaptive Gauss-Hermite quadrature of which
Laplace is the one-node case (Pinheiro & Bates 1995). A single factor makes the inner problem diagonal, so 200
respondents cost no more than 2. Standard errors come from the observed information by central differences.
Sources: McCullagh (1980); Albert & Anderson (1984) for separation; both from memory, checked on the reference cases.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.evidence.differences import central_gradient, central_hessian
from app.evidence.links import LINKS, Array, IntArray, Interval
from app.evidence.random_effects import Problem, marginal, with_factors
from app.evidence.separation import independent_columns, separating_direction

_BOUNDARY_LOGLIK = 1e-6  # a random-effect SD that buys less log-likelihood than this is reported as 0


@dataclass(frozen=True, slots=True)
class OrdinalFit:
    """Estimates of one fit. Shapes: thresholds (J-1,), fixed (p,), re_sd (K,), re_modes K arrays (levels,).

    separated : the likelihood has no maximum; fixed, thresholds and their errors are then empty and `log_lik` is the
                value approached. `diverging` names the fixed columns that run away
    complete  : separated without any tie
    aliased   : fixed columns dropped because earlier ones already span them
    boundary  : per grouping factor, is the SD 0?
    converged : the gradient at the end is small
    """

    n: int
    log_lik: float
    n_par: int
    thresholds: Array
    thresholds_se: Array
    fixed: Array
    fixed_se: Array
    re_sd: Array
    re_modes: tuple[Array, ...]
    boundary: tuple[bool, ...]
    separated: bool
    complete: bool
    diverging: tuple[int, ...]
    aliased: tuple[int, ...]
    converged: bool
    max_abs_gradient: float


def fit_ordinal(
    y: Sequence[int] | IntArray,
    x: Array,
    groups: Sequence[Sequence[int] | IntArray] = (),
    *,
    link: str = "logit",
    nodes: int = 1,
) -> OrdinalFit:
    """Maximum likelihood for ordered categories with crossed random intercepts.

    y      : (n,) categories 0..J-1, every one of them observed
    x      : (n, p) fixed columns without an intercept (the thresholds are the intercept)
    groups : K arrays (n,) of level numbers 0..L_k-1
    link   : 'logit' or 'probit'
    nodes  : quadrature nodes; 1 = Laplace; more need exactly one grouping factor
    Raises ValueError for an unknown link, unused categories, or quadrature over several factors.
    """
    codes = np.asarray(y, dtype=np.int64)
    factors = [np.asarray(g, dtype=np.int64) for g in groups]
    x = np.asarray(x, dtype=float).reshape(len(codes), -1)
    _validate(codes, x, factors, link, nodes)
    kept, aliased = independent_columns(x)
    x = x[:, kept]
    centre, spread = x.mean(axis=0), x.std(axis=0)
    x = (x - centre) / spread  # minutes and indicators alike: the search then meets no steep valley
    direction, complete = separating_direction(codes, x)
    problem = Problem(
        codes, x, factors, [int(g.max()) + 1 for g in factors], LINKS[link], nodes, int(codes.max()), np.zeros(0)
    )
    if direction is not None:
        return _separated_fit(problem, direction, complete, kept, aliased)
    return _regular_fit(problem, aliased, _back_to_raw(problem.n_thresholds, centre, spread))


def _validate(codes: IntArray, x: Array, factors: list[IntArray], link: str, nodes: int) -> None:
    if link not in LINKS:
        raise ValueError(f"`link` must be one of {sorted(LINKS)}, not {link!r}.")
    if len(codes) == 0 or not np.array_equal(np.unique(codes), np.arange(codes.max() + 1)) or codes.max() < 1:
        raise ValueError("`y` must use every category 0..J-1, with at least two of them.")
    if not np.isfinite(x).all():
        raise ValueError("`x` must be finite.")
    if nodes < 1 or (nodes > 1 and len(factors) != 1):
        raise ValueError("`nodes` above 1 needs exactly one grouping factor.")
    if any(len(g) != len(codes) for g in factors):
        raise ValueError("`groups` must have one level per row of `y`.")


def _fit_fixed(problem: Problem, iterations: int = 60) -> tuple[Array, Array, float, Array]:
    """Thresholds, beta, log-likelihood and Hessian without random effects, by Newton with step halving."""
    top, p = problem.n_thresholds, problem.x.shape[1]
    shares = np.cumsum(np.bincount(problem.y, minlength=top + 1))[:-1] / len(problem.y)
    values = np.concatenate([np.log(shares / (1 - shares)), np.zeros(p)])
    one_hot = np.vstack([np.eye(top), np.zeros(top)])
    upper = np.hstack([one_hot[problem.y], -problem.x])
    lower = np.hstack([np.vstack([np.zeros(top), np.eye(top)])[problem.y], -problem.x])

    def log_lik(v: Array) -> tuple[float, Interval | None]:
        if (np.diff(v[:top]) <= 0).any():
            return -np.inf, None
        rows = problem.rows(v[:top], problem.x @ v[top:])
        return float(rows.logp.sum()), rows

    current, rows = log_lik(values)
    hessian = np.eye(top + p)
    for _ in range(iterations):
        assert rows is not None  # the start and every accepted step are ordered
        gradient = upper.T @ rows.d_upper + lower.T @ rows.d_lower
        cross = (upper.T * rows.h_cross) @ lower
        hessian = (upper.T * rows.h_upper) @ upper + (lower.T * rows.h_lower) @ lower + cross + cross.T
        step = np.linalg.lstsq(-hessian + 1e-12 * np.eye(top + p), gradient, rcond=None)[0]
        factor = 1.0
        while factor > 1e-8:
            trial, trial_rows = log_lik(values + factor * step)
            if trial >= current:
                break
            factor /= 2
        if factor <= 1e-8:
            break
        gain, values, current, rows = trial - current, values + factor * step, trial, trial_rows
        if gain < 1e-13 and np.abs(step).max() < 1e-9:
            break
    return values[:top], values[top:], current, hessian


def _maximise(problem: Problem, start: tuple[Array, Array]) -> tuple[Array, float]:
    """The maximum over (thresholds, beta, sds) and its value; the likelihood is even in the SDs, so they may be < 0."""
    from scipy.optimize import minimize

    top, p = problem.n_thresholds, problem.x.shape[1]

    def unpack(v: Array) -> tuple[Array, Array, Array]:
        gaps = np.exp(np.clip(v[1:top], -30, 30))
        return np.concatenate([v[:1], v[0] + np.cumsum(gaps)]), v[top : top + p], v[top + p :]

    def loss(v: Array) -> float:
        return -marginal(problem, *unpack(v))

    def slope(v: Array) -> Array:
        return central_gradient(loss, v)

    gaps = np.log(np.diff(start[0]))
    trials = []
    for sd in (0.1, 0.4, 1.0, 2.0):  # a coarse look first: the likelihood is flat near SD 0
        widen = np.sqrt(1 + 0.3 * sd * sd)
        v = np.concatenate([start[0][:1] * widen, gaps + np.log(widen), start[1] * widen, [sd] * len(problem.groups)])
        trials.append((loss(v), sd, v))
    best = min(trials, key=lambda trial: trial[:2])[2]
    found = minimize(loss, best, jac=slope, method="BFGS", options={"gtol": 1e-5, "maxiter": 200})
    return np.concatenate(unpack(found.x)), -float(found.fun)


def _fit_without_empty_factors(problem: Problem) -> tuple[Array, float, Array, float, list[int]]:
    """Values, log-likelihood, Hessian, largest gradient entry, and the factors whose SD is not 0."""
    thresholds, beta, log_lik, hessian = _fit_fixed(problem)
    values, gradient = np.concatenate([thresholds, beta]), 0.0
    active = list(range(len(problem.groups)))
    while active:
        reduced = with_factors(problem, active)
        values, log_lik_mixed = _maximise(reduced, (thresholds, beta))
        sds = np.abs(values[len(thresholds) + len(beta) :])
        smallest = int(np.argmin(sds))
        rest = [k for i, k in enumerate(active) if i != smallest]
        without = _maximise(with_factors(problem, rest), (thresholds, beta))[1] if rest else log_lik
        if log_lik_mixed - without > _BOUNDARY_LOGLIK:
            values, hessian, log_lik, gradient = _polish(reduced, values)
            break
        active = rest
    if not active:
        values = np.concatenate([thresholds, beta])
    return values, log_lik, hessian, gradient, active


def _regular_fit(problem: Problem, aliased: tuple[int, ...], to_raw: Array) -> OrdinalFit:
    """Maximum, errors and modes where the maximum exists; factors whose SD is 0 are taken out and reported."""
    values, log_lik, hessian, gradient, active = _fit_without_empty_factors(problem)
    factors = len(problem.groups)
    fitted = with_factors(problem, active)
    top, p = problem.n_thresholds, problem.x.shape[1]
    modes = _modes(problem, fitted, values, active)
    covariance = to_raw @ np.linalg.pinv(-hessian, hermitian=True)[: top + p, : top + p] @ to_raw.T
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    sds = np.zeros(factors)
    sds[active] = np.abs(values[top + p :])
    raw = to_raw @ values[: top + p]
    return OrdinalFit(
        n=len(problem.y),
        log_lik=log_lik,
        n_par=top + p + factors,
        thresholds=raw[:top],
        thresholds_se=errors[:top],
        fixed=raw[top:],
        fixed_se=errors[top:],
        re_sd=sds,
        re_modes=modes,
        boundary=tuple(k not in active for k in range(factors)),
        separated=False,
        complete=False,
        diverging=(),
        aliased=aliased,
        converged=gradient < 1e-2,
        max_abs_gradient=gradient,
    )


def _polish(problem: Problem, values: Array) -> tuple[Array, Array, float, float]:
    """Newton steps on the raw parameters; returns values, Hessian, log-likelihood and largest gradient entry."""
    top, p = problem.n_thresholds, problem.x.shape[1]
    gaps = np.full(len(values), np.inf)
    if top > 1:
        between = np.diff(values[:top])
        gaps[:top] = np.minimum(np.append(between, np.inf), np.insert(between, 0, np.inf))

    def log_lik(v: Array) -> float:
        return marginal(problem, v[:top], v[top : top + p], v[top + p :])

    current = log_lik(values)
    for _ in range(2):  # the start is already converged to 1e-5, so two Newton steps reach the last digit
        hessian = central_hessian(log_lik, values, gaps)
        trial = values - np.linalg.solve(hessian, central_gradient(log_lik, values))
        if (reached := log_lik(trial)) < current:
            break
        values, current = trial, reached
    return values, hessian, current, float(np.abs(central_gradient(log_lik, values)).max())


def _modes(problem: Problem, fitted: Problem, values: Array, active: list[int]) -> tuple[Array, ...]:
    """Conditional modes on the scale of the linear predictor; 0 where the SD is 0."""
    modes = [np.zeros(levels) for levels in problem.levels]
    if active:
        top, p = problem.n_thresholds, problem.x.shape[1]
        marginal(fitted, values[:top], values[top : top + p], values[top + p :])
        offset = 0
        for k, sd in zip(active, values[top + p :], strict=True):
            modes[k] = sd * fitted.u[offset : offset + problem.levels[k]]
            offset += problem.levels[k]
    return tuple(modes)


def _back_to_raw(top: int, centre: Array, spread: Array) -> Array:
    """The linear map from (thresholds, beta) of standardised columns to those of the columns as given."""
    size = top + len(centre)
    to_raw = np.eye(size)
    to_raw[top:, top:] = np.diag(1.0 / spread)
    to_raw[:top, top:] = centre / spread
    return to_raw


def _separated_fit(
    problem: Problem, direction: Array, complete: bool, kept: list[int], aliased: tuple[int, ...]
) -> OrdinalFit:
    """No maximum exists: say so, with the log-likelihood approached and no estimate that looks like one."""
    thresholds, beta, log_lik, _ = _fit_fixed(problem, iterations=30)
    if problem.groups:
        log_lik = max(log_lik, _maximise(problem, (thresholds, beta))[1])
    top = problem.n_thresholds
    runaway = np.flatnonzero(np.abs(direction[top:]) > 1e-7)
    empty = np.zeros(0)
    return OrdinalFit(
        n=len(problem.y),
        log_lik=log_lik,
        n_par=top + problem.x.shape[1] + len(problem.groups),
        thresholds=empty,
        thresholds_se=empty,
        fixed=empty,
        fixed_se=empty,
        re_sd=empty,
        re_modes=(),
        boundary=(),
        separated=True,
        complete=complete,
        diverging=tuple(int(kept[j]) for j in runaway),
        aliased=aliased,
        converged=False,
        max_abs_gradient=float("inf"),
    )
