"""Characteristics with their limits, gauges, reading sets. What was read is only ever added, or withdrawn with its reason."""

from collections.abc import Sequence
from typing import Any

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.bench import queries, rules
from app.bench.kept_queries import next_number
from app.bench.models import Characteristic, CharacteristicLimit, Gauge, ReadingSet, SetReading
from app.bench.rules import GaugeFacts, Limits, Occasion
from app.bench.words import Kind
from app.db import Db
from app.errors import Conflict, Refused
from app.gauging.readings import limit_words
from app.history.commands import record
from app.parts import queries as parts
from app.people.queries import get_member
from app.people.rules import name_key
from app.sessions.queries import get_session


def add_characteristic(db: Db, part_id: int, *, by: Viewer, kind: Kind, name: str = "", limits: Limits = Limits(),
                       revision_id: int | None = None, note: str = "", paired_with_id: int | None = None) -> Characteristic:  # fmt: skip
    """Something to gauge on every piece of the part; its first limits, for all revisions or for one."""
    require(by, Action.SET_LIMITS)
    parts.lock_programme(db, by.programme_id)
    part = parts.get_part(db, by.programme_id, part_id)
    called = name.strip() or str(kind)
    if queries.find_characteristic(db, part_id, name_key(called)) is not None:
        raise Refused(f"{part.code} has “{called}” already", "", "Name where it is gauged, such as “thickness at the hole”.", field="name")
    found = Characteristic(programme_id=by.programme_id, part_id=part_id, kind=kind, name=called, name_key=name_key(called), note=note,
                           added_by_id=by.account_id, added_at=clock.now())  # fmt: skip
    if paired_with_id is not None:
        found.paired_with_id = _mate(db, by, part_id, paired_with_id)
    db.add(found)
    db.flush()
    _record(db, by, "added", "characteristic", found.id, f"{part.code} {called}")
    _add_limits(db, by, found.id, part_id, limits, revision_id, reason="", version=1)
    return found


def _mate(db: Db, by: Viewer, part_id: int, other_id: int) -> int:
    other = queries.get_characteristic(db, by.programme_id, other_id)
    if other.part_id != part_id:
        raise Refused(f"{other.name} is of another part", "Paired limits are those of one joint", field="paired_with_id")
    return other.id


def set_limits(db: Db, characteristic_id: int, *, by: Viewer, limits: Limits, reason: str, version: int,
               revision_id: int | None = None) -> None:  # fmt: skip
    """New limits; every standing reading is judged by them from now on, and runs with it."""
    require(by, Action.SET_LIMITS)
    parts.lock_programme(db, by.programme_id)
    row = queries.get_characteristic(db, by.programme_id, characteristic_id)
    newest = queries.list_limits(db, by.programme_id, characteristic_id)[0].limit
    if newest.version != version:
        raise Conflict("The limits were set anew while this page was open", newest.reason, "Look at them below, then set yours again.")
    rules.check_why(reason, field="reason")
    _add_limits(db, by, characteristic_id, row.part_id, limits, revision_id, reason=reason, version=version + 1)
    _record(db, by, "set limits", "characteristic", characteristic_id, f"{row.part_code} {row.name}", why=reason,
            lower=limits.lower, upper=limits.upper)  # fmt: skip


def _add_limits(db: Db, by: Viewer, characteristic_id: int, part_id: int, limits: Limits, revision_id: int | None, *, reason: str,
                version: int) -> None:  # fmt: skip
    if limits.lower is not None and limits.upper is not None and limits.lower > limits.upper:
        raise Refused(f"The lower limit {limits.lower:g} is above the upper limit {limits.upper:g}", "", "Exchange them.", field="lower")
    if revision_id is not None and parts.get_revision(db, by.programme_id, revision_id).part_id != part_id:
        raise Refused("That revision is of another part", field="revision_id")
    db.add(CharacteristicLimit(
        characteristic_id=characteristic_id, version=version, revision_id=revision_id, lower_limit=limits.lower, upper_limit=limits.upper,
        lower_raw=limits.lower_raw, upper_raw=limits.upper_raw, reason=reason, set_by_id=by.account_id, set_at=clock.now()))  # fmt: skip
    db.flush()


def add_gauge(db: Db, *, by: Viewer, name: str, facts: GaugeFacts) -> Gauge:
    """An instrument with its certificate's figures. A new certificate is a new gauge: sets keep the figures of their day."""
    require(by, Action.NOTE_READINGS)
    parts.lock_programme(db, by.programme_id)
    if facts.resolution == 0 and facts.standard_uncertainty == 0:
        raise Refused("A gauge without resolution and without uncertainty", "No gauge is exact", "Give at least its smallest step.",
                      field="resolution")  # fmt: skip
    if facts.lowest is not None and facts.highest is not None and facts.lowest >= facts.highest:
        raise Refused("The range ends below where it begins", field="highest")
    if facts.calibrated_on is not None and facts.calibrated_on > clock.now().date():
        raise Refused("That calibration has not come yet", "", "Check the date.", field="calibrated_on")
    if (same := queries.find_gauge(db, by.programme_id, name_key(name))) is not None:
        raise Refused(f"{same.label} is called “{same.name}” already", "", "Add its number or the year of its certificate.", field="name")
    gauge = Gauge(programme_id=by.programme_id, number=next_number(db, Gauge, by.programme_id), name=name, name_key=name_key(name),
                  unit=facts.unit, resolution=facts.resolution, standard_uncertainty=facts.standard_uncertainty, lowest=facts.lowest,
                  highest=facts.highest, typed=dict(facts.typed or {}), certificate=facts.certificate, calibrated_on=facts.calibrated_on,
                  added_by_id=by.account_id, added_at=clock.now())  # fmt: skip
    db.add(gauge)
    db.flush()
    _record(db, by, "added", "gauge", gauge.id, f"{gauge.label} {name}")
    return gauge


