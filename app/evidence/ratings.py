"""Debrief marks: which of them enter a fit, and what the fit says about each rival.

A driver's session with one variant only says nothing about a difference and is left out as *unpaired*. A broken bracket
(no closing control, drift) stays in: the model has its own drift term. Other not-counted marks stay out, each counted
under its reason. Verdicts use the population estimate (a driver and a day like these); the panel estimate (these
drivers) is for display.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from app.evidence.criteria import margin_of, unit_of
from app.evidence.fitted import Fitted
from app.evidence.inputs import Evidence, Mark, Question
from app.evidence.layout import PRIORS, Priors, RatingRows
from app.evidence.links import Array
from app.evidence.mixture import Mixture
from app.evidence.nested import RatingPosterior, fit_ratings
from app.evidence.phrases import count
from app.evidence.results import Estimate, Strand
from app.evidence.rows import PanelNoise
from app.evidence.scales import Scale

SESSIONS_A_CLASS = 2  # before a condition class can be told apart from its days
METHOD = "ordinal mixed model, probit, nested Laplace"


def usable_marks(marks: Sequence[Mark], attribute: str) -> tuple[Mark, ...]:
    """Marks of one attribute that were given and not spoiled, paired or not."""
    return tuple(m for m in marks if m.attribute == attribute and m.rating is not None and not m.spoiled)


def what_enters(marks: Sequence[Mark], attribute: str) -> tuple[tuple[Mark, ...], dict[str, int]]:
    """The marks to fit, and how many runs are left out by reason (a run with two reasons counts under the first)."""
    variants: defaultdict[tuple[str, str], set[str]] = defaultdict(set)
    usable = usable_marks(marks, attribute)
    for mark in usable:
        variants[mark.driver, mark.session].add(mark.variant)
    fitted = tuple(m for m in usable if len(variants[m.driver, m.session]) > 1)
    left_out = Counter(m.spoiled[0] for m in marks if m.attribute == attribute and m.spoiled)
    left_out["could not judge"] = sum(m.attribute == attribute and m.rating is None and not m.spoiled for m in marks)
    left_out["unpaired"] = len(usable) - len(fitted)
    return fitted, {reason: n for reason, n in sorted(left_out.items()) if n}


def fit_attribute(evidence: Evidence, attribute: str) -> Fitted:
    """Fit one attribute of the question. With nothing to fit the answer is the prior, and `fitted` is empty."""
    question = evidence.question
    fitted, left_out = what_enters(evidence.marks, attribute)
    drivers = tuple(sorted({m.driver for m in fitted}))
    sessions = tuple(sorted({m.session for m in fitted}))
    scale = scale_in_use(question.scales[attribute], [m.rating for m in fitted if m.rating is not None])
    classes = classes_told_apart(fitted)
    rows = _rows(fitted, question, scale, drivers, sessions, classes)
    posterior = fit_ratings(rows, scale, priors=priors_in_use(evidence, attribute))
    sign = 1.0 if question.scales[attribute].kind == "quality" else -1.0
    return Fitted(
        criterion=attribute,
        fitted=fitted,
        runs=Counter(m.variant for m in fitted),
        drivers=drivers,
        sessions=sessions,
        left_out=left_out,
        order_unknown=any(m.clock_min is None for m in fitted),
        noise_seen=(_rounded(posterior.z_mean), _rounded(posterior.z_sd)),
        joint=replace(posterior.joint, drivers=drivers),
        **_oriented(posterior, question.rivals, drivers, classes, sign),
    )


def _rounded(values: Array) -> tuple[float, ...]:
    return tuple(round(float(value), 4) for value in values)


def priors_in_use(evidence: Evidence, attribute: str) -> Priors:
    """The default priors, or those that the programme's other questions have taught about this panel's noise.

    Learned is learned from quality marks; how steadily a panel judges a distance from ideal is another matter.
    """
    seen = evidence.panel_noise
    if seen is None or evidence.question.scales[attribute].kind != "quality":
        return PRIORS
    return replace(
        PRIORS, log_noise=seen.log_noise, log_driver_session=seen.log_driver_session,
        half_driver_variant=seen.half_driver_variant, half_session_variant=seen.half_session_variant,
    )  # fmt: skip


def classes_told_apart(fitted: Sequence[Any]) -> tuple[str, ...]:
    """Condition classes with at least two sessions in a fit, sorted; none unless there are two of them."""
    sessions: defaultdict[str, set[str]] = defaultdict(set)
    for row in fitted:
        if row.condition is not None:
            sessions[row.condition].add(row.session)
    classes = tuple(sorted(name for name, own in sessions.items() if len(own) >= SESSIONS_A_CLASS))
    return classes if len(classes) > 1 else ()


def scale_in_use(scale: Scale, marks: Sequence[float]) -> Scale:
    """The scale with the coarsest step, up to one point, on which all marks lie.

    Drivers who give whole marks only on a half-step scale never use the half marks; left in, those categories shrink to
    nothing and pull every difference towards zero with them.
    """
    steps = round((scale.highest - scale.floor) / scale.step)
    for multiple in range(int(scale.unit_r / scale.step + 1e-9), 1, -1):
        coarser = [scale.category(mark) % multiple == 0 for mark in marks]
        if steps % multiple == 0 and steps // multiple >= 2 and all(coarser):
            return replace(scale, step=multiple * scale.step)
    return scale


def _oriented(
    posterior: RatingPosterior, rivals: tuple[str, ...], drivers: tuple[str, ...], classes: tuple[str, ...], sign: float
) -> dict:
    return {
        "within": {(rivals[i], classes[c]): m.scaled(sign) for (i, c), m in posterior.within.items()},
        "depends": {
            v: {name: posterior.depends[i, c].scaled(sign) for c, name in enumerate(classes)} for i, v in enumerate(rivals) if classes
        },
        "population": {v: posterior.population[i].scaled(sign) for i, v in enumerate(rivals)},
        "panel": {v: posterior.panel[i].scaled(sign) for i, v in enumerate(rivals)},
        "own": {(v, d): posterior.own[i][k].scaled(sign) for i, v in enumerate(rivals) for k, d in enumerate(drivers)},
        "between": {(rivals[i], rivals[j]): m.scaled(sign) for (i, j), m in posterior.between.items()},
    }


def _rows(
    fitted: Sequence[Mark],
    question: Question,
    scale: Scale,
    drivers: tuple[str, ...],
    sessions: tuple[str, ...],
    classes: tuple[str, ...],
) -> RatingRows:

    def codes(values: Sequence[str | None], levels: Sequence[str]) -> np.ndarray:
        number = {level: i for i, level in enumerate(levels)}
        return np.array([number.get(value, -1) for value in values], dtype=np.int64)  # type: ignore[arg-type]

    return RatingRows(
        y=np.array([scale.category(m.rating or 0.0) for m in fitted], dtype=np.int64),
        variant=codes([m.variant for m in fitted], question.variants),
        driver=codes([m.driver for m in fitted], drivers),
        session=codes([m.session for m in fitted], sessions),
        hours=_hours(fitted),
        others=_estimable_others(fitted, question.variants),
        n_variants=len(question.variants),
        n_drivers=len(drivers),
        n_sessions=len(sessions),
        condition=codes([m.condition for m in fitted], classes) if classes else None,
        n_conditions=len(classes),
    )


def _hours(fitted: Sequence[Mark]) -> Array | None:
    """Hours since the session's start; a session without a clock sits at the neutral half hour; none at all: None."""
    known = {m.session for m in fitted} - {m.session for m in fitted if m.clock_min is None}
    if not known:
        return None
    return np.array([(m.clock_min or 0.0) / 60.0 if m.session in known else 0.5 for m in fitted])


