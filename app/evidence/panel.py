"""What the drivers said: counted from runs, driver by driver, never modelled.

The driver is the unit: twelve slips of one driver are one voice. Votes, limits and the order of the readings are
common practice, no source (our defaults, declared per question before its first counted run). The one borrowed
number is repeatability, the pooled within-group SD; for pairs sqrt(sum d^2 / 2n) (ISO 5725-2 idea, from memory).
"""

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from statistics import fmean, median
from typing import Literal

from app.evidence.brackets import derive_brackets, unpaired_opinions
from app.evidence.inputs import Evidence, Mark, Question
from app.evidence.panel_words import panel_sentence
from app.evidence.phrases import counted_brackets, ordinal
from app.evidence.results import BracketReading, ClassReading, DriverEffect, Panel, PanelReading, Repeatability

_TINY = 1e-9
_AHEAD_SHARE = 2 / 3


def what_the_drivers_said(evidence: Evidence) -> Panel:
    """The panel reading of every rival on the rule's primary attribute. Empty when the rule names no attribute."""
    question = evidence.question
    attribute = question.rule.primary
    share = blind_share(evidence.marks, question)
    judges = {name: _judges(evidence.marks, name)[2] for name in question.scales}
    if attribute is None:
        return Panel(None, (), (), None, share, judges, (), ())
    repeats = repeatability(evidence.marks, question, attribute)
    noise = next((r.bracket_noise for r in repeats if r.driver is None), None)
    readings = tuple(_read_variant(evidence, rival, attribute, noise, share) for rival in question.rivals)
    sentences = []
    worthwhile = question.worthwhile(attribute)
    if noise is not None and noise > worthwhile + _TINY:
        sentences.append(
            f"W is {worthwhile:.2f}, but one bracket is only good to {noise:.2f} (one SD): "
            "a single bracket cannot show a difference of that size."
        )
    return Panel(attribute, readings, repeats, noise, share, judges, _indirect(readings), tuple(sentences))


def repeatability(marks: Sequence[Mark], question: Question, attribute: str) -> tuple[Repeatability, ...]:
    """s of each driver, and pooled (driver None), from repeated control runs of one session; in marks.

    Pooled within-group SD over (driver, session, car); a mid-point bracket's noise is s sqrt(1.5). No repeats: empty.
    Where the ideal is zero, of distances from it: only they make a bracket's effect, so +2 and -2 are the same mark.
    """
    bipolar = question.scales[attribute].kind == "ideal_zero"
    groups: defaultdict[tuple[str, str, str], list[float]] = defaultdict(list)
    for mark in marks:
        if mark.variant == question.control and _usable(mark, attribute):
            rating = mark.rating or 0.0
            groups[mark.driver, mark.session, mark.car or ""].append(abs(rating) if bipolar else rating)
    squares: defaultdict[str | None, float] = defaultdict(float)
    freedom: defaultdict[str | None, int] = defaultdict(int)
    for (driver, _, _), values in sorted(groups.items()):
        for key in (driver, None):
            squares[key] += sum((value - fmean(values)) ** 2 for value in values)
            freedom[key] += len(values) - 1
    found = []
    for key in sorted(freedom, key=lambda d: (d is None, d or "")):
        if freedom[key] > 0:
            s = math.sqrt(squares[key] / freedom[key])
            found.append(Repeatability(key, s, s * math.sqrt(1.5), freedom[key]))
    return tuple(found)


def blind_share(marks: Sequence[Mark], question: Question) -> float | None:
    """Share of counted marks on the primary attribute given blind; None without marks."""
    counted = [m for m in marks if m.attribute == question.rule.primary and m.rating is not None and not m.spoiled]
    return fmean(not mark.open_label for mark in counted) if counted else None


def driver_effects(brackets: Sequence[BracketReading], worthwhile: float) -> tuple[DriverEffect, ...]:
    """Mean of each driver's counted brackets (of one class) and the vote it makes; + is better, in marks."""
    effects: defaultdict[str, list[BracketReading]] = defaultdict(list)
    for bracket in brackets:
        if bracket.state == "counted":
            effects[bracket.driver].append(bracket)
    found = []
    for driver, own in sorted(effects.items()):
        effect = fmean(b.effect for b in own if b.effect is not None)
        shifts = [b.shift for b in own if b.shift is not None]
        vote = _vote(effect, worthwhile)
        found.append(DriverEffect(driver, own[0].condition, effect, len(own), vote, fmean(shifts) if shifts else None))
    return tuple(found)


