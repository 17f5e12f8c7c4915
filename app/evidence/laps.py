"""Lap times: what they say about each rival, corrected for the track coming up, in percent and in seconds.

`lap_values` makes one robust value of each run, `lap_model` compares them, and this file words the answer. A driver's
session with one variant only is left out as *unpaired*, as for marks. Signs: + is faster.
"""

import math
from collections import Counter
from collections.abc import Sequence
from typing import Any, cast

import numpy as np

from app.evidence.findings import LapReading
from app.evidence.fitted import Fitted, FittedRow, Joint
from app.evidence.inputs import Evidence, Question
from app.evidence.lap_model import LAP_PRIORS, LapPosterior, LapRows, fit_run_values
from app.evidence.lap_values import RunValue, run_values, spoiled_test
from app.evidence.links import Array, IntArray
from app.evidence.mixture import Mixture
from app.evidence.phrases import count, percent
from app.evidence.plan_figures import laps_per_variant
from app.evidence.ratings import other_parts
from app.evidence.refusals import positive
from app.evidence.results import Estimate, Strand
from app.evidence.rows import LAP_TIME

WORTH_SEEING = (0.05, 0.10, 0.20)  # seconds a lap that decide races, and twice and four times the least of them
METHOD = "robust run values (t4), linear mixed model with drift"
SHOWN = 1.75  # posterior SDs: a true difference of this size reaches P .96 half of the time
_LARGEST_LOG = 20.0  # a lap of e^20 seconds: absurd times stay finite
_LONGEST_H = 24.0  # clocks beyond a day are taken as a day, so that a wrong clock stays a finite drift


def fit_laps(evidence: Evidence) -> Fitted:
    """Fit the lap times of the question; with nothing to fit the answer is the prior, and `fitted` is empty."""
    found = run_values(evidence)
    runs, question = found.runs, evidence.question
    drivers = tuple(sorted({run.driver for run in runs}))
    sessions = tuple(sorted({run.session for run in runs}))
    kinds = condition_classes(runs)
    rows = _rows(runs, question, drivers, sessions, kinds)
    posterior = fit_run_values(rows)
    return Fitted(
        criterion=LAP_TIME,
        fitted=tuple(FittedRow(r.driver, r.session, r.run, r.variant, r.condition) for r in runs),
        runs=Counter(run.variant for run in runs),
        drivers=drivers,
        sessions=sessions,
        left_out=found.left_out,
        order_unknown=any(run.hours is None for run in runs),
        **_oriented(posterior, question.rivals, drivers, kinds),
        joint=_joint(posterior, rows, drivers),
    )


def condition_classes(runs: Sequence[RunValue]) -> tuple[str, ...]:
    """Classes with at least two sessions in the fit, sorted; fewer than two such classes tell nothing apart: ()."""
    seen = {(run.condition, run.session) for run in runs if run.condition is not None}
    sessions = Counter(condition for condition, _ in seen)
    classes = tuple(sorted(str(condition) for condition, n in sessions.items() if n >= 2))
    return classes if len(classes) >= 2 else ()


def _rows(
    runs: Sequence[RunValue],
    question: Question,
    drivers: tuple[str, ...],
    sessions: tuple[str, ...],
    kinds: tuple[str, ...],
) -> LapRows:

    def codes(values: Sequence[str | None], levels: Sequence[str]) -> IntArray:
        number = {level: i for i, level in enumerate(levels)}
        return np.array([number.get(value, -1) for value in values], dtype=np.int64)  # type: ignore[arg-type]

    variant, driver = codes([r.variant for r in runs], question.variants), codes([r.driver for r in runs], drivers)
    session = codes([r.session for r in runs], sessions)
    return LapRows(
        value=np.array([r.value for r in runs], dtype=float),
        se=np.array([r.se for r in runs], dtype=float),
        variant=variant,
        driver=driver,
        session=session,
        hours=_hours(runs),
        others=_estimable_others(runs, driver * len(sessions) + session, variant, len(question.variants)),
        kind=codes([r.condition for r in runs], kinds),
        n_variants=len(question.variants),
        n_drivers=len(drivers),
        n_sessions=len(sessions),
        n_kinds=len(kinds),
    )


def _hours(runs: Sequence[RunValue]) -> Array:
    """(n,) hours into the session, within a day; a session with an unknown clock sits at the neutral half hour."""
    unknown = {run.session for run in runs if run.hours is None}
    hours = [0.5 if run.hours is None or run.session in unknown else run.hours for run in runs]
    return np.clip(np.array(hours, dtype=float), 0.0, _LONGEST_H)


