"""Forced preferences: after driving both in one session, which of two variants would you race? In rating points.

A choice between a and b sees a latent difference in the points of the rating scale, with noise e ~ N(0, s^2):

    d = (beta_a - beta_b) + g_driver + h_session;   a is preferred when d + e > t, b when d + e < -t, else neither

g and h keep one driver's taste, or one day's, from counting once per choice. The four hyperparameters (s, t and the SDs
of g and h) are integrated over the same 16 + 32 fixed points as the ratings. Given them the posterior is log-concave, so
Newton always arrives; its mode is moved to the mean by the third derivatives, since a choice tells less than a mark and
leaves the posterior skew. Answers are mixtures of normals: nothing is sampled.

It is its own line and may be its own criterion. It is the same drivers on the same day as the marks, so nobody may
multiply it with them as if it were independent. Plain maximum likelihood (`paired_comparison`) is not used for it:
three drivers who all prefer B have no finite estimate there, and it counts every choice as a new driver's.
Sources: threshold for ties, Glenn & David (1960); mean correction, Tierney & Kadane (1986); both from memory. Priors: ours.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from app.evidence.fitted import Fitted, FittedRow
from app.evidence.inputs import Evidence, Question
from app.evidence.links import FAR, Array, IntArray, probit
from app.evidence.mixture import Mixture
from app.evidence.phrases import count
from app.evidence.points import shifted_sobol4
from app.evidence.results import Estimate, Strand
from app.evidence.rows import PREFERENCE, Preference

_FIRST, _SECOND, _MAX_NEWTON = 16, 32, 60
METHOD = "hierarchical probit of choices, nested Laplace"


@dataclass(frozen=True, slots=True)
class ChoicePriors:
    """In rating points. common practice, no source: those of the ratings, and noise and ties of our own choosing."""

    beta: float = 1.0
    log_noise: tuple[float, float] = (1.0, 0.4)  # centre and spread of a log-normal SD
    half_tie: float = 0.3
    half_driver_variant: float = 0.5
    half_session_variant: float = 0.3


PRIORS = ChoicePriors()


@dataclass(frozen=True, slots=True)
class _Choices:
    """x (n, P) codes each choice's difference first minus second; outcome (n,) +1 first, -1 second, 0 neither."""

    x: Array
    outcome: IntArray
    sizes: tuple[int, int, int]  # coefficients of beta, g, h
    n_variants: int


def fit_preferences(evidence: Evidence, *, points: tuple[int, int] = (_FIRST, _SECOND)) -> Fitted:
    """The criterion 'preference': improvements in rating points, + = the rival is preferred; with no choice, the prior.

    `points` = number of integration points in the two rounds; a test may want more.
    """
    question, rows = evidence.question, evidence.preferences
    drivers = tuple(sorted({row.driver for row in rows}))
    sessions = tuple(sorted({row.session for row in rows}))
    choices = _coded(rows, question.variants, drivers, sessions)
    weights, means, covariances = _posterior(choices, points)

    def mixture(contrast: Array) -> Mixture:
        variances = np.einsum("i,kij,j->k", contrast, covariances, contrast)
        return Mixture(weights, means @ contrast, np.sqrt(np.maximum(variances, 1e-12)))

    return Fitted(
        criterion=PREFERENCE,
        fitted=tuple(_as_row(row, question.control) for row in rows),
        runs=Counter(v for row in rows for v in (row.first, row.second)),
        drivers=drivers,
        sessions=sessions,
        left_out={},
        order_unknown=False,
        **_answers(choices, question.rivals, drivers, mixture),
    )


def _as_row(row: Preference, control: str) -> FittedRow:
    rivals = [v for v in (row.first, row.second) if v != control]
    variant = rivals[0] if len(rivals) == 1 else row.preferred or row.first
    return FittedRow(row.driver, row.session, "", variant, row.condition)


def _coded(
    rows: Sequence[Preference], variants: tuple[str, ...], drivers: tuple[str, ...], sessions: tuple[str, ...]
) -> _Choices:
    number, count_v = {v: i for i, v in enumerate(variants)}, len(variants)
    levels = 1 if count_v == 2 else count_v  # two variants: one deviation of the difference per driver and per session
    sizes = (count_v - 1, len(drivers) * levels, len(sessions) * levels)
    x = np.zeros((len(rows), sum(sizes)))
    for i, row in enumerate(rows):
        for variant, sign in ((number[row.first], 1.0), (number[row.second], -1.0)):
            if variant:
                x[i, variant - 1] += sign
            for first, level in ((sizes[0], drivers.index(row.driver)), (sum(sizes[:2]), sessions.index(row.session))):
                if levels == 1:
                    x[i, first + level] += 0.5 * sign * (1.0 if variant else -1.0)
                else:
                    x[i, first + level * levels + variant] += sign
    outcome = [0 if row.preferred is None else 1 if row.preferred == row.first else -1 for row in rows]
    return _Choices(x, np.array(outcome, dtype=np.int64), sizes, count_v)


