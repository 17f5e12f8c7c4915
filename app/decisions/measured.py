"""What was measured, as rows of one question's evidence: laps, preferences, use and failures, readings. No database."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Any

from app.decisions.facts import Filed, RunFacts
from app.evidence import rows
from app.measurements.rules import DRIVEN, LapFact
from app.questions.models import Question


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


def measured_rows(question: Question, runs: Mapping[int, RunFacts], filed: Filed, reasons: Callable[[RunFacts], tuple[str, ...]],
                  others: Callable[[Question, RunFacts], tuple[tuple[str, str], ...]]) -> MeasuredRows:  # fmt: skip
    """reasons : why a run's laps don't count; others : what else was on its car. `runs` are those of the question."""
    codes = {variant.id: variant.code for variant in question.variants}
    of_revision = {link.revision_id: variant.code for variant in question.variants for link in variant.revisions}
    return MeasuredRows({
        "laps": _laps(question, runs, filed, reasons, others),
        "preferences": _preferences(question, runs, filed, codes),
        "exposures": _exposures(filed, codes, of_revision),
        "readings": [
            (rows.Reading(of_revision[r.revision_id], r.characteristic, r.value, r.unit, r.lower, r.upper, r.uncertainty, r.piece), True)
            for r in filed.measured.readings if r.revision_id in of_revision
        ],
    })  # fmt: skip


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


def _exposures(filed: Filed, codes: Mapping[int, str], of_revision: Mapping[int, str]) -> list[tuple[rows.Exposure, bool]]:
    """Rows as filed, not added up: where a variant is of several parts, each part's use is a row of its own."""
    found = []
    for use in filed.measured.exposures:
        code = of_revision.get(use.revision_id or 0) or codes.get(use.variant_id or 0)
        if code is None:
            continue
        session = use.session
        row = rows.Exposure(code, use.laps, use.minutes, use.failures, use.impacts, session.label if session else None)
        found.append((row, session is None or session.closed))
    return found