def retire_gauge(db: Db, gauge_id: int, *, by: Viewer, why: str) -> None:
    """It takes no new readings; those taken with it stand."""
    require(by, Action.NOTE_READINGS)
    rules.check_why(why)
    gauge = queries.get_gauge(db, by.programme_id, gauge_id, lock=True)
    if gauge.retired_at is not None:
        raise Conflict(f"{gauge.label} is retired already", gauge.retired_why)
    gauge.retired_at, gauge.retired_why = clock.now(), why
    _record(db, by, "retired", "gauge", gauge.id, f"{gauge.label} {gauge.name}", why=why)


def note_readings(db: Db, *, by: Viewer, piece_id: int, characteristic_id: int, gauge_id: int, readings: Sequence[tuple[str, float]],
                  occasion: Occasion = Occasion()) -> ReadingSet:  # fmt: skip
    """One set of readings, (as typed, in the characteristic's unit) each. Where it fails, runs of the piece stop counting."""
    require(by, Action.NOTE_READINGS)
    parts.lock_programme(db, by.programme_id)
    piece = parts.get_piece(db, by.programme_id, piece_id)
    row = queries.get_characteristic(db, by.programme_id, characteristic_id)
    gauge = queries.get_gauge(db, by.programme_id, gauge_id)
    _check_set(db, by, piece, row, gauge, readings, occasion)
    found = ReadingSet(
        programme_id=by.programme_id, piece_id=piece_id, characteristic_id=characteristic_id, gauge_id=gauge_id,
        resolution=gauge.resolution, gauge_uncertainty=gauge.standard_uncertainty, temperature_degC=occasion.temperature_degC,
        temperature_raw=occasion.temperature_raw, taken=occasion.taken, session_id=occasion.session_id,
        measured_at=occasion.measured_at or clock.now(), taken_by_id=occasion.taken_by_id or by.account_id, noted_by_id=by.account_id,
        noted_at=clock.now(), note=occasion.note,
    )  # fmt: skip
    db.add(found)
    db.flush()
    db.add_all(SetReading(reading_set_id=found.id, place=place, raw=raw, value=value) for place, (raw, value) in enumerate(readings, 1))
    db.flush()
    _record(db, by, "noted readings", "reading set", found.id, f"{piece.revision.label} {piece.mark} {row.name}", readings=len(readings))
    return found


def _check_set(db: Db, by: Viewer, piece: Any, row: queries.CharacteristicRow, gauge: Gauge, readings: Sequence[tuple[str, float]],
               occasion: Occasion) -> None:  # fmt: skip
    quantity = rules.quantity_of(row.kind)
    if piece.revision.part_id != row.part_id:
        raise Refused(f"{row.name} is gauged on {row.part_code}, not on {piece.revision.label} {piece.mark}", field="characteristic_id")
    if gauge.unit != quantity.unit:
        raise Refused(f"{gauge.label} reads {gauge.unit}, {row.name} is in {quantity.unit}", "", "Choose another gauge.", field="gauge_id")
    if gauge.retired_at is not None:
        raise Refused(f"{gauge.label} is retired: {gauge.retired_why}", "", "Choose another gauge.", field="gauge_id")
    if not readings:
        raise Refused("No reading is given", field="readings")
    for raw, value in readings:
        if (gauge.lowest is not None and value < gauge.lowest) or (gauge.highest is not None and value > gauge.highest):
            span = limit_words(gauge.lowest, gauge.highest, gauge.unit)
            raise Refused(f"{raw} lies outside the range of {gauge.label}: {span}", "", "Check the reading or the gauge.", field="readings")
    if occasion.measured_at is not None and occasion.measured_at > clock.now():
        raise Refused("That time has not come yet", "", "Check the date and the hour.", field="measured_at")
    if occasion.taken_by_id is not None:
        get_member(db, by.programme_id, occasion.taken_by_id)
    if bool(occasion.taken) != (occasion.session_id is not None):
        raise Refused("Before or after, and which session, go together", "", "Give both or none.", field="session_id")
    if occasion.session_id is not None:
        get_session(db, by.programme_id, occasion.session_id)
        if sealed := queries.find_sealed_session(db, occasion.session_id, piece.revision_id):
            raise Refused(f"A key of {sealed} is sealed", f"Before it is opened nothing ties {piece.revision.label} to that session",
                          "Give the time alone.", field="session_id")  # fmt: skip


def withdraw_readings(db: Db, set_id: int, *, by: Viewer, why: str) -> None:
    """Out of every figure and verdict, still readable."""
    require(by, Action.NOTE_READINGS)
    rules.check_why(why)
    parts.lock_programme(db, by.programme_id)
    row = queries.get_set(db, by.programme_id, set_id)
    withdraw(row.set, by, why, "This set")
    _record(db, by, "withdrew readings", "reading set", set_id, f"{row.piece} {row.characteristic}", why=why)


def withdraw(row: Any, by: Viewer, why: str, called: str) -> None:
    """Mark a withdrawable row; refused when it is withdrawn already."""
    if row.withdrawn_at is not None:
        raise Conflict(f"{called} is withdrawn already", row.withdrawn_why)
    row.withdrawn_at, row.withdrawn_by_id, row.withdrawn_why = clock.now(), by.account_id, why


def _record(db: Db, by: Viewer, what: str, thing: str, thing_id: int, label: str, *, why: str = "", **detail: Any) -> None:
    record(db, what, thing, thing_id, label, by_id=by.account_id, programme_id=by.programme_id, why=why, **detail)
    db.flush()