def other_parts(marks: Sequence[Any], control: str | None = None) -> dict[str, Array]:
    """An indicator (n,) per other part and level, except the level most usual with the control; named 'part=level'."""
    names = sorted({name for m in marks for name, _ in m.others})
    found = {}
    for name in names:
        fitted = [dict(m.others).get(name, "") for m in marks]
        beside = [level for level, m in zip(fitted, marks, strict=True) if m.variant == control] or fitted
        usual = min(Counter(beside).items(), key=lambda item: (-item[1], item[0]))[0]
        for level in sorted(set(fitted) - {usual}):
            found[f"{name}={level or 'not stated'}"] = np.array([value == level for value in fitted], dtype=float)
    return found


def _estimable_others(fitted: Sequence[Mark], variants: Sequence[str]) -> Array:
    """Indicators that the driver's sessions, the variants and the earlier indicators do not already span."""
    cells = sorted({(m.driver, m.session) for m in fitted})
    columns = [np.array([(m.driver, m.session) == cell for m in fitted], dtype=float) for cell in cells]
    columns += [np.array([m.variant == v for m in fitted], dtype=float) for v in variants[1:]]
    kept = []
    for indicator in other_parts(fitted, variants[0]).values():
        basis = np.column_stack(columns)
        residual = indicator - basis @ np.linalg.lstsq(basis, indicator, rcond=1e-8)[0]
        if residual @ residual > 1e-8 * (indicator @ indicator):
            kept.append(indicator)
            columns.append(indicator)
    return np.column_stack(kept) if kept else np.zeros((len(fitted), 0))


