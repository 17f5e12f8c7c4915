"""The whole decision on one screen: evidence in, sheet out."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from app.evidence import METHOD_VERSION
from app.evidence.agreement import agreement
from app.evidence.conditions import condition_reading
from app.evidence.criteria import deciding, measures, spoken
from app.evidence.design_check import check_design
from app.evidence.disagreements import disagreements
from app.evidence.failures import failure_readings, failure_strand
from app.evidence.findings import ConditionReading, LapReading, NoiseSeen
from app.evidence.fitted import Fitted
from app.evidence.inputs import Evidence, Question
from app.evidence.laps import fit_laps, lap_readings, lap_strand, spoiled_sentence
from app.evidence.outlook import outlooks, with_chance
from app.evidence.panel import what_the_drivers_said
from app.evidence.phrases import count, percent
from app.evidence.preferences import fit_preferences, preference_strand
from app.evidence.ratings import fit_attribute, ratings_strand, what_enters
from app.evidence.readings import gauge_readings, reading_strand
from app.evidence.results import DesignReading, Flag, Panel, Sheet, Strand
from app.evidence.rows import LAP_TIME, PREFERENCE
from app.evidence.verdict import decide
from app.evidence.verdict_words import missing_words

_FLOOR_SHARE = 0.5


def roll_up(evidence: Evidence, *, ahead: bool = False) -> Sheet:
    """What the drivers said and what may be concluded about one question; see the reading guide in `app.evidence`.

    `ahead`: also what a next session would settle, which costs about as much again. Pure and deterministic: equal
    evidence gives an equal sheet, byte for byte. Never NaN, whatever the rows.
    """
    question = evidence.question
    panel = what_the_drivers_said(evidence)
    fits = fit_all(evidence)
    failures = failure_readings(evidence)
    design = designs(evidence)
    verdicts, criteria = decide(evidence, fits, design, {f.variant: f for f in failures})
    outlook = outlooks(evidence, fits, verdicts) if ahead else ()
    laps, gauge = lap_readings(evidence, fits[LAP_TIME]) if LAP_TIME in fits else (), gauge_readings(evidence)
    apart = disagreements(evidence, fits, panel, verdicts)
    strands = (*_strands(evidence, fits), failure_strand(evidence, failures), reading_strand(evidence, gauge))
    return Sheet(
        method_version=METHOD_VERSION,
        fingerprint=evidence.fingerprint(),
        control=question.control,
        variants=question.variants,
        panel=panel,
        strands=strands,
        design=tuple(design.values()),
        criteria=criteria,
        verdicts=with_chance(verdicts, outlook),
        flags=_flags(evidence, panel, fits, design, laps),
        left_out=_left_out(evidence, fits),
        order_unknown=any(fit.order_unknown for fit in fits.values()),
        why_they_differ=tuple(d.sentence for d in apart if d.kind == "panel"),
        measures=measures(question, fits, _methods(strands), {reading.variant: reading for reading in laps}),
        lap_readings=laps,
        failure_readings=failures,
        gauge_readings=gauge,
        condition_readings=tuple(_conditions(question, fits)),
        agreements=tuple(a for name in question.scales if (a := agreement(evidence, name)) is not None),
        disagreements=apart,
        outlook=outlook,
        noise=_noise_of(evidence, fits),
    )


def _methods(strands: Iterable[Strand]) -> dict[str, str]:
    """Criterion -> the method that its estimates name."""
    return {key.rpartition("|")[2]: e.method for strand in strands for key, e in strand.estimates.items()}


def fit_all(evidence: Evidence) -> dict[str, Fitted]:
    """Every deciding criterion fitted, and lap times and preferences wherever there are some."""
    named = deciding(evidence.question)
    fits = {name: fit_attribute(evidence, name) for name in named if name in evidence.question.scales}
    if LAP_TIME in named or evidence.laps:
        fits[LAP_TIME] = fit_laps(evidence)
    if PREFERENCE in named or evidence.preferences:
        fits[PREFERENCE] = fit_preferences(evidence)
    return fits


def noise_seen(evidence: Evidence) -> NoiseSeen:
    """What the marks of a question tell of the panel's noise, without the rest of the sheet."""
    question = evidence.question
    return _noise_of(evidence, {name: fit_attribute(evidence, name) for name in deciding(question) if name in question.scales})