def _posterior(choices: _Choices, points: tuple[int, int]) -> tuple[Array, Array, Array]:
    """weights (K,), means (K, P) and covariances (K, P, P) at the integration points."""
    from scipy.special import ndtri

    first, second = points
    uniform = ndtri(shifted_sobol4(first + second))
    z1 = uniform[:first]
    evidence1, *found1 = _modes(choices, z1)
    share = np.exp(evidence1 - evidence1.max())
    share /= share.sum()
    centre = share @ z1  # second round: where the first found evidence, never too narrow or too wide
    spread = 1.15 * np.sqrt(np.clip(share @ (z1 - centre) ** 2, 0.08, 1.2))
    z2 = centre + spread * uniform[first:]
    evidence2, *found2 = _modes(choices, z2)
    z = np.vstack([z1, z2])
    log_prior = -0.5 * (z * z).sum(axis=1)
    log_second = -0.5 * (((z - centre) / spread) ** 2).sum(axis=1) - np.log(spread).sum()
    log_proposal = np.logaddexp(np.log(first) + log_prior, np.log(second) + log_second)
    log_weight = np.concatenate([evidence1, evidence2]) + log_prior - log_proposal
    weights = np.exp(log_weight - log_weight.max())
    means, covariances = (np.concatenate(pair) for pair in zip(found1, found2, strict=True))
    return weights / weights.sum(), means, covariances


def _hyper(z: Array, choices: _Choices) -> tuple[Array, Array, Array]:
    """Noise s (H,), tie threshold t (H,) and prior SDs of all coefficients (H, P), in points."""
    from scipy.special import ndtr, ndtri

    half = ndtri(0.5 * (1.0 + np.clip(ndtr(z[:, 1:]), 1e-12, 1 - 1e-12)))
    share = 1.0 if choices.n_variants == 2 else np.sqrt(0.5)  # one deviation a level: their difference has this SD
    noise = PRIORS.log_noise[0] * np.exp(PRIORS.log_noise[1] * z[:, 0])
    by_driver = np.maximum(share * PRIORS.half_driver_variant * half[:, 1], 1e-3)
    by_session = np.maximum(share * PRIORS.half_session_variant * half[:, 2], 1e-3)
    columns = [np.full(len(z), PRIORS.beta), by_driver, by_session]
    sds = np.repeat(np.stack(columns, axis=1), choices.sizes, axis=1)
    return noise, np.maximum(PRIORS.half_tie * half[:, 0], 1e-6), sds


def _modes(choices: _Choices, z: Array) -> tuple[Array, Array, Array]:
    """At points z (H, 4): log evidence (H,) up to a constant, posterior means (H, P), covariances (H, P, P)."""
    noise, tie, sds = _hyper(z, choices)
    x, precision = choices.x, sds**-2.0
    values = np.zeros_like(sds)
    log_post, slope, bend = _log_posterior(choices, noise, tie, precision, values)
    for _ in range(_MAX_NEWTON):
        hessian = np.einsum("hn,ni,nj->hij", bend, x, x, optimize=True)
        hessian[:, range(len(x.T)), range(len(x.T))] += precision
        gradient = slope @ x - precision * values
        step = np.linalg.solve(hessian, gradient[..., None])[..., 0]
        if ((step * gradient).sum(axis=1) < 1e-12).all():
            break
        trial = _log_posterior(choices, noise, tie, precision, values + step)
        while (worse := trial[0] < log_post - 1e-9).any():
            step[worse] *= 0.5
            trial = _log_posterior(choices, noise, tie, precision, values + step)
        values = values + step
        log_post, slope, bend = trial
    covariance = np.linalg.inv(hessian)
    log_det = np.linalg.slogdet(hessian)[1]
    evidence = log_post + 0.5 * np.log(precision).sum(axis=1) - 0.5 * log_det
    return evidence, values + _to_the_mean(choices, noise, tie, values, covariance), covariance


def _bounds(choices: _Choices, noise: Array, tie: Array, values: Array) -> tuple[Array, Array]:
    """Between which noises (H, n), in noise SDs, a choice falls as it did."""
    d = values @ choices.x.T
    lower = np.where(choices.outcome == 1, tie[:, None] - d, -tie[:, None] - d) / noise[:, None]
    upper = np.where(choices.outcome == -1, -tie[:, None] - d, tie[:, None] - d) / noise[:, None]
    return np.where(choices.outcome == -1, -FAR, lower), np.where(choices.outcome == 1, FAR, upper)


def _log_posterior(choices: _Choices, noise: Array, tie: Array, precision: Array, values: Array) -> tuple[Array, Array, Array]:
    """(H,) log posterior; per choice (H, n) the slope and the downward bend of its log-likelihood in d."""
    rows = probit(*_bounds(choices, noise, tie, values))
    slope = -(rows.d_upper + rows.d_lower) / noise[:, None]
    bend = -(rows.h_upper + 2.0 * rows.h_cross + rows.h_lower) / (noise * noise)[:, None]
    return rows.logp.sum(axis=1) - 0.5 * (precision * values * values).sum(axis=1), slope, np.maximum(bend, 0.0)


