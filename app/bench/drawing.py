"""What was gauged arranged for pictures and tables: two limits against each other, drift with laps, a revision's batch."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from app.bench.queries import CharacteristicRow
from app.bench.rules import Gauged, SetFact, quantity_of
from app.gauging.capability import Capability, capability
from app.web.gauge_charts import Axis, Point, ScatterPicture, Series, scatter


class Batch(NamedTuple):
    """Pieces of one revision against its limits; `found` None with the reason in `why`."""

    revision: str
    n: int
    found: Capability | None
    why: str


def batches(own: Gauged) -> list[Batch]:
    """One a revision: the newest mean of each piece, judged as a process only with its interval."""
    by_revision: dict[int, list[SetFact]] = {}
    for fact in own.latest():
        by_revision.setdefault(fact.revision_id, []).append(fact)
    found = []
    for facts in by_revision.values():
        limit, name = own.limit_of(facts[0]), facts[0].piece.rpartition(" ")[0]
        if limit.lower is None and limit.upper is None:
            found.append(Batch(name, len(facts), None, "no limit is set"))
            continue
        try:
            found.append(Batch(name, len(facts), capability([f.summary.mean for f in facts], lower=limit.lower, upper=limit.upper), ""))
        except ValueError as impossible:
            found.append(Batch(name, len(facts), None, str(impossible)))
    return found


def _axis(row: Any, fact: SetFact | None, gauged: Gauged) -> Axis:
    quantity = quantity_of(row.kind)
    limit = gauged.limit_of(fact) if fact is not None else None
    return Axis(row.name, quantity.unit, limit.lower if limit else None, limit.upper if limit else None, quantity.decimals)


def pair_picture(gauged: Gauged, row: CharacteristicRow, mate: CharacteristicRow) -> ScatterPicture | None:
    """Each piece by both of its newest readings; None while no piece has both."""
    newest: dict[int, dict[int, SetFact]] = {}
    for fact in gauged.latest():
        newest.setdefault(fact.piece_id, {})[fact.characteristic_id] = fact
    both = [own for own in newest.values() if row.id in own and mate.id in own]
    if not both:
        return None
    mixed = len({own[row.id].revision_id for own in both}) > 1
    points = [
        Point(own[row.id].summary.mean, own[mate.id].summary.mean, own[row.id].summary.expanded, own[mate.id].summary.expanded,
              _mark(own[row.id], mixed), _worse(gauged.state_of(own[row.id]), gauged.state_of(own[mate.id])))
        for own in both
    ]  # fmt: skip
    x, y = _axis(row, both[0][row.id], gauged), _axis(mate, both[0][mate.id], gauged)
    return scatter([Series("", points)], x, y)


def _mark(fact: SetFact, mixed: bool) -> str:
    """“#1”, or “k4 r1 #1” where pieces of several revisions are drawn."""
    label, _, mark = fact.piece.rpartition(" ")
    return f"{label.rpartition('-')[2]} {mark}" if mixed else mark


def _worse(one: str, other: str) -> str:
    return next((state for state in ("fail", "inconclusive", "pass") if state in (one, other)), "information")


def drift_picture(own: Gauged, laps: Mapping[int, tuple[int, int]], row: CharacteristicRow) -> ScatterPicture | None:
    """Readings over laps driven, a line a piece; None while no piece was gauged twice."""
    by_piece: dict[int, list[SetFact]] = {}
    for fact in sorted(own.sets, key=lambda fact: (fact.measured_at, fact.id)):
        by_piece.setdefault(fact.piece_id, []).append(fact)
    again = [facts for facts in by_piece.values() if len(facts) > 1]
    if not again:
        return None
    mixed = len({facts[0].revision_id for facts in again}) > 1
    series = [  # named at the end of its line alone
        Series(facts[0].piece, [Point(float(laps.get(f.id, (0, 0))[0]), f.summary.mean, 0.0, f.summary.expanded,
                                      _mark(f, mixed) if f is facts[-1] else "", own.state_of(f)) for f in facts])
        for facts in again
    ]  # fmt: skip
    return scatter(series, Axis("laps driven", "laps", None, None, 0), _axis(row, again[0][0], own), joined=True)