def ratings_strand(question: Question, fits: Sequence[Fitted], learned: PanelNoise | None = None) -> Strand:
    """The fits as storable estimates, and one sentence on how much there is."""
    population, panel, own = {}, {}, {}
    for fit in fits:
        for rival in question.rivals:
            if not fit.runs.get(rival):
                continue
            n = fit.runs[rival] + fit.runs.get(question.control, 0)
            key = f"{rival}|{fit.criterion}"
            population[key] = estimate(question, fit.criterion, fit.population[rival], n)
            panel[key] = estimate(question, fit.criterion, fit.panel[rival], n)
            for driver in fit.drivers:
                if runs := fit.own_runs(rival, driver):
                    own[f"{key}|{driver}"] = estimate(question, fit.criterion, fit.own[rival, driver], runs)
    runs_fitted = max((len(fit.fitted) for fit in fits), default=0)
    any_mark = any(fit.left_out or fit.fitted for fit in fits)
    state = "evidence" if population else "too_thin" if any_mark else "no_evidence"
    return Strand("ratings", state, population, panel, own, _strand_sentence(fits, runs_fitted, any_mark, learned))  # type: ignore[arg-type]


def _strand_sentence(fits: Sequence[Fitted], runs: int, any_mark: bool, learned: PanelNoise | None) -> str:
    if runs:
        widest = max(fits, key=lambda fit: len(fit.fitted))
        few = min(len(widest.drivers), len(widest.sessions)) <= 3
        basis = f"{count(len(widest.drivers), 'driver')} in {count(len(widest.sessions), 'session')}"
        return f"{runs} rated runs of {basis}.{_noise_words(learned, few)}"
    if any_mark:
        return "Marks were filed, but no driver rated two variants in one session: nothing can be compared yet."
    return "No marks yet."


def _noise_words(learned: PanelNoise | None, few: bool) -> str:
    """Which SDs the fit leans on, and where they are from."""
    by_driver, by_session = PRIORS.half_driver_variant, PRIORS.half_session_variant
    if learned is not None:
        by_driver, by_session = learned.half_driver_variant, learned.half_session_variant
    sds = f"driver x variant {by_driver:g} and session x variant {by_session:g}"
    weigh = f" With so few drivers or sessions the prior SDs of {sds} weigh in."
    if learned is None:
        return weigh if few else ""
    of = f"{count(learned.questions, 'other question')} and {count(learned.drivers, 'driver')}"
    noise = f"{learned.log_noise[0]:.2f} points, {PRIORS.log_noise[0]:g} by default"
    return f" How noisy this panel's marks are was learned from {of}: one run is good to {noise} (one SD).{weigh if few else ''}"


def estimate(question: Question, attribute: str, improvement: Mixture, n: int) -> Estimate:
    """One improvement as stored: 90 % interval, P(better), P(worse than the margin), six decimals."""
    margin = margin_of(question, attribute) or question.worthwhile(attribute)
    return Estimate(
        mean=round(improvement.mean, 6),
        sd=round(improvement.sd, 6),
        low90=round(improvement.quantile(0.05), 6),
        high90=round(improvement.quantile(0.95), 6),
        p_better=round(improvement.p_above(0.0), 6),
        p_worse_than_margin=round(1.0 - improvement.p_above(-margin), 6),
        unit=unit_of(question, attribute),
        n=n,
        method=METHOD,
    )
