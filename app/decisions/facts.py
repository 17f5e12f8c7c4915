"""Everything filed about some questions, as plain facts between the database and the evidence core."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from app.bench.rules import Gauged
from app.blind.rules import BlockFacts
from app.clock import minutes_between
from app.feedback import rules as feedback
from app.gauging.standing import Judged
from app.grid.rules import GridFacts
from app.incidents.exposures import IncidentFact
from app.measurements.rules import Measured
from app.programmes.models import Attribute
from app.questions.models import Question
from app.questions.rules import DeclaredRule
from app.sessions.rules import BuildFacts

if TYPE_CHECKING:  # types only: evidence loads with the first sheet, not with the app
    from app.evidence import inputs


@dataclass(frozen=True, slots=True)
class RunFacts:
    """One run as evidence needs it. `variants`: question id -> variant code on the car."""

    id: int
    session_id: int
    session: str
    label: str
    number: int
    car: str
    driver: str
    state: str
    started_at: datetime | None
    ended_at: datetime | None
    closed: bool
    condition: str
    air_temp_degC: float | None
    order_known: bool
    session_start: datetime | None
    closed_at: datetime | None
    variants: Mapping[int, str]
    build: BuildFacts
    asked: Mapping[int, str] = field(default_factory=dict)  # question id -> its label
    parts: Mapping[str, int] = field(default_factory=dict)  # part code -> revision id
    laps_driven: int | None = None
    piece_ids: tuple[int, ...] = ()

    @property
    def clock_min(self) -> float | None:
        if self.started_at is None or self.session_start is None:
            return None
        return round(minutes_between(self.session_start, self.started_at), 2)

    @property
    def minutes(self) -> float:
        """On track; 0 where start or end is not known."""
        return minutes_between(self.started_at, self.ended_at) if self.started_at and self.ended_at else 0.0


class SlipFacts(NamedTuple):
    """The standing version of one slip; `marks`: attribute id -> hundredths, None = could not judge."""

    id: int
    run_id: int
    rater: str
    captured_at: datetime
    heard_others: bool
    remark: str
    amended_at: datetime | None  # when the version that stands was made, if it is not the first
    marks: Mapping[int, int | None]
    received_at: datetime | None = None
    clock_checked: bool = True


@dataclass(frozen=True, slots=True)
class Loaded:
    """Evidence of one question with what the page needs to open each figure to its runs and slips."""

    question: Question
    rule: DeclaredRule | None
    look: inputs.Evidence | None  # closed sessions only: what the verdict stands on
    running: inputs.Evidence | None  # with open sessions, where they add something
    refused: str
    runs: Mapping[int, RunFacts]
    slips: Mapping[int, SlipFacts]
    counting: Mapping[int, feedback.Counting]
    second_changes: Mapping[int, Sequence[str]]
    run_ids: Mapping[tuple[str, str], int]  # (session label, run label) -> run id
    blockers: Sequence[tuple[str, int]]  # (label, id) of open concerns that stop a verdict
    blocks: Sequence[BlockFacts] = ()  # blind blocks of this question; the key of a sealed one is left out
    open_labels: Mapping[int, str] = field(default_factory=dict)  # slip id -> why it is open-label
    out: Mapping[int, Sequence[Judged]] = field(default_factory=dict)  # run id -> failed readings of pieces that were on its car
    without: inputs.Evidence | None = None  # `look` as it would be if those pieces were in tolerance; None where none was out


@dataclass(frozen=True, slots=True)
class Filed:
    """Everything filed about the wanted questions, before it is sorted out question by question."""

    runs: Mapping[int, RunFacts]
    slips: Sequence[SlipFacts]
    notes: Mapping[tuple[str, int], Sequence[feedback.Note]]  # ("run" or "slip", its id)
    concerns: Sequence[Any]
    attributes: Mapping[int, Attribute]
    measured: Measured = field(default_factory=Measured)
    incidents: Sequence[IncidentFact] = ()
    gauged: Gauged = field(default_factory=Gauged)
    blocks: Sequence[BlockFacts] = ()
    grids: Sequence[GridFacts] = ()
