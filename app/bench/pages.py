"""The gauge log, noting a reading set, one set with its uncertainty, the readings of one piece."""

from datetime import datetime
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.bench import commands, forms, kept_queries, queries, rules
from app.bench.words import PRESETS, Kind
from app.db import Db
from app.errors import Refused
from app.feedback.queries import hidden_sessions
from app.gauging.standing import failed_for
from app.incidents.exposure_queries import list_runs_of_piece
from app.parts import queries as parts
from app.people.queries import list_people
from app.sessions.queries import list_sessions
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, NOTE = [allow(Action.SEE_PROGRAMME)], [allow(Action.NOTE_READINGS)]


@router.get("/gauge-log", dependencies=SEE)
def show_gauge_log(request: Request, db: DbHere, viewer: SignedIn, part_id: str = "") -> Response:
    own = forms.chosen_id(part_id)
    part = parts.get_part(db, viewer.programme_id, own) if own else None
    gauged = queries.load_gauged(db, viewer.programme_id, part_id=own)
    latest = gauged.latest()
    states: dict[int, dict[str, int]] = {}
    for fact in latest:
        found = states.setdefault(fact.characteristic_id, {})
        found[gauged.state_of(fact)] = found.get(gauged.state_of(fact), 0) + 1
    failed = [(fact, gauged.sentence(fact)) for fact in latest if gauged.state_of(fact) == "fail"]
    rows = queries.list_characteristics(db, viewer.programme_id, part_id=own)
    studies = [row for row in kept_queries.list_studies(db, viewer.programme_id) if own in (None, row.part_id)]
    return page(request, "bench/show_gauge_log.html", part=part, rows=rows, states=states, failed=failed, judged=gauged.judgements(),
                gauges=queries.list_gauges(db, viewer.programme_id), studies=studies,
                sets=queries.list_sets(db, viewer.programme_id, part_id=own, newest=40))  # fmt: skip


@router.get("/characteristics/{characteristic_id}/readings", dependencies=NOTE)
def show_new_readings(request: Request, characteristic_id: Id, db: DbHere, viewer: SignedIn, piece_id: str = "") -> Response:
    return _readings_page(request, db, viewer, characteristic_id, forms.ReadingsForm().fill(piece_id=piece_id))


@router.post("/characteristics/{characteristic_id}/readings", dependencies=NOTE)
def note_readings(request: Request, characteristic_id: Id, db: DbHere, viewer: SignedIn,
                  form: forms.ReadingsForm = posted(forms.ReadingsForm)) -> Response:  # fmt: skip
    _offer(db, viewer, queries.get_characteristic(db, viewer.programme_id, characteristic_id), form)
    if form.ok:
        with form.attempt(db):
            set_id = commands.note_readings(
                db, by=viewer, piece_id=forms.chosen_id(form.values["piece_id"]) or 0, characteristic_id=characteristic_id,
                gauge_id=forms.chosen_id(form.values["gauge_id"]) or 0, readings=form.found,
                occasion=form.occasion(_at_home(viewer, form.values["measured_at"]))).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_reading_set", reading_set_id=set_id, done="saved")
    return _readings_page(request, db, viewer, characteristic_id, form)


def _at_home(viewer: Viewer, typed: datetime | None) -> datetime | None:
    if typed is None:
        return None
    try:
        return clock.venue_to_utc(typed, viewer.programme.time_zone if viewer.programme else "UTC")
    except ValueError as impossible:
        raise Refused(str(impossible), "", "Give a time that the clock showed once.", field="measured_at") from impossible


def _offer(db: Db, viewer: Viewer, row: queries.CharacteristicRow, form: forms.ReadingsForm) -> None:
    """Pieces of the part, gauges of the unit, sessions and people to choose from; readings in the characteristic's unit."""
    pieces = [piece for piece in parts.list_pieces(db, viewer.programme_id) if piece.part_id == row.part_id]
    unit = rules.quantity_of(row.kind).unit
    gauges = [gauge for gauge in queries.list_gauges(db, viewer.programme_id) if gauge.unit == unit and gauge.retired_at is None]
    sessions = list_sessions(db, viewer.programme_id)
    people = [person for person in list_people(db, viewer.programme_id) if person.active]
    own = forms.chosen_id(form.fields["piece_id"].raw)
    revision_id = next((piece.revision_id for piece in pieces if piece.id == own), None)
    limits = [entry.limit for entry in queries.list_limits(db, viewer.programme_id, row.id)]
    form.of(row.kind, rules.standing_limit(map(rules.plain_limit, limits), row.id, revision_id))
    form.offer(
        piece_id=[("", "Choose one"), *((str(piece.id), f"{piece.label} ({piece.state})") for piece in pieces)],
        gauge_id=[("", "Choose one")] * (len(gauges) != 1) + [(str(gauge.id), f"{gauge.label} {gauge.name}") for gauge in gauges],
        session_id=[("", "none"), *((str(session.id), f"{session.label} {session.place}") for session in sessions)],
        taken_by_id=[("", "me"), *((str(person.account_id), f"{person.initials} {person.name}") for person in people)],
    )  # fmt: skip