def _vote(effect: float, worthwhile: float) -> Literal["for", "none", "against"]:
    if effect >= worthwhile - _TINY:
        return "for"
    return "against" if effect <= -worthwhile + _TINY else "none"


def _read_variant(
    evidence: Evidence, variant: str, attribute: str, noise: float | None, share: float | None
) -> PanelReading:
    question = evidence.question
    brackets = tuple(b for b in derive_brackets(evidence.marks, question, attribute) if b.variant == variant)
    unpaired = tuple(o for o in unpaired_opinions(evidence.marks, question, attribute) if o.variant == variant)
    conditions = sorted({b.condition for b in brackets} | set(question.rule.conditions), key=lambda c: c or "")
    classes = tuple(_read_class(evidence, variant, attribute, c, brackets, noise) for c in conditions or [None])
    top = max(classes, key=lambda c: len(c.drivers))
    reading, missing = _combine(question, classes, share)
    blockers = _blockers(evidence, variant)
    if blockers:
        reading, missing = "blocked", ()
    tests = [m.rating for m in evidence.marks if m.variant == variant and _usable(m, attribute)]
    bipolar = question.scales[attribute].kind == "ideal_zero"
    distances = tuple(abs(rating) for rating in tests if rating is not None) if bipolar else ()
    judged, raters, judges = _judges([m for m in evidence.marks if m.variant == variant], attribute)
    not_counted = Counter(reason for b in brackets if b.state == "not_counted" for reason in b.reasons)
    return PanelReading(
        variant=variant, attribute=attribute, reading=reading,
        sentence=panel_sentence(reading, top, missing, blockers, classes, question.worthwhile(attribute)),
        condition=top.condition, drivers=top.drivers, median=top.median, low=top.low, high=top.high,
        votes_for=top.votes_for, votes_none=top.votes_none, votes_against=top.votes_against,
        classes=classes, missing=missing, brackets=brackets,
        limited=sum(b.state == "limited" for b in brackets), not_counted=dict(sorted(not_counted.items())),
        secondary_medians=_secondary_medians(evidence, variant, attribute, top.condition),
        distances=distances, directions=tuple(r for r in tests if r is not None) if bipolar else (),
        mean_distance=fmean(distances) if distances else None,
        unpaired=unpaired, judges=judged, raters=raters, judges_sentence=judges,
        worthwhile=question.worthwhile(attribute),
    )  # fmt: skip


def _usable(mark: Mark, attribute: str) -> bool:
    return mark.attribute == attribute and mark.rating is not None and not mark.spoiled


def _read_class(
    evidence: Evidence,
    variant: str,
    attribute: str,
    condition: str | None,
    brackets: Sequence[BracketReading],
    noise: float | None,
) -> ClassReading:
    question = evidence.question
    worthwhile = question.worthwhile(attribute)
    drivers = driver_effects([b for b in brackets if b.condition == condition], worthwhile)
    votes = [d.vote for d in drivers]
    ahead, level, behind = votes.count("for"), votes.count("none"), votes.count("against")
    effects = [d.effect for d in drivers]
    missing = _missing(question, condition, drivers)
    medians = _secondary_medians(evidence, variant, attribute, condition)
    harmed = any(value <= -question.worthwhile(name) + _TINY for name, value in medians.items())
    slower = variant in evidence.lap_guard_worse
    too_noisy = noise is not None and noise > worthwhile + _TINY
    reading = "not_enough" if missing else _word((ahead, level, behind), harmed or slower, too_noisy)
    return ClassReading(
        condition,
        drivers,
        median(effects) if effects else None,
        min(effects, default=None),
        max(effects, default=None),
        ahead,
        level,
        behind,
        reading,
        missing,
    )


def _word(votes: tuple[int, int, int], held_back: bool, too_noisy: bool) -> str:
    """The reading of one class with enough evidence, first that applies. votes: for, none, against."""
    ahead, level, behind = votes
    if ahead and behind:
        return "drivers_conflict"
    if ahead >= _AHEAD_SHARE * sum(votes) - _TINY and not held_back:
        return "favours_adopt"
    if behind >= _AHEAD_SHARE * sum(votes) - _TINY:
        return "favours_reject"
    if level == sum(votes):
        return "not_shown" if too_noisy else "no_practical_difference"
    return "mixed_retest"