def _noise_of(evidence: Evidence, fits: Mapping[str, Fitted]) -> NoiseSeen:
    scales = evidence.question.scales
    rated = [fit for name, fit in fits.items() if name in scales and scales[name].kind == "quality" and fit.fitted]
    drivers = sorted({driver for fit in rated for driver in fit.drivers})
    return NoiseSeen(tuple(fit.noise_seen for fit in rated if fit.noise_seen), tuple(drivers), evidence.panel_noise)


def designs(evidence: Evidence) -> dict[str, DesignReading]:
    """The design check of every rival, on the runs that the first deciding criterion rests on."""
    first = next(iter(deciding(evidence.question)), None)
    return {v: check_design(evidence, v, first) for v in evidence.question.rivals}


def _strands(evidence: Evidence, fits: Mapping[str, Fitted]) -> tuple[Strand, ...]:
    question = evidence.question
    timed = (
        lap_strand(evidence, fits[LAP_TIME])
        if LAP_TIME in fits
        else Strand("lap_times", "no_evidence", {}, {}, {}, "No lap times yet.")
    )
    chosen = (
        preference_strand(evidence, fits[PREFERENCE])
        if PREFERENCE in fits
        else Strand("preferences", "no_evidence", {}, {}, {}, "No forced preferences yet.")
    )
    rated = [fit for name, fit in fits.items() if name in question.scales]
    return ratings_strand(question, rated, evidence.panel_noise), chosen, timed


def _conditions(question: Question, fits: Mapping[str, Fitted]) -> Iterator[ConditionReading]:
    for name in deciding(question):
        for rival in question.rivals:
            reading = condition_reading(question, rival, fits[name])
            if reading.classes:
                yield reading


def _left_out(evidence: Evidence, fits: Mapping[str, Fitted]) -> dict[str, int]:
    """Runs left out of the fits, by reason: the most for any one criterion, so that a run is counted once."""
    most: Counter[str] = Counter()
    for name in evidence.question.rule.attributes:
        own = fits[name].left_out if name in fits else what_enters(evidence.marks, name)[1]
        for reason, n in own.items():
            most[reason] = max(most[reason], n)
    return dict(sorted(most.items()))


def _flags(
    evidence: Evidence, panel: Panel, fits: Mapping[str, Fitted], design: Mapping[str, DesignReading],
    laps: tuple[LapReading, ...],
) -> tuple[Flag, ...]:  # fmt: skip
    found = [flag for reading in design.values() for flag in reading.flags]
    found += [Flag("spoiled_laps", r.variant, spoiled_sentence(r, evidence.question.control)) for r in laps if r.spoiled_differs]
    named = deciding(evidence.question)
    for rival in evidence.question.rivals:
        missing = [name for name in named if not fits[name].runs.get(rival)]
        if missing:
            told = f"Nothing on {missing_words(fits, missing)} compares {rival} with {evidence.question.control} yet."
            found.append(Flag("thin", rival, told))
    unknown = {m.session for name in named for m in _unordered(evidence, fits[name])}
    if unknown:
        told = f"The order of runs is not known in {count(len(unknown), 'session')}, so the track's change is not taken out there."
        found.append(Flag("order_unknown", None, told))
    found += [
        Flag("warning", c.variant, f"How much {c.variant} gains on {spoken(c.criterion)} differs between conditions.")
        for c in _conditions(evidence.question, fits)
        if c.state == "differs"
    ]
    found += [Flag("warning", None, sentence) for sentence in panel.sentences]
    return tuple(found + _at_ideal(evidence, fits))


def _unordered(evidence: Evidence, fit: Fitted) -> list:
    if not fit.order_unknown:
        return []
    if fit.criterion in evidence.question.scales:
        return [m for m in fit.fitted if m.clock_min is None]
    return list(fit.fitted)


def _at_ideal(evidence: Evidence, fits: Mapping[str, Fitted]) -> list[Flag]:
    found = []
    for name, fit in fits.items():
        if name in evidence.question.scales and evidence.question.scales[name].kind == "ideal_zero" and fit.fitted:
            share = sum(m.rating == 0 for m in fit.fitted) / len(fit.fitted)
            if share > _FLOOR_SHARE:
                told = f"{percent(share)} of the marks for {name} are at ideal: little room is left to show an improvement."
                found.append(Flag("warning", None, told))
    return found
