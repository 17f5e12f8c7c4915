"""One characteristic: its limits, every piece against them, capability of a revision's batch, its pair, drift with laps."""

from collections.abc import Sequence
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.bench import commands, forms, queries, rules
from app.bench.words import PRESETS, Kind
from app.db import Db
from app.feedback.queries import hidden_sessions
from app.incidents.exposure_queries import list_runs_of_part
from app.parts import queries as parts
from app.web.forms import posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, SET = [allow(Action.SEE_PROGRAMME)], [allow(Action.SET_LIMITS)]
EVERY = ("", "every revision")


@router.get("/characteristics/new", dependencies=SET)
def show_new_characteristic(request: Request, db: DbHere, viewer: SignedIn, part_id: str = "") -> Response:
    form = forms.CharacteristicForm().fill(part_id=part_id)
    return _new_page(request, db, viewer, form)


@router.post("/characteristics", dependencies=SET)
def add_characteristic(request: Request, db: DbHere, viewer: SignedIn,
                       form: forms.CharacteristicForm = posted(forms.CharacteristicForm)) -> Response:  # fmt: skip
    form.offer(**_choices(db, viewer))
    if form.ok:
        v = form.values
        with form.attempt(db):
            made = commands.add_characteristic(
                db, forms.chosen_id(v["part_id"]) or 0, by=viewer, kind=Kind(v["kind"]), name=v["name"], limits=form.limits(),
                note=v["note"], revision_id=forms.chosen_id(v["revision_id"]),
                paired_with_id=forms.chosen_id(v["paired_with_id"])).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_characteristic", characteristic_id=made, done="saved")
    return _new_page(request, db, viewer, form)


def _choices(db: Db, viewer: Viewer) -> dict[str, Sequence[tuple[str, str]]]:
    known = queries.list_characteristics(db, viewer.programme_id)
    return {
        "part_id": [(str(part.id), f"{part.code} {part.title}") for part in parts.list_parts(db, viewer.programme_id)],
        "revision_id": [EVERY, *((str(row.id), row.label) for row in parts.list_revisions(db, viewer.programme_id))],
        "paired_with_id": [("", "nothing"), *((str(row.id), f"{row.part_code} {row.name}") for row in known)],
    }  # fmt: skip


def _new_page(request: Request, db: Db, viewer: Viewer, form: forms.CharacteristicForm) -> Response:
    if not form.submitted:
        form.offer(**_choices(db, viewer))
    hints = [(kind.value, preset.hint) for kind, preset in PRESETS.items() if preset.hint]
    return page(request, "bench/show_new_characteristic.html", status=form.status if form.submitted else 200, form=form, hints=hints)


@router.get("/characteristics/{characteristic_id}", dependencies=SEE)
def show_characteristic(request: Request, characteristic_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _page(request, db, viewer, characteristic_id)


@router.post("/characteristics/{characteristic_id}/limits", dependencies=SET)
def set_limits(request: Request, characteristic_id: Id, db: DbHere, viewer: SignedIn,
               form: forms.LimitsForm = posted(forms.LimitsForm)) -> Response:  # fmt: skip
    row = queries.get_characteristic(db, viewer.programme_id, characteristic_id)
    form.offer(revision_id=_revisions(db, viewer, row)).in_unit(rules.quantity_of(row.kind))
    if form.ok:
        with form.attempt(db):
            commands.set_limits(db, characteristic_id, by=viewer, limits=form.limits(), reason=form.values["reason"],
                                version=whole(form.values["version"]), revision_id=forms.chosen_id(form.values["revision_id"]))  # fmt: skip
        if form.ok:
            return redirect(request, "show_characteristic", characteristic_id=characteristic_id, done="saved", fragment="limits")
    return _page(request, db, viewer, characteristic_id, form)


def _revisions(db: Db, viewer: Viewer, row: queries.CharacteristicRow) -> list[tuple[str, str]]:
    return [EVERY, *((str(r.id), r.label) for r in parts.list_revisions(db, viewer.programme_id) if r.part_id == row.part_id)]


def _page(request: Request, db: Db, viewer: Viewer, characteristic_id: int, form: forms.LimitsForm | None = None) -> Response:
    known = {row.id: row for row in queries.list_characteristics(db, viewer.programme_id)}
    row = known.get(characteristic_id) or queries.get_characteristic(db, viewer.programme_id, characteristic_id)
    mates = [one for one in known.values() if one.paired_with_id == row.id or one.id == row.paired_with_id]
    gauged = queries.load_gauged(db, viewer.programme_id, characteristic_ids=[row.id, *(mate.id for mate in mates)])
    own = gauged._replace(sets=tuple(fact for fact in gauged.sets if fact.characteristic_id == row.id))
    limits = queries.list_limits(db, viewer.programme_id, row.id)
    status = form.status if form else 200
    form = form or forms.LimitsForm().in_unit(rules.quantity_of(row.kind)).offer(revision_id=_revisions(db, viewer, row))
    if limits and (not form.submitted or form.status == 409):
        form.fill(version=limits[0].limit.version)
    from app.bench import drawing  # pictures load with the first page that draws

    drift = drawing.drift_picture(own, _laps(db, viewer, row, own), row)
    return page(request, "bench/show_characteristic.html", status=status, row=row, mates=mates, own=own, limits=limits, form=form,
                quantity=rules.quantity_of(row.kind), preset=PRESETS[Kind(row.kind)], batches=drawing.batches(own),
                pairs=[(mate, drawing.pair_picture(gauged, row, mate)) for mate in mates], drift=drift,
                sets=queries.list_sets(db, viewer.programme_id, characteristic_id=row.id), all_judged=own.judgements())  # fmt: skip


def _laps(db: Db, viewer: Viewer, row: queries.CharacteristicRow, own: rules.Gauged) -> dict[int, tuple[int, int]]:
    """Set id -> (laps its piece had driven before, runs whose laps nobody counted); sessions withheld from the viewer left out."""
    if not own.sets:
        return {}
    by_piece: dict[int, list[Any]] = {}
    for run in list_runs_of_part(db, row.part_id, frozenset(hidden_sessions(db, viewer))):
        by_piece.setdefault(run.piece_id, []).append(run)
    started = queries.run_starts(db, [run.run_id for runs in by_piece.values() for run in runs])
    return {fact.id: rules.laps_before(by_piece.get(fact.piece_id, ()), started, fact.measured_at) for fact in own.sets}
