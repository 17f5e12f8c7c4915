"""Steps of the bench that its tests share: a characteristic, a gauge, a reading set. Invented figures."""

from datetime import timedelta
from typing import Any

from app import clock
from app.bench import commands
from app.bench.rules import GaugeFacts, Limits, Occasion
from app.bench.words import Kind
from app.db import Db, transaction
from app.demo import scenes
from app.parts.models import Part
from app.units import PLAY
from tests import fixture

EVENING = scenes.moment(fixture.DAY, 18)


def part_id(db: Db, w: fixture.World, code: str = "FST") -> int:
    found = db.query(Part).filter(Part.programme_id == w.team.id, Part.code == code).one().id
    db.rollback()
    return found


def characteristic(db: Db, w: fixture.World, kind: Kind = Kind.THICKNESS, *, lower: float | None = None, upper: float | None = None,
                   revision: str | None = None, name: str = "", paired_with_id: int | None = None) -> int:  # fmt: skip
    part = part_id(db, w)
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 7)):
        return commands.add_characteristic(
            db, part, by=w.team.RT, kind=kind, name=name, limits=Limits(lower, upper, str(lower or ""), str(upper or "")),
            revision_id=w.q.revisions[revision] if revision else None, paired_with_id=paired_with_id).id  # fmt: skip


def gauge(db: Db, w: fixture.World, name: str = "micrometer", unit: str = "mm", resolution: float = 0.01, u: float = 0.005,
          **more: Any) -> int:  # fmt: skip
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 7)):
        return commands.add_gauge(db, by=w.team.SK, name=name, facts=GaugeFacts(unit, resolution, u, **more)).id


def read(db: Db, w: fixture.World, characteristic_id: int, gauge_id: int, piece_id: int, values: list[float], *, hour: float = 18.0,
         by: str = "SK", **more: Any) -> int:  # fmt: skip
    at = scenes.moment(fixture.DAY, 0) + timedelta(hours=hour)
    with transaction(db), clock.at(at + timedelta(minutes=5)):
        return commands.note_readings(
            db, by=w.team[by], piece_id=piece_id, characteristic_id=characteristic_id, gauge_id=gauge_id,
            readings=[(f"{value:g}", value) for value in values], occasion=Occasion(measured_at=at, **more)).id  # fmt: skip


def thickness(db: Db, w: fixture.World) -> tuple[int, int]:
    """(characteristic, gauge): the drawing of t45 says 4.50 ± 0.05."""
    return characteristic(db, w, lower=4.45, upper=4.55, revision="t45"), gauge(db, w)


def out_of_tolerance(db: Db, w: fixture.World) -> int:
    """t45 #1 measured 4.32 mm after the day; answers the set."""
    own, with_gauge = thickness(db, w)
    return read(db, w, own, with_gauge, w.q.pieces["t45"][0], [4.32, 4.31, 4.32, 4.33, 4.32])


__all__ = ["EVENING", "PLAY"]