def _missing(question: Question, condition: str | None, drivers: Sequence[DriverEffect]) -> tuple[str, ...]:
    """Exactly what this class still needs, in words; empty when it has enough."""
    rule = question.rule
    where = f" on {condition}" if condition else ""
    needs = []
    for driver in drivers:
        if driver.brackets < rule.brackets:
            needs.append(f"{counted_brackets(rule.brackets - driver.brackets, more=True)} from {driver.driver}{where}")
    absent = rule.drivers - len(drivers)
    if absent == 1:
        needs.append(f"{counted_brackets(rule.brackets, more=True)} from a {ordinal(len(drivers) + 1)} driver{where}")
    elif absent > 1:
        more = " more" if drivers else ""
        needs.append(f"{counted_brackets(rule.brackets, more=False)} from each of {absent}{more} drivers{where}")
    return tuple(needs)


def _combine(question: Question, classes: Sequence[ClassReading], share: float | None) -> tuple[str, tuple[str, ...]]:
    """One reading over the condition classes, and what is missing. Classes nobody asked for are ignored while thin."""
    required = question.rule.conditions
    wanted = [c for c in classes if c.condition in required]
    enough = [c for c in classes if not c.missing]
    missing = [need for c in wanted for need in c.missing]
    if not required and not enough:
        missing = list(max(classes, key=lambda c: len(c.drivers)).missing)
    if question.rule.blind_share > 0 and (share or 0.0) < question.rule.blind_share - _TINY:
        missing.append(f"blind marks: {share or 0:.0%} of the marks are blind, {question.rule.blind_share:.0%} wanted")
    if missing:
        return "not_enough", tuple(missing)
    readings = {c.reading for c in enough}
    if "drivers_conflict" in readings:
        return "drivers_conflict", ()
    opposite = {"favours_reject", "no_practical_difference", "not_shown"}
    if "favours_adopt" in readings and readings & opposite:
        return "depends_on_conditions", ()
    return (readings.pop(), ()) if len(readings) == 1 else ("mixed_retest", ())


def _blockers(evidence: Evidence, variant: str) -> tuple[str, ...]:
    failed = [
        g.sentence or f"{g.name} not passed"
        for g in evidence.gates
        if g.passed is False and g.variant in (None, variant)
    ]
    concerns = [f"concern {c.label} is open" for c in evidence.concerns if c.blocks and c.variant in (None, variant)]
    return tuple(failed + concerns)


def _secondary_medians(evidence: Evidence, variant: str, primary: str, condition: str | None) -> dict[str, float]:
    """Median of driver effects of every other attribute of the rule, in one class."""
    question, found = evidence.question, {}
    for name in [n for n in question.rule.attributes if n in question.scales]:
        if name == primary:
            continue
        brackets = derive_brackets(evidence.marks, question, name)
        own = [b for b in brackets if b.variant == variant and b.condition == condition]
        if effects := [d.effect for d in driver_effects(own, question.worthwhile(name))]:
            found[name] = median(effects)
    return found


def _judges(marks: Sequence[Mark], attribute: str) -> tuple[int, int, str]:
    """How many of the raters could judge this attribute at least once."""
    raters = {m.driver for m in marks if m.attribute == attribute and not m.spoiled}
    judged = {m.driver for m in marks if _usable(m, attribute)}
    return len(judged), len(raters), f"{len(judged)} of {len(raters)}"


def _indirect(readings: Sequence[PanelReading]) -> tuple[tuple[str, str, float, int], ...]:
    """Two rivals both ahead of control, compared within driver; indirect until a direct bracket exists."""
    found = []
    for i, a in enumerate(readings):
        for b in readings[i + 1 :]:
            if (a.median or 0.0) <= 0 or (b.median or 0.0) <= 0 or a.condition != b.condition:
                continue
            other = {d.driver: d.effect for d in b.drivers}
            gaps = [d.effect - other[d.driver] for d in a.drivers if d.driver in other]
            if gaps:
                found.append((a.variant, b.variant, median(gaps), len(gaps)))
    return tuple(found)
