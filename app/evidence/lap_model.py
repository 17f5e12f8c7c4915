"""Run values to differences between variants: the second stage of the lap model, exact given four SDs.

    value = mu + beta_variant + driver + session + (driver, session) + drift_session(t) + g + h + run
    drift_session(t) = (c + c_s)(t - .5) + (q + q_s)(t - .5)^2,  t hours;   Var(run) = SE^2 + SD_run^2

in percent of a lap, where less is faster. The priors of sessions are about each session's own mean, so that a day on a
longer track is only a day on a longer track. g (driver x variant) and h (session x variant) keep one driver's or one day's
opinion from being counted once per run. Everything is normal given z = (SD_run, driver x session, g, h), so the
posterior and its evidence are closed forms; the four SDs are integrated over the 16 + 32 fixed points of `nested`.
Runs of equally many laps have one weight, so the cost grows with the number of coefficients, hardly with runs.
Source: normal linear model with known variances, textbook; priors: ours, chosen on simulated programmes.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.evidence.links import Array, IntArray
from app.evidence.mixture import Mixture
from app.evidence.nested import fixed_points, matched, normal

_FIRST, _SECOND = 16, 32
_LEAST_SD = 1e-3


@dataclass(frozen=True, slots=True)
class LapPriors:
    """Default priors in percent. common practice, no source: chosen on simulated programmes.

    drift, curve : (mean, SD) of c per hour and q per hour^2;  own_* : SDs of a session's own drift
    log_* are (centre, spread) of a log-normal SD; half_* the scale of a half-normal SD; the rest are normal SDs
    """

    mu: float = 20.0
    beta: float = 1.0
    driver: float = 5.0
    session: float = 3.0
    drift: tuple[float, float] = (-0.6, 1.0)
    curve: tuple[float, float] = (0.0, 0.7)
    own_drift: float = 1.0
    own_curve: float = 0.7
    other: float = 1.0
    kappa: float = 0.6
    log_run: tuple[float, float] = (0.3, 0.5)
    log_driver_session: tuple[float, float] = (0.4, 0.6)
    half_driver_variant: float = 0.25
    half_session_variant: float = 0.15


LAP_PRIORS = LapPriors()


@dataclass(frozen=True, slots=True, eq=False)
class LapRows:
    """What is fitted, one entry per run value. All codes start at 0; variant 0 is the control.

    value, se : (n,) percent;  variant, driver, session : (n,) int;  hours : (n,), 0.5 where the clock is not known
    others    : (n, E) indicators of other parts that changed;  kind : (n,) condition class, -1 = none that is modelled
    """

    value: Array
    se: Array
    variant: IntArray
    driver: IntArray
    session: IntArray
    hours: Array
    others: Array
    kind: IntArray
    n_variants: int
    n_drivers: int
    n_sessions: int
    n_kinds: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class LapPosterior:
    """The posterior at its K points, in percent of a lap (less is faster), and every difference that is reported.

    means (K, P), precision (K, P, P);  first : term -> its first coefficient
    run_sd, cell_sd, session_variant_sd : (K,), the last per level where there are more than two variants
    answers : ('population', i), ('panel', i), ('own', i, d), ('between', i, j), ('within', i, k), ('depends', i, k)
              for rivals i, j from 1, drivers d and condition classes k from 0
    """

    weights: Array
    means: Array
    precision: Array
    first: dict[str, int]
    run_sd: Array
    cell_sd: Array
    session_variant_sd: Array
    answers: dict[tuple, Mixture]


@dataclass(frozen=True, slots=True, eq=False)
class _Term:
    name: str
    columns: Array  # (n, size)
    sd: float | str  # a number, or the name of one of the four SDs
    mean: float = 0.0


def fit_run_values(
    rows: LapRows, priors: LapPriors = LAP_PRIORS, points: tuple[int, int] | None = None
) -> LapPosterior:
    """The posterior of every difference; never NaN, whatever the rows (also with none)."""
    terms = _terms(rows, priors)
    days = np.maximum(np.bincount(rows.session, minlength=rows.n_sessions), 1)
    centre = np.bincount(rows.session, rows.value, rows.n_sessions) / days
    solve = _solver(rows, terms, rows.value - centre[rows.session], priors)
    z, weights, (means, precision) = _two_rounds(solve, *(points or (_FIRST, _SECOND)))
    keep = weights > 1e-12
    z, weights, means, precision = z[keep], weights[keep] / weights[keep].sum(), means[keep], precision[keep]
    first = _places(terms)
    names, vectors = _contrasts(rows, first, means.shape[1])
    solved = np.linalg.solve(precision, np.broadcast_to(vectors.T, (len(z), *vectors.T.shape)))
    sds = np.sqrt(np.maximum((vectors.T * solved).sum(axis=1), 1e-12))
    middles = means @ vectors.T
    means[:, first["session"] : first["session"] + rows.n_sessions] += centre
    answers = {name: Mixture(weights, middles[:, i], sds[:, i]) for i, name in enumerate(names)}
    sd = _four_sds(z, priors, rows.n_variants)
    return LapPosterior(weights, means, precision, first, sd["run"], sd["cell"], sd["h"], answers)


def _four_sds(z: Array, priors: LapPriors, n_variants: int) -> dict[str, Array]:
    """(H,) each. With more than two variants g and h have one deviation per level, so that a difference has the SD."""
    from scipy.special import ndtr

    half = normal(0.5 * (1.0 + np.clip(ndtr(z[:, 2:]), 1e-12, 1 - 1e-12)))
    share = 1.0 if n_variants == 2 else math.sqrt(0.5)
    return {
        "run": priors.log_run[0] * np.exp(priors.log_run[1] * z[:, 0]),
        "cell": priors.log_driver_session[0] * np.exp(priors.log_driver_session[1] * z[:, 1]),
        "g": np.maximum(share * priors.half_driver_variant * half[:, 0], _LEAST_SD),
        "h": np.maximum(share * priors.half_session_variant * half[:, 1], _LEAST_SD),
    }


def _one_hot(codes: IntArray, size: int, value: Array | float = 1.0) -> Array:
    """(n, size) with `value` in each row's own column; a code of -1 has none."""
    found = np.zeros((len(codes), size))
    here = np.flatnonzero(codes >= 0)
    found[here, codes[here]] = np.broadcast_to(value, codes.shape)[here]
    return found


