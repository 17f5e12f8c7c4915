"""Which runs a criterion rests on: rated ones, timed ones, or choices. What the design check reads."""

from collections.abc import Iterable
from dataclasses import dataclass

from app.evidence.inputs import Evidence
from app.evidence.rows import LAP_TIME, PREFERENCE


@dataclass(frozen=True, slots=True)
class DesignRow:
    """One run: who, when, with what on the car. `clock_min` None = order not known."""

    driver: str
    session: str
    run: str
    variant: str
    clock_min: float | None = None
    others: tuple[tuple[str, str], ...] = ()
    condition: str | None = None


def rows_of(evidence: Evidence, criterion: str | None) -> list[DesignRow]:
    """Runs that can speak on a criterion and are not spoiled, paired or not, in a fixed order; None = on anything."""
    if criterion == PREFERENCE:
        return _chosen(evidence) if not evidence.marks else _rated(evidence, None)
    if criterion == LAP_TIME:
        return _timed(evidence)
    if criterion is not None:
        return _rated(evidence, criterion)
    return _once([*_rated(evidence, None), *_timed(evidence)])


def _rated(evidence: Evidence, attribute: str | None) -> list[DesignRow]:
    return _once(
        DesignRow(m.driver, m.session, m.run, m.variant, m.clock_min, m.others, m.condition)
        for m in evidence.marks
        if attribute in (None, m.attribute) and m.rating is not None and not m.spoiled
    )


def _timed(evidence: Evidence) -> list[DesignRow]:
    clocks = {(m.driver, m.session, m.run): m.clock_min for m in evidence.marks if m.clock_min is not None}
    found = []
    for lap in evidence.laps:  # sorted by driver, session, run and lap: a run's first kept lap comes first
        if not lap.spoiled and not lap.flag:
            own = None if lap.clock_s is None else lap.clock_s / 60.0
            clock = clocks.get((lap.driver, lap.session, lap.run)) if own is None else own
            found.append(DesignRow(lap.driver, lap.session, lap.run, lap.variant, clock, lap.others, lap.condition))
    return _once(found)


def _chosen(evidence: Evidence) -> list[DesignRow]:
    """Each choice stands for one run of either variant, in an order nobody noted."""
    return _once(
        DesignRow(c.driver, c.session, f"{c.first} or {c.second}: {v}", v, condition=c.condition)
        for c in evidence.preferences
        for v in (c.first, c.second)
    )


def _once(rows: Iterable[DesignRow]) -> list[DesignRow]:
    found: dict[tuple[str, str, str], DesignRow] = {}
    for row in rows:
        found.setdefault((row.driver, row.session, row.run), row)
    return [found[key] for key in sorted(found)]
