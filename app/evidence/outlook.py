"""What a next test session would settle: candidate sessions ranked by their chance to end a retest.

For each integration point of each criterion's posterior the design is extended by the candidate's runs, which come with
a new day, a new outing of each driver and a new session x variant draw; the posterior variance that would be left is
s1^2 = s0^2 - (c'S A')(A S A' + noise)^-1 (A S c). The points are collapsed, futures m' ~ N(mean, V0 - V1) are drawn at
fixed points and the rule is applied to each. Only `GAIN` of the promised variance is believed: with all of it the
predicted chance was too high on simulated programmes. Runs of a driver are taken as balanced within the session, so
the day's drift cancels. Sources: preposterior analysis, Raiffa & Schlaifer (1961), from memory; the .7 is ours.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from app.evidence.criteria import deciding, margin_of
from app.evidence.design_check import design_of
from app.evidence.design_rows import DesignRow, rows_of
from app.evidence.failures import failure_readings
from app.evidence.findings import Candidate, Outlook
from app.evidence.fitted import Fitted, Joint
from app.evidence.gates import unmet_gates
from app.evidence.inputs import Evidence, Question
from app.evidence.links import Array
from app.evidence.phrases import count, joined, probability
from app.evidence.preferences import PRIORS as CHOICE_PRIORS
from app.evidence.results import Verdict
from app.evidence.rows import LAP_TIME
from app.evidence.rule import WORDS, Chances, gain_clauses, no_worse_clauses
from app.evidence.verdict import fact_better, p_gain_of

GAIN = 0.7
RUNS_EACH = (2, 4, 6, 8)
_HARDLY = 0.005  # a chance below this is told in words
_FUTURES, _MOST_SESSIONS, _MOST_DRIVERS = 2000, 4, 4


@dataclass(frozen=True, slots=True)
class _Spread:
    """One criterion of one rival: mean, variance now, and variance after each candidate."""

    mean: float
    now: float
    after: Array


@dataclass(frozen=True, slots=True)
class _Asked:
    """What the rule asks of every future alike: the declared figure as it is, and P(better) for a gain."""

    fact_better: bool | None
    p_gain: float


@dataclass(frozen=True, slots=True, eq=False)
class _Future:
    """Imagined posteriors of one criterion: means (2000,), one SD."""

    mean: Array
    sd: float

    def p_above(self, value: float) -> Array:
        from scipy.special import ndtr

        return np.asarray(ndtr((self.mean - value) / self.sd))


def look_ahead(evidence: Evidence) -> tuple[Outlook, ...]:
    """Candidate next sessions for every rival whose verdict is retest; () when there is none."""
    from app.evidence.story import designs, fit_all
    from app.evidence.verdict import decide

    fits, design = fit_all(evidence), designs(evidence)
    failures = {f.variant: f for f in failure_readings(evidence)}
    verdicts, _ = decide(evidence, fits, design, failures)
    return outlooks(evidence, fits, verdicts)


def outlooks(evidence: Evidence, fits: Mapping[str, Fitted], verdicts: Sequence[Verdict]) -> tuple[Outlook, ...]:
    """As `look_ahead`, for fits that are there already."""
    return tuple(_outlook(evidence, fits, v.variant, v.clause) for v in verdicts if v.verdict == "retest")


_NOT_BY_RUNS = {
    "two_ahead": "More runs of {variant} alone are not forecast: it has to come clear of the other rival that passes.",
    "conflict": "More runs are not forecast to settle {variant}: the drivers want different things.",
}


def _outlook(evidence: Evidence, fits: Mapping[str, Fitted], variant: str, clause: str) -> Outlook:
    question = evidence.question
    named = deciding(question)
    if clause in _NOT_BY_RUNS:
        return Outlook(variant, (), None, _NOT_BY_RUNS[clause].format(variant=variant))
    if not named or any(not fits[name].runs.get(variant) for name in named):
        told = f"Nothing can be forecast before one driver has tried {variant} and {question.control} in one session."
        return Outlook(variant, (), None, told)
    plans = _plans(fits, named)
    spreads = {name: _spread(fits[name], question, variant, plans) for name in named}
    open_gates = {plan: _stops_after(evidence, fits, variant, *plan) for plan in plans}
    asked = _Asked(fact_better(evidence, variant), p_gain_of(question, fits))
    candidates = []
    for i, (drivers, runs) in enumerate(plans):
        adopt, reject, setting = _shares(question, spreads, i, 1, open_gates[drivers, runs], asked)
        total = adopt + reject + setting
        candidates.append(Candidate(variant, drivers, runs, runs * len(drivers), adopt, reject, setting, round(total, 6)))
    ranked = sorted(candidates, key=lambda c: (-c.p_settle, c.runs, c.drivers))
    k = _sessions_to_settle(question, spreads, plans, open_gates, asked)
    if ranked[0].p_settle < _HARDLY:
        lacking = all("adopt" in stops for stops in open_gates.values())
        told = "what its verdict lacks is not met by one such session" if lacking else "it is too far from any verdict"
        return Outlook(variant, tuple(ranked), k, f"One more session hardly settles {variant}: {told}.")
    return Outlook(variant, tuple(ranked), k, _sentence(variant, ranked[0], k))


def _plans(fits: Mapping[str, Fitted], named: Sequence[str]) -> list[tuple[tuple[str, ...], int]]:
    """(drivers, runs each), every group of the known drivers; of many drivers the first few by name."""
    drivers = sorted({d for name in named for d in fits[name].drivers})[:_MOST_DRIVERS]
    groups = [group for size in range(1, len(drivers) + 1) for group in combinations(drivers, size)]
    return [(group, runs) for group in groups for runs in RUNS_EACH]


def _spread(fit: Fitted, question: Question, variant: str, plans: Sequence[tuple[tuple[str, ...], int]]) -> _Spread:
    population = fit.population[variant]
    if fit.joint is None:
        return _Spread(population.mean, population.sd**2, _after_choices(fit, variant, plans))
    joint = fit.joint
    rival = question.rivals.index(variant) + 1
    covariance = np.linalg.inv(joint.precision)
    beta = joint.first["beta"] + rival - 1
    means = joint.sign * joint.means[:, beta]
    centre = float(joint.weights @ means)
    between = float(joint.weights @ (means - centre) ** 2)
    now = covariance[:, beta, beta]
    before = float(joint.weights @ now) + between
    after = [float(joint.weights @ (now - _told(joint, covariance, beta, rival, *plan))) + between for plan in plans]
    left = before - GAIN * (before - np.array(after))
    return _Spread(population.mean, before, np.clip(left, 1e-6 * before, before))


def _after_choices(fit: Fitted, variant: str, plans: Sequence[tuple[tuple[str, ...], int]]) -> Array:
    """Variance left by one choice of each driver, taken to tell as much as a choice so far did on average."""
    now = fit.population[variant].sd ** 2
    told = max(1.0 / now - CHOICE_PRIORS.beta**-2, 0.0) / max(fit.runs[variant], 1)
    left = [1.0 / (1.0 / now + len(drivers) * told) for drivers, _ in plans]
    return np.asarray(now - GAIN * (now - np.array(left)))


def _told(joint: Joint, covariance: NDArray[np.floating], beta: int, rival: int, drivers: tuple[str, ...], runs: int) -> Array:
    """(K,) variance of the rival's effect that a session takes away: each driver's mean run of either variant."""
    known = [joint.drivers.index(d) if d in joint.drivers else -1 for d in drivers]
    rows = [(d, v) for d in range(len(drivers)) for v in (0, rival)]
    a = np.zeros((len(rows), covariance.shape[1]))
    for i, (d, v) in enumerate(rows):
        a[i, joint.first["mu"]] = 1.0
        if v:
            a[i, beta] = 1.0
        if known[d] >= 0:
            a[i, joint.first["driver"] + known[d]] = 1.0
            if joint.n_variants == 2:
                a[i, joint.first["g"] + known[d]] = 0.5 if v else -0.5
            else:
                a[i, joint.first["g"] + known[d] * joint.n_variants + v] = 1.0
    crossed = covariance[:, beta, :] @ a.T
    whole = a @ covariance @ a.T + _new_noise(joint, rows, runs)
    return (crossed * np.linalg.solve(whole, crossed[..., None])[..., 0]).sum(axis=1)


def _new_noise(joint: Joint, rows: Sequence[tuple[int, int]], runs: int) -> Array:
    """(K, R, R) covariance of what a new session draws anew, for each driver's mean run of either variant."""
    driver = np.array([d for d, _ in rows])
    rival = np.array([v > 0 for _, v in rows])
    day = np.ones((len(rows), len(rows)))
    outing = (driver[:, None] == driver[None, :]).astype(float)
    if joint.n_variants == 2:
        side = np.where(rival, 0.5, -0.5)
        by_variant = side[:, None] * side[None, :]
    else:
        by_variant = (rival[:, None] == rival[None, :]).astype(float)
    noise = np.eye(len(rows)) * (2.0 / runs)
    scales = (joint.session_sd**2, joint.cell_sd**2, joint.session_variant_sd**2, joint.row_variance)
    return sum(s[:, None, None] * m for s, m in zip(scales, (day, outing, by_variant, noise), strict=True))


