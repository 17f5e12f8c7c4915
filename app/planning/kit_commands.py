"""Writes about what plans are made from: change-over of parts, tyre sets, packs; and about the season."""

from datetime import date

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, Refused
from app.history.commands import record
from app.parts.queries import get_part
from app.people.rules import name_key
from app.planning import queries
from app.planning.models import HallOffer, Kit, KitKind, PartFigures, SeasonSheet


def set_part_figures(db: Db, part_id: int, *, by: Viewer, change_min: float, corrections: int, correction_days: int) -> None:
    require(by, Action.PLAN_SESSION)
    part = get_part(db, by.programme_id, part_id)
    figures = queries.find_part_figures(db, part.id)
    before = None if figures is None else {"change_min": figures.change_min, "corrections": figures.corrections}
    if figures is None:
        figures = PartFigures(programme_id=by.programme_id, part_id=part.id)
        db.add(figures)
    figures.change_min, figures.corrections, figures.correction_days = change_min, corrections, correction_days
    db.flush()
    record(db, "gave planning figures of", "part", part.id, part.code, by_id=by.account_id, programme_id=by.programme_id,
           before=before, change_min=change_min, corrections=corrections, correction_days=correction_days)  # fmt: skip


def add_kit(db: Db, *, by: Viewer, kind: str, name: str, most_runs: int | None, charging_min: float | None) -> Kit:
    require(by, Action.PLAN_SESSION)
    if any(k.kind == kind and k.name_key == name_key(name) for k in queries.list_kit(db, by.programme_id)):
        raise Conflict(f"There is a {kind} called {name} already", field="name")
    tyres = kind == KitKind.TYRES
    kit = Kit(programme_id=by.programme_id, kind=kind, name=name, name_key=name_key(name),
              most_runs=most_runs if tyres else None, charging_min=None if tyres else charging_min)  # fmt: skip
    db.add(kit)
    db.flush()
    record(db, "added", kind, kit.id, name, by_id=by.account_id, programme_id=by.programme_id)
    return kit


def retire_kit(db: Db, kit_id: int, *, by: Viewer) -> None:
    """It is no longer planned with. Its name is free again; runs that name it stay as they are."""
    require(by, Action.PLAN_SESSION)
    kit = queries.get_kit(db, by.programme_id, kit_id)
    if kit.retired_at is not None:
        raise Conflict(f"{kit.name} is retired already")
    kit.retired_at = clock.now()
    kit.name_key = f"{kit.name_key[:60]} #{kit.id}"
    db.flush()
    record(db, "retired", kit.kind, kit.id, kit.name, by_id=by.account_id, programme_id=by.programme_id)


def save_season(db: Db, *, by: Viewer, freeze_on: date | None, edition: int) -> None:
    require(by, Action.PLAN_SESSION)
    season = queries.find_season(db, by.programme_id)
    if season is None:
        season = SeasonSheet(programme_id=by.programme_id, freeze_on=freeze_on)
        db.add(season)
        db.flush()
    else:
        changed = db.execute(update(SeasonSheet).where(SeasonSheet.id == season.id, SeasonSheet.edition == edition)
                             .values(freeze_on=freeze_on, edition=edition + 1))  # fmt: skip
        if changed.rowcount != 1:  # type: ignore[attr-defined]
            raise Conflict("Somebody else changed the freeze date while you were typing", "Theirs is kept", "Load the page and look again.")
    record(db, "set the freeze date of", "season", season.id, str(freeze_on or "none"), by_id=by.account_id, programme_id=by.programme_id)


def add_offer(db: Db, *, by: Viewer, place: str, on_date: date, running_min: float, price: float) -> HallOffer:
    require(by, Action.PLAN_SESSION)
    if on_date < clock.now().date():
        raise Refused(f"{on_date:%-d %b %Y} is past", "Hall time is on offer for a day to come", field="on_date")
    offer = HallOffer(programme_id=by.programme_id, place=place, on_date=on_date, running_min=running_min, price=price)
    db.add(offer)
    db.flush()
    record(db, "noted", "hall offer", offer.id, f"{place} {on_date}", by_id=by.account_id, programme_id=by.programme_id, price=price)
    return offer


def withdraw_offer(db: Db, offer_id: int, *, by: Viewer) -> None:
    require(by, Action.PLAN_SESSION)
    offer = queries.get_offer(db, by.programme_id, offer_id)
    if offer.withdrawn_at is not None:
        raise Conflict(f"{offer.place} on {offer.on_date} is taken off already")
    offer.withdrawn_at = clock.now()
    record(db, "took off", "hall offer", offer.id, f"{offer.place} {offer.on_date}", by_id=by.account_id, programme_id=by.programme_id)
