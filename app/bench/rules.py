"""What was gauged as plain facts, judged against the limits that stand. No database."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple

from app.bench.words import PRESETS, Kind
from app.errors import Refused
from app.gauging.readings import Summary, limit_words, state_of, state_sentence, summarise
from app.gauging.standing import Judged
from app.people.rules import name_key
from app.units import Quantity

SHORTEST_WHY = 5


class Limit(NamedTuple):
    """Limits as they stand; revision_id None = of every revision of the part."""

    characteristic_id: int
    version: int
    revision_id: int | None
    lower: float | None
    upper: float | None


NO_LIMIT = Limit(0, 0, None, None, None)


def standing_limit(limits: Iterable[Limit], characteristic_id: int, revision_id: int | None) -> Limit:
    """The newest limits for that revision, else the newest for all revisions."""
    own = [limit for limit in limits if limit.characteristic_id == characteristic_id]
    for wanted in dict.fromkeys((revision_id, None)):
        fitting = [limit for limit in own if limit.revision_id == wanted]
        if fitting:
            return max(fitting, key=lambda limit: limit.version)
    return NO_LIMIT


class SetFact(NamedTuple):
    """One standing reading set: what it was read on and the readings in the characteristic's unit. piece : “FST-t45 r1 #1”."""

    id: int
    piece_id: int
    revision_id: int
    piece: str
    characteristic_id: int
    characteristic: str
    kind: str
    measured_at: datetime
    resolution: float
    gauge_u: float
    values: tuple[float, ...]

    @property
    def quantity(self) -> Quantity:
        return quantity_of(self.kind)

    @property
    def summary(self) -> Summary:
        return summarise(self.values, resolution=self.resolution, gauge_u=self.gauge_u)


class Gauged(NamedTuple):
    """Reading sets that stand, with the limits they are judged by."""

    sets: tuple[SetFact, ...] = ()
    limits: tuple[Limit, ...] = ()

    def limit_of(self, fact: SetFact) -> Limit:
        return standing_limit(self.limits, fact.characteristic_id, fact.revision_id)

    def state_of(self, fact: SetFact) -> str:
        limit, found = self.limit_of(fact), fact.summary
        return state_of(found.mean, limit.lower, limit.upper, found.expanded)

    def by_piece(self) -> dict[int, list[Judged]]:
        """Piece id -> its reading sets, judged."""
        found: dict[int, list[Judged]] = defaultdict(list)
        for fact in self.sets:
            found[fact.piece_id].append(self.judged(fact))
        return found

    def judged(self, fact: SetFact) -> Judged:
        limit, summary, quantity = self.limit_of(fact), fact.summary, fact.quantity
        told = (f"{fact.piece}, {fact.characteristic}: {summary.mean:.{quantity.decimals}f} ± {summary.expanded:.{quantity.decimals}f} "
                f"{quantity.unit} (limits {limit_words(limit.lower, limit.upper, quantity.unit)})")  # fmt: skip
        return Judged(fact.measured_at, fact.id, fact.characteristic, self.state_of(fact), told)

    def sentence(self, fact: SetFact) -> str:
        limit, quantity = self.limit_of(fact), fact.quantity
        return state_sentence(fact.summary, limit.lower, limit.upper, quantity.unit, quantity.decimals)

    def judgements(self) -> dict[int, tuple[str, str]]:
        """Set id -> (state, sentence)."""
        return {fact.id: (self.state_of(fact), self.sentence(fact)) for fact in self.sets}

    def lines(self) -> list["GaugedLine"]:
        """Every set, judged, the newest first; for the part's file."""
        return [
            GaugedLine(fact.id, fact.piece_id, fact.piece, fact.revision_id, fact.characteristic, fact.summary.n, fact.summary.mean,
                       fact.summary.expanded, fact.quantity.unit, fact.quantity.decimals, self.state_of(fact), self.sentence(fact),
                       fact.measured_at)
            for fact in sorted(self.sets, key=lambda fact: (fact.measured_at, fact.id), reverse=True)
        ]  # fmt: skip

    def latest(self) -> list[SetFact]:
        """The newest set of each piece and characteristic: what a piece is like now."""
        newest: dict[tuple[int, int], SetFact] = {}
        for fact in sorted(self.sets, key=lambda fact: (fact.measured_at, fact.id)):
            newest[fact.piece_id, fact.characteristic_id] = fact
        return sorted(newest.values(), key=lambda fact: fact.id)


class GaugedLine(NamedTuple):
    """One standing reading set, judged. expanded : U, k = 2; with the mean in `unit`."""

    set_id: int
    piece_id: int
    piece: str
    revision_id: int
    characteristic: str
    n: int
    mean: float
    expanded: float
    unit: str
    decimals: int
    state: str
    sentence: str
    measured_at: datetime


def quantity_of(kind: str) -> Quantity:
    return PRESETS[Kind(kind)].quantity


def check_why(why: str, *, field: str = "why") -> None:
    if len(name_key(why)) < SHORTEST_WHY:
        raise Refused("Say why in your own words", f"At least {SHORTEST_WHY} characters", field=field)


# --- drift with use
class DriftRow(NamedTuple):
    """A reading set with the laps its piece had driven before it; None = nobody counted some of them."""

    fact: SetFact
    laps: int
    uncounted: int


def laps_before(runs: Sequence[Any], started: Mapping[int, datetime | None], moment: datetime) -> tuple[int, int]:
    """(laps, runs whose laps nobody counted) of runs that began before. `runs` have run_id and laps."""
    own = [run for run in runs if (at := started.get(run.run_id)) is not None and at < moment]
    return sum(run.laps or 0 for run in own), sum(run.laps is None for run in own)


def plain_limit(row: Any) -> Limit:
    """A stored version of limits as a fact."""
    return Limit(row.characteristic_id, row.version, row.revision_id, row.lower_limit, row.upper_limit)


# --- what a command is given
@dataclass(frozen=True, slots=True)
class Limits:
    """Limits in the characteristic's unit with what was typed; None = open on that side."""

    lower: float | None = None
    upper: float | None = None
    lower_raw: str = ""
    upper_raw: str = ""


@dataclass(frozen=True, slots=True)
class GaugeFacts:
    """Figures in `unit`; `typed`: the same as they were typed."""

    unit: str
    resolution: float
    standard_uncertainty: float
    lowest: float | None = None
    highest: float | None = None
    typed: Mapping[str, str] | None = None
    certificate: str = ""
    calibrated_on: date | None = None


@dataclass(frozen=True, slots=True)
class Occasion:
    """When, by whom and how warm; `taken`: before or after a session, where that matters."""

    measured_at: datetime | None = None
    taken_by_id: int | None = None
    temperature_degC: float | None = None
    temperature_raw: str = ""
    taken: str = ""
    session_id: int | None = None
    note: str = ""