@lru_cache(maxsize=8)
def _futures(criteria: int) -> Array:
    """(2000, C) fixed standard-normal draws: the same future for the same evidence, always."""
    return np.random.Generator(np.random.Philox(20260421)).standard_normal((_FUTURES, criteria))


def _shares(
    question: Question, spreads: Mapping[str, _Spread], plan: int, sessions: int, stops: frozenset[str], asked: "_Asked"
) -> tuple[float, float, float]:
    """Shares of futures that end in adopt, reject, setting after `sessions` sessions like this plan."""
    draws = _futures(len(spreads))
    futures: dict[str, _Future] = {}
    for j, (name, spread) in enumerate(spreads.items()):
        once = float(spread.after[plan])
        left = 1.0 / (1.0 / spread.now + sessions * (1.0 / once - 1.0 / spread.now))
        moved = np.sqrt(max(spread.now - left, 0.0))
        futures[name] = _Future(spread.mean + moved * draws[:, j], float(np.sqrt(left)))
    clauses = _clauses(question, futures, asked)
    words = _words(clauses)
    shares = {word: float(np.mean(words == word)) if word not in stops else 0.0 for word in ("adopt", "reject", "setting")}
    return round(shares["adopt"], 6), round(shares["reject"], 6), round(shares["setting"], 6)


