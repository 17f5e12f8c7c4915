"""Gauge studies, fits, chains and expected effects: kept as they were typed, withdrawn with a reason."""

from collections.abc import Mapping, Sequence
from typing import Any

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.bench import kept_queries, queries, rules, typed
from app.bench.commands import withdraw
from app.bench.models import Chain, ExpectedEffect, Fit, GaugeStudy, StudyReading
from app.bench.words import EffectKind
from app.db import Db
from app.errors import NotFound, Refused
from app.gauging.study import Trial, what_is_missing
from app.history.commands import record
from app.parts.queries import lock_programme
from app.units import LENGTH


def keep_study(db: Db, *, by: Viewer, characteristic_id: int, gauge_id: int, trials: Sequence[tuple[Trial, str]],
               note: str = "") -> GaugeStudy:  # fmt: skip
    """A crossed, balanced study, or a refusal that says which trials are missing. trials : (trial, its value as typed)."""
    require(by, Action.NOTE_READINGS)
    lock_programme(db, by.programme_id)
    row = queries.get_characteristic(db, by.programme_id, characteristic_id)
    gauge, unit = queries.get_gauge(db, by.programme_id, gauge_id), rules.quantity_of(row.kind).unit
    if gauge.unit != unit:
        raise Refused(f"{gauge.label} reads {gauge.unit}, {row.name} is in {unit}", "", "Choose another gauge.", field="gauge_id")
    if problem := what_is_missing([trial for trial, _ in trials]):
        raise Refused("This is no crossed study", problem[0].upper() + problem[1:], "Add the missing trials, or leave that piece out.",
                      field="trials")  # fmt: skip
    study = GaugeStudy(programme_id=by.programme_id, number=kept_queries.next_number(db, GaugeStudy, by.programme_id),
                       characteristic_id=characteristic_id, gauge_id=gauge_id, note=note, noted_by_id=by.account_id,
                       noted_at=clock.now())  # fmt: skip
    db.add(study)
    db.flush()
    db.add_all(StudyReading(gauge_study_id=study.id, operator=t.operator, piece=t.piece, trial=t.trial, raw=raw, value=t.value)
               for t, raw in trials)  # fmt: skip
    _record(db, by, "kept", "gauge study", study.id, f"{study.label} {gauge.name}, {row.part_code} {row.name}")
    return study


def keep_fit(db: Db, *, by: Viewer, name: str, nominal_mm: float, hole: str, shaft: str, spread_mm: float | None = None,
             hole_characteristic_id: int | None = None, shaft_characteristic_id: int | None = None, seed: int = 1) -> Fit:  # fmt: skip
    """Two mating features. hole, shaft : a code, deviations or sizes as typed."""
    require(by, Action.WORK_OUT)
    lock_programme(db, by.programme_id)
    in_hole = typed.read_feature(hole, nominal_mm, hole=True, field="hole")
    in_shaft = typed.read_feature(shaft, nominal_mm, hole=False, field="shaft")
    measured = {"hole_characteristic_id": hole_characteristic_id, "shaft_characteristic_id": shaft_characteristic_id}
    for field, characteristic_id in measured.items():
        if characteristic_id is not None:
            row = queries.get_characteristic(db, by.programme_id, characteristic_id)
            if rules.quantity_of(row.kind).unit != "mm":
                raise Refused(f"{row.name} is no length", "A fit is measured in mm", "Choose a bore or a diameter.", field=field)
    fit = Fit(programme_id=by.programme_id, number=kept_queries.next_number(db, Fit, by.programme_id), name=name, nominal_mm=nominal_mm,
              hole_typed=hole, hole_lower_um=in_hole.lower_um, hole_upper_um=in_hole.upper_um, hole_source=in_hole.source,
              shaft_typed=shaft, shaft_lower_um=in_shaft.lower_um, shaft_upper_um=in_shaft.upper_um, shaft_source=in_shaft.source,
              spread_mm=spread_mm, hole_characteristic_id=hole_characteristic_id, shaft_characteristic_id=shaft_characteristic_id,
              seed=seed, noted_by_id=by.account_id, noted_at=clock.now())  # fmt: skip
    db.add(fit)
    db.flush()
    _record(db, by, "kept", "fit", fit.id, f"{fit.label} {name}")
    return fit