def _terms(rows: LapRows, priors: LapPriors) -> list[_Term]:
    cells = rows.driver * rows.n_sessions + rows.session
    used = np.unique(cells)
    t = rows.hours - 0.5
    terms = [
        _Term("mu", np.ones((len(t), 1)), priors.mu),
        _Term("beta", _one_hot(rows.variant - 1, rows.n_variants - 1), priors.beta),
        _Term("driver", _one_hot(rows.driver, rows.n_drivers), priors.driver),
        _Term("session", _one_hot(rows.session, rows.n_sessions), priors.session),
        _Term("cell", _one_hot(np.searchsorted(used, cells), len(used)), "cell"),
        _Term("drift", t[:, None], priors.drift[1], priors.drift[0]),
        _Term("curve", t[:, None] ** 2, priors.curve[1], priors.curve[0]),
        _Term("own_drift", _one_hot(rows.session, rows.n_sessions, t), priors.own_drift),
        _Term("own_curve", _one_hot(rows.session, rows.n_sessions, t * t), priors.own_curve),
    ]
    if rows.n_variants == 2:
        half = rows.variant.astype(np.float64) - 0.5
        terms.append(_Term("g", _one_hot(rows.driver, rows.n_drivers, half), "g"))
        terms.append(_Term("h", _one_hot(rows.session, rows.n_sessions, half), "h"))
    else:
        v = rows.n_variants
        terms.append(_Term("g", _one_hot(rows.driver * v + rows.variant, rows.n_drivers * v), "g"))
        terms.append(_Term("h", _one_hot(rows.session * v + rows.variant, rows.n_sessions * v), "h"))
    terms.append(_Term("other", rows.others, priors.other))
    return terms + (_class_terms(rows, priors) if rows.n_kinds > 1 else [])


def _class_terms(rows: LapRows, priors: LapPriors) -> list[_Term]:
    """A level per class, and per rival how its gain differs: +-1/2 of one deviation, or one deviation per class."""
    by_class = _one_hot(rows.kind, rows.n_kinds)
    terms = [_Term("kind", by_class, priors.session)]
    if rows.n_kinds == 2:
        coded, sd = by_class @ np.array([[-0.5], [0.5]]), priors.kappa
    else:
        coded, sd = by_class, priors.kappa * math.sqrt(0.5)
    rivals = [coded * (rows.variant == rival)[:, None] for rival in range(1, rows.n_variants)]
    return [*terms, _Term("kappa", np.hstack(rivals), sd)]


def _places(terms: list[_Term]) -> dict[str, int]:
    """First coefficient of each term."""
    ends = np.cumsum([term.columns.shape[1] for term in terms])
    return {term.name: int(end) - term.columns.shape[1] for term, end in zip(terms, ends, strict=True)}


