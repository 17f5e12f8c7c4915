"""Brackets: a test run read against the control runs before and after it, same driver, car and session.

Common practice, no source: interpolation by start time takes out a steady change of the track, which a plain
control-then-rival comparison would credit to the part.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from app.evidence.inputs import Mark, Question, Scale
from app.evidence.results import BracketReading, UnpairedOpinion

_TINY = 1e-9  # marks are steps of the scale; guards against 0.1 + 0.2


def derive_brackets(marks: Iterable[Mark], question: Question, attribute: str) -> tuple[BracketReading, ...]:
    """Every test run of this attribute as a bracket, counted or not, in order of driver, session and time.

    Test runs of a driver without any control run in that session are no brackets; see `unpaired_opinions`.
    """
    scale = question.scales[attribute]
    by_outing: defaultdict[tuple[str, str, str], list[Mark]] = defaultdict(list)
    for mark in marks:
        if mark.attribute == attribute:
            by_outing[mark.driver, mark.session, mark.car or ""].append(mark)
    have_control = _driver_sessions_with_control(marks, question, attribute)
    found: list[BracketReading] = []
    for (driver, session, _), runs in sorted(by_outing.items()):
        ordered, times = _in_time_order(runs)
        for position, run in enumerate(ordered):
            if run.variant == question.control:
                continue
            if (driver, session) in have_control or run.spoiled:
                found.append(_bracket(ordered, times, position, question, scale))
    return tuple(found)


def unpaired_opinions(marks: Iterable[Mark], question: Question, attribute: str) -> tuple[UnpairedOpinion, ...]:
    """Marks of drivers who had no control run in that session: one entry per driver, session and rival."""
    have_control = _driver_sessions_with_control(marks, question, attribute)
    found: defaultdict[tuple[str, str, str], list[float]] = defaultdict(list)
    for mark in marks:
        usable = mark.attribute == attribute and mark.rating is not None and not mark.spoiled
        if usable and mark.variant != question.control and (mark.driver, mark.session) not in have_control:
            found[mark.driver, mark.session, mark.variant].append(mark.rating or 0.0)
    return tuple(UnpairedOpinion(*key, marks=tuple(values)) for key, values in sorted(found.items()))


def _driver_sessions_with_control(marks: Iterable[Mark], question: Question, attribute: str) -> set[tuple[str, str]]:
    return {
        (m.driver, m.session)
        for m in marks
        if m.attribute == attribute and m.variant == question.control and m.rating is not None and not m.spoiled
    }


def _in_time_order(runs: Sequence[Mark]) -> tuple[list[Mark], list[float] | None]:
    """Runs and their times: start clock where every run has one, else position in the session, else unknown."""
    for name in ("clock_min", "order"):
        times = [getattr(run, name) for run in runs]
        if all(time is not None for time in times) and len(set(times)) == len(times):
            pairs = sorted(zip(times, runs, strict=True), key=lambda pair: pair[0])
            return [run for _, run in pairs], [float(time) for time, _ in pairs]
    return list(runs), None


def _is_control(run: Mark, question: Question) -> bool:
    return run.variant == question.control and run.rating is not None and not run.spoiled and not run.pairing_only


@dataclass(frozen=True, slots=True)
class _Controls:
    """The control marks around one test run, and why they cannot be used."""

    before: float | None
    after: float | None
    at_run: float | None
    reasons: tuple[str, ...]


def _controls_around(ordered: list[Mark], times: list[float] | None, position: int, question: Question) -> _Controls:
    if times is None:
        return _Controls(None, None, None, ("order of runs not known",))
    earlier = [i for i in range(position) if _is_control(ordered[i], question)]
    later = [i for i in range(position + 1, len(ordered)) if _is_control(ordered[i], question)]
    before = ordered[earlier[-1]].rating if earlier else None
    after = ordered[later[0]].rating if later else None
    if before is None:
        return _Controls(before, after, None, ("no opening control",))
    if after is None:
        return _Controls(before, after, None, ("no closing control",))
    between = [r for r in ordered[earlier[-1] + 1 : later[0]] if r.variant != question.control]
    start, end = times[earlier[-1]], times[later[0]]
    at_run = before + (after - before) * (times[position] - start) / (end - start)
    too_many = ("more than two test runs between controls",) if len(between) > 2 else ()
    return _Controls(before, after, at_run, too_many)


def _bracket(
    ordered: list[Mark], times: list[float] | None, position: int, question: Question, scale: Scale
) -> BracketReading:
    run = ordered[position]
    around = _controls_around(ordered, times, position, question)
    reasons = list(dict.fromkeys([*run.spoiled, *run.pairing_only, *around.reasons]))
    if run.rating is None:
        reasons.append("could not judge")
    drift = None if around.before is None or around.after is None else abs(around.after - around.before)
    limited = drift is not None and drift > question.rule.drift_limit + _TINY
    if limited and not reasons:
        reasons.append("drift over limit")
    effect = shift = None
    if around.at_run is not None and run.rating is not None:
        shift = run.rating - around.at_run
        effect = shift if scale.kind == "quality" else abs(around.at_run) - abs(run.rating)
    state: Literal["counted", "limited", "not_counted"] = "not_counted" if reasons else "counted"
    return BracketReading(
        driver=run.driver, session=run.session, car=run.car, condition=run.condition, run=run.run,
        variant=run.variant, attribute=run.attribute,
        before=around.before, after=around.after, control=around.at_run, mark=run.rating,
        effect=effect, shift=shift if scale.kind == "ideal_zero" else None, drift=drift,
        state="limited" if reasons == ["drift over limit"] else state,
        reasons=tuple(reasons),
        note=_note(effect, shift, scale, question.worthwhile(run.attribute)),
        source=run.source,
    )  # fmt: skip


def _note(effect: float | None, shift: float | None, scale: Scale, worthwhile: float) -> str:
    """A bipolar mark can move far and be no better: +2 to -2 is as far from ideal as before."""
    if scale.kind == "quality" or effect is None or shift is None:
        return ""
    if abs(shift) >= 2 * worthwhile - _TINY and abs(effect) < worthwhile - _TINY:
        return "changed a lot, no nearer"
    return ""