def keep_chain(db: Db, *, by: Viewer, name: str, lines: str, lowest_mm: float | None = None, highest_mm: float | None = None,
               seed: int = 1) -> Chain:  # fmt: skip
    """A chain of parts as typed, one a line, and the gap that is wanted."""
    require(by, Action.WORK_OUT)
    lock_programme(db, by.programme_id)
    typed.read_chain(lines, LENGTH)
    if lowest_mm is not None and highest_mm is not None and lowest_mm > highest_mm:
        raise Refused("The smallest gap wanted is above the largest", field="lowest_mm")
    chain = Chain(programme_id=by.programme_id, number=kept_queries.next_number(db, Chain, by.programme_id), name=name, typed=lines,
                  lowest_mm=lowest_mm, highest_mm=highest_mm, seed=seed, noted_by_id=by.account_id, noted_at=clock.now())  # fmt: skip
    db.add(chain)
    db.flush()
    _record(db, by, "kept", "chain", chain.id, f"{chain.label} {name}")
    return chain


def note_effect(db: Db, *, by: Viewer, variant_id: int, kind: EffectKind, inputs: Mapping[str, str], says: str,
                note: str = "") -> ExpectedEffect:  # fmt: skip
    """What is expected of a variant; inputs as typed, says : the answer in words."""
    require(by, Action.WORK_OUT)
    lock_programme(db, by.programme_id)
    label = dict(kept_queries.list_variants(db, by.programme_id)).get(variant_id)
    if label is None:
        raise NotFound("There is no such variant in this programme", "", "Choose another.", field="variant_id")
    effect = ExpectedEffect(programme_id=by.programme_id, variant_id=variant_id, kind=kind, inputs=dict(inputs), says=says, note=note,
                            noted_by_id=by.account_id, noted_at=clock.now())  # fmt: skip
    db.add(effect)
    db.flush()
    _record(db, by, "expects", "expected effect", effect.id, f"{label}: {says}"[:160])
    return effect


def withdraw_study(db: Db, study_id: int, *, by: Viewer, why: str) -> None:
    require(by, Action.NOTE_READINGS)
    row = kept_queries.get_study(db, by.programme_id, study_id)
    _withdraw(db, by, row.study, "gauge study", row.study.label, why)


def withdraw_mating_fit(db: Db, mating_fit_id: int, *, by: Viewer, why: str) -> None:
    require(by, Action.WORK_OUT)
    fit = kept_queries.get_fit(db, by.programme_id, mating_fit_id)
    _withdraw(db, by, fit, "fit", fit.label, why)


def withdraw_chain(db: Db, chain_id: int, *, by: Viewer, why: str) -> None:
    require(by, Action.WORK_OUT)
    chain = kept_queries.get_chain(db, by.programme_id, chain_id)
    _withdraw(db, by, chain, "chain", chain.label, why)


def withdraw_effect(db: Db, effect_id: int, *, by: Viewer, why: str) -> None:
    require(by, Action.WORK_OUT)
    found = next((row for row in kept_queries.list_effects(db, by.programme_id) if row.effect.id == effect_id), None)
    if found is None:
        raise NotFound("There is no such expected effect in this programme", "", "Look for it under Expected effects.")
    _withdraw(db, by, found.effect, "expected effect", f"{found.question} {found.variant}", why)


def _withdraw(db: Db, by: Viewer, row: Any, thing: str, label: str, why: str) -> None:
    rules.check_why(why)
    lock_programme(db, by.programme_id)
    db.refresh(row)
    withdraw(row, by, why, label)
    _record(db, by, "withdrew", thing, row.id, label, why=why)


def _record(db: Db, by: Viewer, what: str, thing: str, thing_id: int, label: str, *, why: str = "") -> None:
    record(db, what, thing, thing_id, label, by_id=by.account_id, programme_id=by.programme_id, why=why)
    db.flush()
