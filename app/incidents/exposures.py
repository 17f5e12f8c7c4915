"""What a piece or a revision has been through: laps, minutes, impacts, failures. No database.

Nothing is counted twice. A hit on both arms of a car is one hit of their revision. Where a table of use was filed for a
revision and session, the table is taken for that session and nothing is derived from its runs and incidents; a table
without a session covers them all.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from app.incidents import rules
from app.measurements.rules import SessionFact

Covered = frozenset[tuple[int, int | None]]  # (revision id, session id or None) that a table was filed for


class IncidentFact(NamedTuple):
    """One piece in one incident, as counting needs it; `cause` is the newest class."""

    id: int
    number: int
    session: SessionFact | None
    revision_id: int
    piece_id: int
    kind: str
    hits: int
    damage: tuple[str, ...]
    cause: str
    reason: str = ""
    at: datetime | None = None

    @property
    def label(self) -> str:
        return f"I-{self.number:02d}"

    @property
    def failed(self) -> bool:
        return rules.counts_as_failure(self.kind, self.damage, self.cause)

    @property
    def excused(self) -> bool:
        return rules.has_failed(self.kind, self.damage) and not self.failed

    @property
    def told(self) -> str:
        """“I-03 cracked, cause unknown”."""
        return f"{self.label} {', '.join(self.damage) or self.kind}, cause {self.cause}"


class Once(NamedTuple):
    """An incident counted once, whatever number of its pieces are meant."""

    facts: tuple[IncidentFact, ...]

    @property
    def first(self) -> IncidentFact:
        return next((fact for fact in self.facts if fact.failed), self.facts[0])

    @property
    def failed(self) -> bool:
        return any(fact.failed for fact in self.facts)

    @property
    def excused(self) -> bool:
        return not self.failed and any(fact.excused for fact in self.facts)

    @property
    def impacts(self) -> int:
        return rules.impacts_of(self.first.kind, self.first.hits)


def once(facts: Iterable[IncidentFact]) -> list[Once]:
    """By incident, in their order."""
    grouped: dict[int, list[IncidentFact]] = {}
    for fact in facts:
        grouped.setdefault(fact.id, []).append(fact)
    return [Once(tuple(grouped[key])) for key in sorted(grouped)]


class Hits(NamedTuple):
    """Hits of one sort: clean ones, failures, and breaks that don't count (accident beyond design, another part)."""

    clean: int
    failures: tuple[str, ...]
    excused: tuple[str, ...]

    @property
    def bound(self) -> float:
        return rules.upper_bound(self.clean, len(self.failures))


def hits_of(facts: Iterable[IncidentFact], asked: str) -> Hits:
    """A hit that broke the part is never clean, whatever its cause."""
    hits = [found for found in once(facts) if rules.matches(asked, found.first.kind)]
    clean = sum(found.first.hits - (found.failed or found.excused) for found in hits)
    return Hits(clean, tuple(found.first.told for found in hits if found.failed),
                tuple(found.first.told for found in hits if found.excused))  # fmt: skip


class RunUse(NamedTuple):
    """A run that something was on. laps : timed ones where there are any, else as counted; None = nobody counted."""

    run_id: int
    label: str
    session_id: int
    piece_id: int
    revision_id: int
    laps: int | None
    minutes: float
    closed: bool = True  # its session
    started_at: datetime | None = None


class FiledUse(NamedTuple):
    """A row of a table of use; `session` None = it counts for all."""

    session_id: int | None
    session: str
    laps: int
    minutes: float
    impacts: int
    failures: int
    note: str
    revision_id: int | None = None  # None: of a variant


@dataclass
class Use:
    """What one piece or revision has been through. Minutes on track."""

    runs: int = 0
    laps: int = 0
    minutes: float = 0.0
    uncounted: int = 0  # runs whose laps nobody counted
    impacts: Counter[str] = field(default_factory=Counter)
    failures: list[IncidentFact] = field(default_factory=list)
    excused: list[IncidentFact] = field(default_factory=list)
    filed: list[FiledUse] = field(default_factory=list)

    @property
    def all_impacts(self) -> int:
        return sum(self.impacts.values())

    @property
    def total_failures(self) -> int:
        return len(self.failures)

    @property
    def clean(self) -> int:
        """Impacts without a break; a break of a part that was not hit takes none away."""
        broke = sum(1 for fact in (*self.failures, *self.excused) if rules.impacts_of(fact.kind, 1))
        return max(0, self.all_impacts - broke)

    @property
    def bound(self) -> float:
        struck = sum(1 for fact in self.failures if rules.impacts_of(fact.kind, 1))
        return rules.upper_bound(self.clean, struck)

    @property
    def struck_failures(self) -> int:
        return sum(1 for fact in self.failures if rules.impacts_of(fact.kind, 1))


def add_up(runs: Sequence[RunUse], facts: Sequence[IncidentFact], filed: Sequence[FiledUse] = ()) -> Use:
    """The sum; what a filed table covers is left to the table, which stands beside it."""
    covered = {row.session_id for row in filed}
    use = Use(filed=list(filed))
    seen: dict[int, RunUse] = {}
    for run in runs:
        if None not in covered and run.session_id not in covered:
            seen.setdefault(run.run_id, run)
    use.runs = len(seen)
    use.laps = sum(run.laps or 0 for run in seen.values())
    use.minutes = round(sum(run.minutes for run in seen.values()), 1)
    use.uncounted = sum(run.laps is None for run in seen.values())
    for found in once(facts):
        session = found.first.session
        if None in covered or (session is not None and session.id in covered):
            continue
        if found.impacts:
            use.impacts[found.first.kind] += found.impacts
        if found.failed:
            use.failures.append(found.first)
        elif found.excused:
            use.excused.append(found.first)
    return use


def by_piece(runs: Sequence[RunUse], facts: Sequence[IncidentFact]) -> Mapping[int, Use]:
    """Piece id -> its own use; tables are of revisions, so none stands beside it."""
    pieces = {run.piece_id for run in runs} | {fact.piece_id for fact in facts}
    return {
        piece: add_up([run for run in runs if run.piece_id == piece], [fact for fact in facts if fact.piece_id == piece])
        for piece in sorted(pieces)
    }  # fmt: skip