def _estimable_others(runs: Sequence[RunValue], cells: IntArray, variant: IntArray, n_variants: int) -> Array:
    """(n, E) indicators of other parts that the driver's sessions, variants and earlier indicators do not span."""
    if not any(run.others for run in runs):
        return np.zeros((len(runs), 0))
    sizes = np.maximum(np.bincount(cells), 1)

    def within(column: Array) -> Array:
        return column - (np.bincount(cells, column) / sizes)[cells]

    basis = [within((variant == v).astype(float)) for v in range(1, n_variants)]
    kept = []
    for indicator in other_parts(cast(Any, runs)).values():
        own, spanned = within(indicator), np.column_stack(basis)
        residual = own - spanned @ np.linalg.lstsq(spanned, own, rcond=1e-8)[0]
        if residual @ residual > 1e-8 * (indicator @ indicator):
            kept.append(indicator)
            basis.append(own)
    return np.column_stack(kept) if kept else np.zeros((len(runs), 0))


def _oriented(
    posterior: LapPosterior, rivals: tuple[str, ...], drivers: tuple[str, ...], kinds: tuple[str, ...]
) -> dict[str, Any]:
    """The model's differences, where less is faster, turned into improvements."""
    numbered = {rival: i for i, rival in enumerate(rivals, start=1)}

    def gain(*name: Any) -> Mixture:
        return posterior.answers[name].scaled(-1.0)

    return {
        "population": {v: gain("population", i) for v, i in numbered.items()},
        "panel": {v: gain("panel", i) for v, i in numbered.items()},
        "own": {(v, d): gain("own", i, k) for v, i in numbered.items() for k, d in enumerate(drivers)},
        "between": {(a, b): gain("between", i, j) for a, i in numbered.items() for b, j in numbered.items() if i < j},
        "within": {(v, kind): gain("within", i, k) for v, i in numbered.items() for k, kind in enumerate(kinds)},
        "depends": {v: {kind: gain("depends", i, k) for k, kind in enumerate(kinds)}
                    for v, i in numbered.items()} if kinds else {},
    }  # fmt: skip


def _joint(posterior: LapPosterior, rows: LapRows, drivers: tuple[str, ...]) -> Joint:
    mean_square = float(np.mean(rows.se**2)) if len(rows.se) else 0.0
    return Joint(
        weights=posterior.weights,
        means=posterior.means,
        precision=posterior.precision,
        sign=-1.0,
        first=posterior.first,
        n_variants=rows.n_variants,
        drivers=drivers,
        session_sd=np.full(len(posterior.weights), LAP_PRIORS.session),
        cell_sd=posterior.cell_sd,
        session_variant_sd=posterior.session_variant_sd,
        row_variance=posterior.run_sd**2 + mean_square,
        drift_sds=(LAP_PRIORS.own_drift, LAP_PRIORS.own_curve),
    )


def lap_readings(evidence: Evidence, fit: Fitted, race_minutes: float = 5.0) -> tuple[LapReading, ...]:
    """What the lap times say about each rival with a run in the fit, in seconds; runs and laps are its and the control's.

    race_minutes : length of the race over which the gain is added up; EvidenceError unless more than 0
    Whether laps are spoiled more often is a count test, which takes laps as independent: a rough alarm, no proof.
    """
    positive("race_minutes", race_minutes)
    found, question = run_values(evidence), evidence.question
    base = _base_seconds(fit)
    scatter = base * found.scale / 100.0
    readings = []
    for rival in question.rivals:
        if not fit.runs.get(rival):
            continue
        improvement = fit.population[rival]
        mean, low, high = (_seconds(base, x) for x in (improvement.mean, *_ends(improvement)))
        race_laps = math.floor(60.0 * race_minutes / base) + 1
        least = _seconds(base, SHOWN * improvement.sd)
        runs = [run for run in found.runs if run.variant in (rival, question.control)]
        bad, bad_control, p, differs = spoiled_test(found, rival, question.control)
        told = _sentence(question, rival, (mean, low, high), base, (race_minutes, race_laps, mean * race_laps), least)
        told += f" But {_more_spoiled(rival, question.control, bad, bad_control)}" if differs else ""
        readings.append(LapReading(
            variant=rival, mean_s=round(mean, 6), low90_s=round(low, 6), high90_s=round(high, 6), base_s=round(base, 6),
            race_minutes=race_minutes, race_laps=race_laps, race_s=round(mean * race_laps, 6),
            resolution_s=round(least, 6), runs=len(runs), laps=sum(run.laps for run in runs),
            left_out_laps=found.flagged.get(rival, 0) + found.flagged.get(question.control, 0),
            spoiled_rate=round(bad, 6), spoiled_rate_control=round(bad_control, 6), spoiled_p=round(p, 6),
            spoiled_differs=differs, sentence=told, scatter_s=round(scatter, 6),
            laps_to_see=tuple((d, laps_per_variant(scatter, d)) for d in WORTH_SEEING),
        ))  # fmt: skip
    return tuple(readings)


def spoiled_sentence(reading: LapReading, control: str) -> str:
    """Only what differs in spoiled laps, for a flag; the reading's own sentence says it behind the lap times."""
    return _more_spoiled(reading.variant, control, reading.spoiled_rate, reading.spoiled_rate_control)


