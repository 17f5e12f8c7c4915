"""What the names in a table mean in this programme, and what is known of its runs, as plain facts. No database."""

import hashlib
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from app.errors import Refused
from app.measurements.models import Kind
from app.people.rules import name_key
from app.sessions.models import CLOSED_STATES, RunState
from app.tables import Errors

DRIVEN = (RunState.DRIVING, RunState.DRIVEN, RunState.SHORT)
NO_PREFERENCE = ("", "-", "–", "none", "no preference", "n/a", "tie")
SHORTEST_WHY = 5

NEEDED: Mapping[Kind, tuple[str, ...]] = {
    Kind.LAPS: ("session", "run", "lap", "lap_time_s"),
    Kind.PREFERENCES: ("question", "driver", "session", "first", "second", "preferred"),
    Kind.EXPOSURES: (),  # a part's revision, or a question's variant: `plan` says which is missing
    Kind.READINGS: ("revision", "characteristic", "value"),
}
OPTIONAL: Mapping[Kind, tuple[str, ...]] = {
    Kind.LAPS: ("driver", "variant", "clock_s", "flag"),
    Kind.PREFERENCES: (),
    Kind.EXPOSURES: ("part", "revision", "question", "variant", "laps", "minutes", "failures", "impacts", "session", "note"),
    Kind.READINGS: ("part", "piece", "unit", "lower", "upper", "uncertainty"),
}
FLAG_COLUMNS = ("session", "run", "lap", "flag")  # of a table of flags beside a table of laps; driver may be there too


@dataclass(frozen=True, slots=True)
class RunFact:
    """A run as a table may name it, with what its newest build carries."""

    id: int
    session_id: int
    label: str
    driver_id: int
    driver: str
    state: str
    variants: Mapping[int, int] = field(default_factory=dict)  # question id -> variant id


class VariantFact(NamedTuple):
    id: int
    question_id: int
    code: str
    revision_ids: tuple[int, ...]


class RevisionFact(NamedTuple):
    id: int
    label: str
    part: str  # its code


@dataclass
class Book:
    """Everything a table of one kind may name. Keys are folded by `name_key`; ids are the programme's own.

    A label is the name of one thing; an alias, the name that an imported table gave, may be that of several.
    """

    sessions: dict[str, list[tuple[int, str]]] = field(default_factory=dict)  # label or alias -> (id, label)
    runs: dict[tuple[int, str], list[RunFact]] = field(default_factory=dict)  # (session id, label or alias)
    people: dict[str, int] = field(default_factory=dict)  # initials -> account id
    questions: dict[str, list[tuple[int, str]]] = field(default_factory=dict)  # label or title -> (id, label)
    variants: dict[tuple[int, str], VariantFact] = field(default_factory=dict)  # (question id, code)
    revisions: dict[str, list[RevisionFact]] = field(default_factory=dict)  # label or alias
    pieces: dict[tuple[int, str], int] = field(default_factory=dict)  # (revision id, mark)
    laps: Collection[tuple[int, int]] = ()  # (run id, number) that are here already
    preferences: Mapping[tuple[int, int, int, frozenset[int]], int] = field(default_factory=dict)  # -> batch id

    def drove(self, session_id: int, account_id: int, question_id: int) -> set[int]:
        """Variants of a question that a person really drove in a session."""
        return {run.variants[question_id] for runs in self.runs.values() for run in runs
                if run.session_id == session_id and run.driver_id == account_id and run.state in DRIVEN
                and question_id in run.variants}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlannedRow:
    """One line of a table and what becomes of it. values : columns of its row; session_id, question_ids : what it touches."""

    line: int
    cells: tuple[str, ...]
    fate: str
    wrong: bool = False
    values: Mapping[str, Any] = field(default_factory=dict)
    session_id: int | None = None
    question_ids: tuple[int, ...] = ()


class Plan(NamedTuple):
    """A whole table, read: every line with its fate. Nothing of it is taken while `errors` has any."""

    kind: Kind
    header: tuple[str, ...]
    rows: tuple[PlannedRow, ...]
    errors: Errors
    digest: str
    not_read: tuple[str, ...] = ()

    @property
    def good(self) -> int:
        return sum(not row.wrong for row in self.rows)

    @property
    def flagged(self) -> int:
        return sum(bool(row.values.get("flag")) for row in self.rows)


class LapFact(NamedTuple):
    run_id: int
    number: int
    time_ms: int
    clock_ms: int | None
    flag: str


class SessionFact(NamedTuple):
    """The session of a row that is not of a run."""

    id: int
    label: str
    state: str

    @property
    def closed(self) -> bool:
        return self.state in CLOSED_STATES


class PreferenceFact(NamedTuple):
    question_id: int
    session: SessionFact
    driver: str
    first_id: int
    second_id: int
    preferred_id: int | None


class ExposureFact(NamedTuple):
    session: SessionFact | None
    revision_id: int | None
    variant_id: int | None
    laps: int
    minutes: float
    failures: int
    impacts: int


class ReadingFact(NamedTuple):
    revision_id: int
    piece: str
    characteristic: str
    value: float
    unit: str
    lower: float | None
    upper: float | None
    uncertainty: float | None


class Measured(NamedTuple):
    """Everything measured about some questions, of batches that stand."""

    laps: tuple[LapFact, ...] = ()
    preferences: tuple[PreferenceFact, ...] = ()
    exposures: tuple[ExposureFact, ...] = ()
    readings: tuple[ReadingFact, ...] = ()


def numbered(name: str, letter: str) -> str:
    """S-3, s03 and 3 are all s-03; anything else is itself, folded."""
    folded = name_key(name)
    found = re.fullmatch(rf"(?:{letter}-?)?0*([0-9]{{1,6}})", folded)
    return f"{letter}-{int(found.group(1)):02d}" if found else folded


def digest_of(text: str, flags: str) -> str:
    """SHA-256 of a table's text with the flags that came beside it, whatever its line ends."""
    whole = "\x00".join(unix(part).strip() for part in (text, flags))
    return hashlib.sha256(whole.encode("utf-8", "replace")).hexdigest()


def unix(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def check_why(why: str) -> None:
    if len(why.strip()) < SHORTEST_WHY:
        raise Refused("Say why in your own words", f"At least {SHORTEST_WHY} characters", field="why")
