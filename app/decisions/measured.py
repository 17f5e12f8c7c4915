"""What was measured, as rows of one question's evidence: laps, preferences, use and failures, readings. No database."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Any

from app.decisions.facts import Filed, RunFacts
from app.decisions.use import derived_exposures
from app.evidence import rows
from app.measurements.rules import DRIVEN, ExposureFact, LapFact
from app.questions.models import Question
from app.questions.rules import DeclaredRule


@dataclass
class MeasuredRows:
    """Rows by their name in `inputs.Evidence`, each with whether its session is closed (or it has none)."""

    found: dict[str, list[tuple[Any, bool]]] = field(default_factory=dict)

    @property
    def closed(self) -> dict[str, Any]:
        return {name: tuple(row for row, closed in listed if closed) for name, listed in self.found.items()}

    @property
    def all(self) -> dict[str, Any]:
        return {name: tuple(row for row, _ in listed) for name, listed in self.found.items()}

    @property
    def has_open(self) -> bool:
        return any(not closed for listed in self.found.values() for _, closed in listed)


def measured_rows(question: Question, rule: DeclaredRule, runs: Mapping[int, RunFacts], filed: Filed,
                  reasons: Callable[[RunFacts], tuple[str, ...]],
                  others: Callable[[Question, RunFacts], tuple[tuple[str, str], ...]]) -> MeasuredRows:  # fmt: skip
    """reasons : why a run's laps don't count; others : what else was on its car. `runs` are those of the question."""
    codes = {variant.id: variant.code for variant in question.variants}
    of_revision = {link.revision_id: variant.code for variant in question.variants for link in variant.revisions}
    parts = {link.revision_id: link.revision.part_id for variant in question.variants for link in variant.revisions}
    links = {revision: (code, parts[revision]) for revision, code in of_revision.items()}
    return MeasuredRows({
        "laps": _laps(question, runs, filed, reasons, others),
        "preferences": _preferences(question, runs, filed, codes),
        "exposures": _exposures(filed, codes, links) + derived_exposures(question, rule, runs, filed),
        "readings": [
            *((rows.Reading(of_revision[r.revision_id], r.characteristic, r.value, r.unit, r.lower, r.upper, r.uncertainty, r.piece), True)
              for r in filed.measured.readings if r.revision_id in of_revision),
            *_gauged(filed, of_revision),
        ],
    })  # fmt: skip


def _gauged(filed: Filed, of_revision: Mapping[int, str]) -> list[tuple[rows.Reading, bool]]:
    """The newest reading set of each piece and characteristic: what the piece is like now, with its U and the limits that stand."""
    found = []
    for fact in filed.gauged.latest():
        if fact.revision_id in of_revision:
            limit, summary = filed.gauged.limit_of(fact), fact.summary
            found.append((rows.Reading(of_revision[fact.revision_id], fact.characteristic, summary.mean, fact.quantity.unit, limit.lower,
                                       limit.upper, summary.expanded, fact.piece), True))  # fmt: skip
    return found


def _laps(question: Question, runs: Mapping[int, RunFacts], filed: Filed, reasons: Callable[[RunFacts], tuple[str, ...]],
          others: Callable[[Question, RunFacts], tuple[tuple[str, str], ...]]) -> list[tuple[rows.Lap, bool]]:  # fmt: skip
    of_run: dict[int, list[LapFact]] = defaultdict(list)
    for lap in filed.measured.laps:
        if lap.run_id in runs:  # else of another question, or of a session that is hidden
            of_run[lap.run_id].append(lap)
    found = []
    for run_id, laps in sorted(of_run.items()):
        run = runs[run_id]
        spoiled, besides = reasons(run), others(question, run)
        laps.sort(key=lambda lap: lap.number)
        for lap, clock_s in zip(laps, _clocks(run, laps), strict=True):
            row = rows.Lap(run.driver, run.session, run.label, run.variants[question.id], lap.number, lap.time_ms / 1000, clock_s,
                           lap.flag, run.condition, besides, spoiled)  # fmt: skip
            found.append((row, run.closed))
    return found


def _clocks(run: RunFacts, laps: Sequence[LapFact]) -> list[float | None]:
    """Where no lap of a run has a clock, the run's own start and the laps before: near enough to see a track change by."""
    if run.clock_min is None or any(lap.clock_ms is not None for lap in laps):
        return [None if lap.clock_ms is None else lap.clock_ms / 1000 for lap in laps]
    before = accumulate((lap.time_ms for lap in laps), initial=0)
    return [round(run.clock_min * 60 + elapsed / 1000, 3) for elapsed, _ in zip(before, laps, strict=False)]


def _preferences(question: Question, runs: Mapping[int, RunFacts], filed: Filed,
                 codes: Mapping[int, str]) -> list[tuple[rows.Preference, bool]]:  # fmt: skip
    """A choice holds while its driver drove both in that session: a run voided or a build corrected since ends it."""
    drove = {(run.session_id, run.driver, run.variants[question.id]): run for run in runs.values() if run.state in DRIVEN}
    found = []
    for choice in filed.measured.preferences:
        if choice.question_id != question.id:
            continue
        first, second = codes[choice.first_id], codes[choice.second_id]
        driven = [drove.get((choice.session.id, choice.driver, code)) for code in (first, second)]
        if driven[0] is None or driven[1] is None:
            continue
        preferred = None if choice.preferred_id is None else codes[choice.preferred_id]
        row = rows.Preference(choice.driver, choice.session.label, first, second, preferred, driven[0].condition)
        found.append((row, choice.session.closed))
    return found


def _exposures(filed: Filed, codes: Mapping[int, str], links: Mapping[int, tuple[str, int]]) -> list[tuple[rows.Exposure, bool]]:
    """Use of each variant, counted once however many of its parts it was filed for. links : revision -> variant, part.

    Rows of one part add up, also over its steps: those were driven one after the other. Parts of one variant are driven
    together, so of rows filed for several parts in one session (or without one), or for the variant itself beside its
    parts, the largest use counts, for laps, minutes and impacts each. Their failures add up: each part breaks for itself.
    So use is rather understated than counted twice, and rows with and without a session can't be known as the same use.
    """
    together: dict[tuple[str, int | None], dict[int | None, list[ExposureFact]]] = defaultdict(lambda: defaultdict(list))
    for use in filed.measured.exposures:
        code, part = links.get(use.revision_id or 0) or (codes.get(use.variant_id or 0), None)
        if code is not None:
            together[code, use.session.id if use.session else None][part].append(use)
    found = []
    for (code, _), by_part in together.items():
        session = next(iter(by_part.values()))[0].session
        for laps, minutes, failures, impacts in _once(list(by_part.values())):
            row = rows.Exposure(code, laps, minutes, failures, impacts, session.label if session else None)
            found.append((row, session is None or session.closed))
    return found


def _once(parts: Sequence[Sequence[ExposureFact]]) -> list[tuple[int, float, int, int]]:
    """(laps, minutes, failures, impacts) as filed for one part alone; of several parts one row for all."""
    if len(parts) == 1:
        return [(use.laps, use.minutes, use.failures, use.impacts) for use in parts[0]]
    laps = max(sum(use.laps for use in uses) for uses in parts)
    minutes = max(round(sum(use.minutes for use in uses), 2) for uses in parts)
    impacts = max(sum(use.impacts for use in uses) for uses in parts)
    return [(laps, minutes, sum(use.failures for uses in parts for use in uses), impacts)]