def _more_spoiled(rival: str, control: str, bad: float, bad_control: float) -> str:
    shares = f"{percent(bad)} of {rival}'s laps were spoiled (flagged or far off) against {percent(bad_control)} of {control}'s"
    return f"{shares}: look at why before trusting the lap times."


def _ends(improvement: Mixture) -> tuple[float, float]:
    return improvement.quantile(0.05), improvement.quantile(0.95)


def _base_seconds(fit: Fitted) -> float:
    """Lap time of the control at lap 4, half an hour in, of the mean driver and session of the fit."""
    joint = fit.joint
    if joint is None:
        raise ValueError("A fit of lap times carries its joint posterior.")
    level = joint.means[:, joint.first["mu"]].copy()
    for name, size in (("driver", len(fit.drivers)), ("session", len(fit.sessions))):
        if size:
            level += joint.means[:, joint.first[name] : joint.first[name] + size].mean(axis=1)
    return math.exp(min(_LARGEST_LOG, max(-_LARGEST_LOG, float(joint.weights @ level) / 100.0)))


def _seconds(base: float, improvement: float) -> float:
    """An improvement in percent of the log scale, as seconds a lap; + is faster."""
    return -base * math.expm1(-improvement / 100.0)


def _sentence(
    question: Question,
    rival: str,
    gain: tuple[float, float, float],
    base: float,
    race: tuple[float, int, float],
    least: float,
) -> str:
    """Seconds in plain words; a direction is named only where the 90 % interval has one."""
    mean, low, high = gain
    minutes, laps, over_race = race
    end = f" These runs cannot see less than {least:.3f} s a lap."
    if low < 0 < high:
        span = f"between {-low:.3f} s slower and {high:.3f} s faster a lap (90 %)"
        return f"No difference in lap time is shown: {rival} is {span} than {question.control}, on a {base:.2f} s lap.{end}"
    word = "faster" if mean > 0 else "slower"
    near, far = sorted((abs(low), abs(high)))
    told = f"{rival} is {abs(mean):.3f} s a lap {word} than {question.control} (90 %: {near:.3f} to {far:.3f} s)"
    told += f" on a {base:.2f} s lap: {abs(over_race):.1f} s over {count(laps, 'lap')} of a {minutes:g}-minute race."
    return told + end


def lap_margin(question: Question) -> float:
    """How much slower a rival may be, in percent: the margin of the must on lap time, else what is worthwhile."""
    declared = [must.margin for must in question.rule.musts if must.attribute == LAP_TIME and must.margin is not None]
    return declared[0] if declared else question.worthwhile(LAP_TIME)


def lap_strand(evidence: Evidence, fit: Fitted) -> Strand:
    """The fit as storable estimates in percent of a lap, and one sentence on how much there is."""
    question = evidence.question
    population, panel, own = {}, {}, {}
    for rival in question.rivals:
        if not fit.runs.get(rival):
            continue
        n = fit.runs[rival] + fit.runs.get(question.control, 0)
        key = f"{rival}|{LAP_TIME}"
        population[key] = _estimate(question, fit.population[rival], n)
        panel[key] = _estimate(question, fit.panel[rival], n)
        for driver in fit.drivers:
            if runs := fit.own_runs(rival, driver):
                own[f"{key}|{driver}"] = _estimate(question, fit.own[rival, driver], runs)
    state = "evidence" if population else "too_thin" if evidence.laps else "no_evidence"
    return Strand("lap_times", state, population, panel, own, _strand_sentence(evidence, fit))  # type: ignore[arg-type]


def _estimate(question: Question, improvement: Mixture, n: int) -> Estimate:
    low, high = _ends(improvement)
    return Estimate(
        mean=round(improvement.mean, 6),
        sd=round(improvement.sd, 6),
        low90=round(low, 6),
        high90=round(high, 6),
        p_better=round(improvement.p_above(0.0), 6),
        p_worse_than_margin=round(1.0 - improvement.p_above(-lap_margin(question)), 6),
        unit="percent",
        n=n,
        method=METHOD,
    )


def _strand_sentence(evidence: Evidence, fit: Fitted) -> str:
    if not evidence.laps:
        return "No lap times yet."
    if not fit.fitted:
        return "Laps were timed, but no driver has usable laps of two variants in one session: nothing can be compared yet."
    told = f"{count(len(fit.fitted), 'timed run')} of {count(len(fit.drivers), 'driver')} in {count(len(fit.sessions), 'session')}."
    if fit.order_unknown:
        told += " Some runs have no clock: in their sessions the track's change is not taken off."
    if min(len(fit.drivers), len(fit.sessions)) <= 3:
        told += (
            f" With so few drivers or sessions the prior SDs of driver x variant {LAP_PRIORS.half_driver_variant:g} %"
        )
        told += f" and session x variant {LAP_PRIORS.half_session_variant:g} % weigh in."
    return told