def _solver(
    rows: LapRows, terms: list[_Term], y: Array, priors: LapPriors
) -> Callable[[Array], tuple[Array, Array, Array]]:
    """z (H, 4) -> log evidence (H,) up to a constant, means (H, P) and precisions (H, P, P)."""
    x = np.hstack([term.columns for term in terms])
    start = np.concatenate([np.full(term.columns.shape[1], term.mean) for term in terms])
    off = y - x @ start
    levels, level = np.unique(np.round(rows.se**2, 12), return_inverse=True)
    counts = np.bincount(level, minlength=len(levels))
    size = x.shape[1]
    gram, moment, square = np.zeros((len(levels), size * size)), np.zeros((len(levels), size)), np.zeros(len(levels))
    for k in range(len(levels)):
        own, away = x[level == k], off[level == k]
        gram[k], moment[k], square[k] = (own.T @ own).ravel(), own.T @ away, away @ away

    def solve(z: Array) -> tuple[Array, Array, Array]:
        sds = _four_sds(z, priors, rows.n_variants)
        inverse = 1.0 / (levels + sds["run"][:, None] ** 2)  # (H, K)
        prior = np.empty((len(z), size))
        place = 0
        for term in terms:
            sd = sds[term.sd] if isinstance(term.sd, str) else np.full(len(z), term.sd)
            prior[:, place : place + term.columns.shape[1]] = (sd**-2.0)[:, None]
            place += term.columns.shape[1]
        precision = (inverse @ gram).reshape(len(z), size, size)
        precision[:, np.arange(size), np.arange(size)] += prior
        right = inverse @ moment
        shift = np.linalg.solve(precision, right[..., None])[..., 0]
        misfit = inverse @ square - (right * shift).sum(axis=1)
        log_det = np.linalg.slogdet(precision)[1]
        evidence = np.log(inverse) @ counts + np.log(prior).sum(axis=1) - log_det - misfit
        return 0.5 * evidence, start + shift, precision

    return solve


def _two_rounds(
    solve: Callable[[Array], tuple[Array, Array, Array]], first: int, second: int
) -> tuple[Array, Array, tuple[Array, Array]]:
    """Points z (K, 4), weights (K,), and means with precisions there; the scheme of `nested.fit_ratings`."""
    uniform = fixed_points(first + second)
    z1 = normal(uniform[:first])
    evidence1, means1, precision1 = solve(z1)
    centre, spread = matched(z1, evidence1)
    z2 = centre + spread * normal(uniform[first:])
    evidence2, means2, precision2 = solve(z2)
    z = np.vstack([z1, z2])
    log_prior = -0.5 * (z * z).sum(axis=1)
    log_second = -0.5 * (((z - centre) / spread) ** 2).sum(axis=1) - np.log(spread).sum()
    log_proposal = np.logaddexp(np.log(first) + log_prior, np.log(second) + log_second)
    log_weight = np.concatenate([evidence1, evidence2]) + log_prior - log_proposal
    weights = np.exp(log_weight - log_weight.max())
    return z, weights / weights.sum(), (np.vstack([means1, means2]), np.concatenate([precision1, precision2]))


def _contrasts(rows: LapRows, first: dict[str, int], size: int) -> tuple[list[tuple], Array]:
    """Names and coefficient vectors (C, P) of every difference that is reported."""
    unit, names, vectors = np.eye(size), [], []
    v, drivers = rows.n_variants, range(rows.n_drivers)
    beta = {rival: unit[first["beta"] + rival - 1] for rival in range(1, v)}
    for rival in range(1, v):
        own = []
        for d in drivers:
            if v == 2:
                own.append(beta[rival] + unit[first["g"] + d])
            else:
                own.append(beta[rival] + unit[first["g"] + d * v + rival] - unit[first["g"] + d * v])
        names += [("population", rival), ("panel", rival), *(("own", rival, d) for d in drivers)]
        vectors += [beta[rival], np.mean(own, axis=0) if own else beta[rival], *own]
        for other in range(rival + 1, v):
            names.append(("between", rival, other))
            vectors.append(beta[rival] - beta[other])
        for k, deviation in enumerate(_deviations(rows, first, unit, rival)):
            names += [("within", rival, k), ("depends", rival, k)]
            vectors += [beta[rival] + deviation, deviation - np.mean(_deviations(rows, first, unit, rival), axis=0)]
    return names, np.array(vectors)


def _deviations(rows: LapRows, first: dict[str, int], unit: Array, rival: int) -> list[Array]:
    """How one rival's difference departs from beta in each condition class; empty without classes."""
    if rows.n_kinds < 2:
        return []
    if rows.n_kinds == 2:
        kappa = unit[first["kappa"] + rival - 1]
        return [-0.5 * kappa, 0.5 * kappa]
    place = first["kappa"] + (rival - 1) * rows.n_kinds
    return [unit[place + k] for k in range(rows.n_kinds)]