def _readings_page(request: Request, db: Db, viewer: Viewer, characteristic_id: int, form: forms.ReadingsForm) -> Response:
    row = queries.get_characteristic(db, viewer.programme_id, characteristic_id)
    if not form.submitted:
        _offer(db, viewer, row, form)
    return page(request, "bench/show_new_readings.html", status=form.status if form.submitted else 200, form=form, row=row,
                preset=PRESETS[Kind(row.kind)], no_gauge=len(form.fields["gauge_id"].choices) < 2
                and form.fields["gauge_id"].choices[:1] == [("", "Choose one")])  # fmt: skip


@router.get("/reading-sets/{reading_set_id}", dependencies=SEE)
def show_reading_set(request: Request, reading_set_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _set_page(request, db, viewer, reading_set_id)


@router.post("/reading-sets/{reading_set_id}/withdraw", dependencies=NOTE)
def withdraw_readings(request: Request, reading_set_id: Id, db: DbHere, viewer: SignedIn,
                      form: Form = posted(forms.WithdrawForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.withdraw_readings(db, reading_set_id, by=viewer, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_reading_set", reading_set_id=reading_set_id, done="withdrawn")
    return _set_page(request, db, viewer, reading_set_id, form)


def _set_page(request: Request, db: Db, viewer: Viewer, set_id: int, form: Form | None = None) -> Response:
    row = queries.get_set(db, viewer.programme_id, set_id)
    gauged = queries.load_gauged(db, viewer.programme_id, piece_id=row.set.piece_id)
    fact = next((fact for fact in gauged.sets if fact.id == set_id), None)
    return page(request, "bench/show_reading_set.html", status=form.status if form else 200, row=row, fact=fact, gauged=gauged,
                quantity=rules.quantity_of(row.kind), form=form or forms.WithdrawForm(),
                spoiled=_spoiled(db, viewer, row.set.piece_id, gauged) if fact else [],
                questions=queries.questions_of_piece(db, row.set.piece_id))  # fmt: skip


def _spoiled(db: Db, viewer: Viewer, piece_id: int, gauged: rules.Gauged) -> list[tuple[int, str, list[Any]]]:
    """(run id, label, failed readings) of runs that the piece was out of tolerance in; sessions withheld from the viewer left out."""
    runs = list_runs_of_piece(db, piece_id, frozenset(hidden_sessions(db, viewer)))
    started = queries.run_starts(db, [run.run_id for run in runs])
    judged = [gauged.judged(fact) for fact in gauged.sets if fact.piece_id == piece_id]
    found = [(run.run_id, run.label, failed_for(judged, started.get(run.run_id))) for run in runs]
    return [entry for entry in found if entry[2]]


@router.get("/pieces/{piece_id}/readings", dependencies=SEE)
def show_piece_readings(request: Request, piece_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    piece = parts.get_piece(db, viewer.programme_id, piece_id)
    gauged = queries.load_gauged(db, viewer.programme_id, piece_id=piece_id)
    return page(request, "bench/show_piece_readings.html", piece=piece, label=f"{piece.revision.label} {piece.mark}",
                sets=queries.list_sets(db, viewer.programme_id, piece_id=piece_id), judged=gauged.judgements(),
                spoiled=_spoiled(db, viewer, piece_id, gauged), questions=queries.questions_of_piece(db, piece_id),
                rows=queries.list_characteristics(db, viewer.programme_id, part_id=piece.revision.part_id))  # fmt: skip


@router.get("/revisions/{revision_id}/readings", dependencies=SEE)
def show_revision_readings(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    """Every piece of the revision by its newest reading of each characteristic, and the pieces as a batch."""
    from app.bench import drawing  # pictures and capability load with the first page that needs them

    revision = parts.get_revision(db, viewer.programme_id, revision_id)
    gauged = queries.load_gauged(db, viewer.programme_id, part_id=revision.part_id)
    own = gauged._replace(sets=tuple(fact for fact in gauged.sets if fact.revision_id == revision_id))
    latest = own.latest()
    batches = [(key, name, drawing.batches(own._replace(sets=tuple(fact for fact in own.sets if fact.characteristic_id == key))))
               for key, name in dict.fromkeys((fact.characteristic_id, fact.characteristic) for fact in latest)]  # fmt: skip
    return page(request, "bench/show_revision_readings.html", revision=revision, own=own, batches=batches,
                pieces=[piece for piece in parts.list_pieces(db, viewer.programme_id) if piece.revision_id == revision_id],
                now={(fact.piece_id, fact.characteristic_id): fact for fact in latest}, judged=own.judgements(),
                rows=queries.list_characteristics(db, viewer.programme_id, part_id=revision.part_id),
                sets=queries.list_sets(db, viewer.programme_id, revision_id=revision_id))  # fmt: skip