def _words(clauses: Array) -> Array:
    return np.select([clauses == clause for clause in WORDS], list(WORDS.values()), "retest")


def _clauses(question: Question, futures: Mapping[str, "_Future"], asked: "_Asked") -> Array:
    musts = [(futures[m.attribute], margin_of(question, m.attribute) or 0.0) for m in question.rule.musts]
    held = np.array([f.p_above(-margin) for f, margin in musts]).reshape(-1, _FUTURES)
    twice = np.array([f.p_above(-2.0 * margin) for f, margin in musts]).reshape(-1, _FUTURES)
    if question.rule.kind == "no_worse":
        return no_worse_clauses(Chances(None, None, held, twice), asked.fact_better)
    goal = _goal_future(question, futures)
    return gain_clauses(Chances(goal.p_above(0.0), goal.p_above(1.0), held, twice), asked.p_gain, False)


def _goal_future(question: Question, futures: Mapping[str, "_Future"]) -> "_Future":
    """The goal in units of W; several goals as `criteria.goal_index` joins them."""
    scaled = {g.attribute: g.weight / question.worthwhile(g.attribute) for g in question.rule.goals}
    mean = sum((w * futures[name].mean for name, w in scaled.items()), np.zeros(_FUTURES))
    felt = sum(w * futures[name].sd for name, w in scaled.items() if name != LAP_TIME)
    timed = sum(w * futures[name].sd for name, w in scaled.items() if name == LAP_TIME)
    return _Future(mean, float(np.hypot(felt, timed)))


def _stops_after(
    evidence: Evidence, fits: Mapping[str, Fitted], variant: str, drivers: tuple[str, ...], runs: int
) -> frozenset[str]:
    """Verdicts that a gate would still stop after one more balanced session of these drivers."""
    first = deciding(evidence.question)[0]
    rows = rows_of(evidence, first)
    there_and_back = (evidence.question.control, variant, variant, evidence.question.control)
    day, order = "the next session", (there_and_back * 2)[:runs]
    added = [
        DesignRow(d, day, f"{d} {k}", v, 12.0 * k + i, _usual(rows), None)
        for i, d in enumerate(drivers)
        for k, v in enumerate(order)
    ]
    design = design_of(evidence.question, variant, [*rows, *added])
    failures = {f.variant: f for f in failure_readings(evidence)}
    gates = unmet_gates(evidence, variant, fits[first], design, failures.get(variant))
    return frozenset(word for gate in gates for word in gate.stops)


def _usual(rows: Sequence[DesignRow]) -> tuple[tuple[str, str], ...]:
    """Parts as they were on the last run: the plan changes nothing else."""
    return rows[-1].others if rows else ()


def _sessions_to_settle(
    question: Question,
    spreads: Mapping[str, _Spread],
    plans: Sequence[tuple[tuple[str, ...], int]],
    stops: Mapping[tuple[tuple[str, ...], int], frozenset[str]],
    asked: "_Asked",
) -> int | None:
    """Sessions of all drivers with four runs each until the chance to leave retest reaches one half; None = over four."""
    everyone = max((d for d, _ in plans), key=len)
    plan = plans.index((everyone, 4))
    for k in range(1, _MOST_SESSIONS + 1):
        if sum(_shares(question, spreads, plan, k, stops[everyone, 4], asked)) >= 0.5:
            return k
    return None


def _sentence(variant: str, best: Candidate, sessions: int | None) -> str:
    who = joined(best.drivers)
    one = f"One more session of {count(best.runs, 'run')} by {who} settles {variant} with probability {probability(best.p_settle)}"
    if sessions is None:
        return f"{one}; more than {_MOST_SESSIONS} sessions are to be expected before it is settled."
    return f"{one}; {count(sessions, 'session')} of everyone with 4 runs each {'makes' if sessions == 1 else 'make'} it as likely as not."


def with_chance(verdicts: Sequence[Verdict], ahead: Sequence[Outlook]) -> tuple[Verdict, ...]:
    """Verdicts whose nearest clause also says what one more session would settle."""
    told = {o.variant: o.sentence for o in ahead if o.candidates}
    return tuple(replace(v, nearest=f"{v.nearest} {told[v.variant]}") if v.variant in told else v for v in verdicts)