def _to_the_mean(choices: _Choices, noise: Array, tie: Array, values: Array, covariance: Array) -> Array:
    """(H, P) from mode to mean, to first order: C sum_i x_i l'''_i (x_i' C x_i) / 2."""
    x = choices.x
    nudge = 1e-4
    bends = []
    for sign in (1.0, -1.0):
        lower, upper = _bounds(choices, noise, tie, values)
        rows = probit(lower - sign * nudge, upper - sign * nudge)  # d moved by nudge noise SDs
        bends.append(rows.h_upper + 2.0 * rows.h_cross + rows.h_lower)
    third = (bends[0] - bends[1]) / (2.0 * nudge) / (noise**3)[:, None]
    spread = np.einsum("ni,hij,nj->hn", x, covariance, x, optimize=True)
    return 0.5 * np.einsum("hij,hj->hi", covariance, (third * spread) @ x)


def _answers(
    choices: _Choices, rivals: tuple[str, ...], drivers: tuple[str, ...], mixture: Callable[[Array], Mixture]
) -> dict:
    """Population, panel, own and between, as `Fitted` wants them."""
    width, first = sum(choices.sizes), choices.sizes[0]
    population: dict[str, Array] = {}
    own: dict[tuple[str, str], Array] = {}
    for i, rival in enumerate(rivals):
        population[rival] = np.eye(1, width, i)[0]
        for k, driver in enumerate(drivers):
            vector = population[rival].copy()
            if choices.n_variants == 2:
                vector[first + k] = 1.0
            else:
                vector[first + k * choices.n_variants + i + 1] = 1.0
                vector[first + k * choices.n_variants] = -1.0
            own[rival, driver] = vector
    panel = {v: np.mean([own[v, d] for d in drivers], axis=0) if drivers else population[v] for v in rivals}
    pairs = [(a, b) for i, a in enumerate(rivals) for b in rivals[i + 1 :]]
    return {
        "population": {v: mixture(vector) for v, vector in population.items()},
        "panel": {v: mixture(vector) for v, vector in panel.items()},
        "own": {key: mixture(vector) for key, vector in own.items()},
        "between": {(a, b): mixture(population[a] - population[b]) for a, b in pairs},
    }


def preference_strand(evidence: Evidence, fit: Fitted) -> Strand:
    """The fit as storable estimates in points, and how many chose what."""
    population, panel, own = {}, {}, {}
    for rival in evidence.question.rivals:
        if not (n := fit.runs.get(rival, 0)):
            continue
        key = f"{rival}|{PREFERENCE}"
        population[key] = _estimate(evidence.question, fit.population[rival], n)
        panel[key] = _estimate(evidence.question, fit.panel[rival], n)
        for driver in fit.drivers:
            if choices := sum(p.driver == driver and rival in (p.first, p.second) for p in evidence.preferences):
                own[f"{key}|{driver}"] = _estimate(evidence.question, fit.own[rival, driver], choices)
    state = "evidence" if population else "no_evidence"
    return Strand("preferences", state, population, panel, own, _sentence(evidence, fit))  # type: ignore[arg-type]


def _sentence(evidence: Evidence, fit: Fitted) -> str:
    if not evidence.preferences:
        return "No preferences yet."
    control, told = evidence.question.control, []
    for rival in evidence.question.rivals:
        asked = [p.preferred for p in evidence.preferences if {p.first, p.second} == {rival, control}]
        if asked:
            votes = f"{asked.count(rival)} for {rival}, {asked.count(None)} without preference, {asked.count(control)} for {control}"
            none = asked.count(None) == len(asked)
            choices = count(len(asked), "choice")
            told.append(f"{rival} or {control}: {choices} without a preference." if none else f"{rival} or {control}, {choices}: {votes}.")
    between = sum(control not in (p.first, p.second) for p in evidence.preferences)
    if between:
        told.append(f"{count(between, 'choice')} between rivals.")
    basis = f"{count(len(fit.drivers), 'driver')} in {count(len(fit.sessions), 'session')}"
    return " ".join(told) + f" {basis[0].upper()}{basis[1:]}, the same days as the marks: not independent of them."


def _estimate(question: Question, improvement: Mixture, n: int) -> Estimate:
    declared = [m.margin for m in question.rule.musts if m.attribute == PREFERENCE and m.margin is not None]
    margin = declared[0] if declared else question.worthwhile(PREFERENCE)
    return Estimate(
        mean=round(improvement.mean, 6),
        sd=round(improvement.sd, 6),
        low90=round(improvement.quantile(0.05), 6),
        high90=round(improvement.quantile(0.95), 6),
        p_better=round(improvement.p_above(0.0), 6),
        p_worse_than_margin=round(1.0 - improvement.p_above(-margin), 6),
        unit="points",
        n=n,
        method=METHOD,
    )
