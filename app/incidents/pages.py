"""Pages about incidents: the list, reporting one, one incident with its causes and photos, series of planned abuse."""

from datetime import datetime
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.errors import NotFound, Refused
from app.incidents import commands, exposures, forms, queries, rules
from app.incidents.forms import number
from app.incidents.queries import PieceOf
from app.incidents.words import PIECES_WITH_DUST, Cause, Happened
from app.parts.queries import list_pieces
from app.photos.queries import get_bytes
from app.photos.rules import Picture, read_picture
from app.sessions.queries import get_run
from app.web.forms import Form, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, REPORT, CLASS = [allow(Action.SEE_PROGRAMME)], [allow(Action.REPORT_INCIDENT)], [allow(Action.CLASS_CAUSE)]
PLAN = [allow(Action.PLAN_ABUSE)]


@router.get("/incidents", dependencies=SEE)
def list_incidents(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    rows = queries.list_incidents(db, viewer)
    return page(request, "incidents/list_incidents.html", rows=rows, pieces=queries.list_pieces_of(db, [row.id for row in rows]),
                tests=queries.list_tests(db, viewer.programme_id))  # fmt: skip


@router.get("/incidents/new", dependencies=REPORT)
def show_new_incident(request: Request, db: DbHere, viewer: SignedIn, run_id: str = "", piece_id: str = "",
                      abuse_test_id: str = "") -> Response:  # fmt: skip
    if not (run_id or piece_id or abuse_test_id):
        return page(request, "incidents/show_new_incident.html", form=None, runs=queries.list_runs_to_report(db, viewer),
                    pieces=list_pieces(db, viewer.programme_id))  # fmt: skip
    form = forms.ReportForm().fill(run_id=run_id, piece_id=piece_id, abuse_test_id=abuse_test_id)
    return _report_page(request, db, viewer, form)


@router.post("/incidents", dependencies=REPORT)
def report_incident(request: Request, db: DbHere, viewer: SignedIn,
                    form: forms.ReportForm = posted(forms.ReportForm)) -> Response:  # fmt: skip
    form.for_pieces(_pieces_for(db, viewer, form))
    picture = _picture(form) if form.ok else None
    if form.ok:
        v = form.values
        with form.attempt(db):
            report = form.report(_at_venue(db, viewer, number(v["run_id"]), v["happened_at"]))
            incident_id = commands.report_incident(db, report, by=viewer, picture=picture, alt=v["alt"],
                                                   phone=form.phone if form.sent else None).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_incident", incident_id=incident_id, done="reported")
    return _report_page(request, db, viewer, form)


def _pieces_for(db: Db, viewer: Viewer, form: Form) -> list[PieceOf]:
    """The pieces that may be named: of the series, on the car, or the one on the bench."""
    asked = {name: number(form.fields[name].raw) for name in ("run_id", "piece_id", "abuse_test_id")}
    if asked["abuse_test_id"] is not None:
        return queries.pieces_of_test(db, queries.get_test(db, viewer.programme_id, asked["abuse_test_id"]).id)
    if asked["run_id"] is not None:
        return queries.pieces_on_car(db, get_run(db, viewer.programme_id, asked["run_id"]).id)
    if asked["piece_id"] is not None:
        return queries.one_piece(db, viewer.programme_id, asked["piece_id"])
    if form.submitted:
        return []
    raise NotFound("There is no such run or piece in this programme", "", "Open the page it is on and report the incident from there.")


def _picture(form: Form) -> Picture | None:
    """The photo that came along, made anew; a refusal is put at its field."""
    upload = form.values.get("photo")
    if upload is None:
        return None
    try:
        return read_picture(upload.file)
    except Refused as refused:
        form.refuse(refused)
        return None


def _at_venue(db: Db, viewer: Viewer, run_id: int | None, typed: datetime | None) -> datetime | None:
    if typed is None:
        return None
    here = viewer.programme.time_zone if viewer.programme else "UTC"
    zone = get_run(db, viewer.programme_id, run_id).session.time_zone if run_id is not None else here
    try:
        return clock.venue_to_utc(typed, zone)
    except ValueError as impossible:
        raise Refused(str(impossible), "", "Give a time that the venue's clock showed once.", field="happened_at") from impossible


def _report_page(request: Request, db: Db, viewer: Viewer, form: forms.ReportForm) -> Response:
    if not form.submitted:
        form.for_pieces(_pieces_for(db, viewer, form))
    run_id, test_id = number(form.fields["run_id"].raw), number(form.fields["abuse_test_id"].raw)
    test = queries.get_test(db, viewer.programme_id, test_id) if test_id is not None else None
    if test is not None and not form.submitted:
        form.fill(kind=test.kind, effect="no effect", hits=min(test.check_every, test.hits_planned), struck=test.struck,
                  speed_mps=test.speed_mps, drop_height_m=test.drop_height_m)  # fmt: skip
    run = get_run(db, viewer.programme_id, run_id) if run_id is not None else None
    more = any(form.fields[name].error for name in MORE)
    return page(request, "incidents/show_new_incident.html", status=form.status if form.submitted else 200, form=form, run=run, test=test,
                piece_names=[f"piece_{piece}" for piece in form.piece_ids], more=MORE, more_open=more or test is not None,
                pack=rules.PACK_CAUTION, track=rules.TRACK_CAUTION)  # fmt: skip


MORE = ("struck", "hits", "lap_number", "speed_mps", "drop_height_m", "car_mass_g", "tweak_before_mm", "tweak_after_mm", "happened_at")


@router.get("/incidents/{incident_id}", dependencies=SEE)
def show_incident(request: Request, incident_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _incident_page(request, db, viewer, incident_id)


@router.post("/incidents/{incident_id}/cause", dependencies=CLASS)
def class_cause(request: Request, incident_id: Id, db: DbHere, viewer: SignedIn,
                form: Form = posted(forms.CauseForm)) -> Response:  # fmt: skip
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.class_cause(db, incident_id, by=viewer, version=whole(v["version"]), cause=Cause(v["cause"]), reason=v["reason"])
        if form.ok:
            return redirect(request, "show_incident", incident_id=incident_id, done="saved", fragment="cause")
    return _incident_page(request, db, viewer, incident_id, cause_form=form)


@router.post("/incidents/{incident_id}/pieces", dependencies=REPORT)
def name_incident_pieces(request: Request, incident_id: Id, db: DbHere, viewer: SignedIn,
                         form: forms.PiecesForm = posted(forms.PiecesForm)) -> Response:  # fmt: skip
    form.for_pieces(queries.list_unnamed(db, commands.readable(db, viewer, incident_id).incident))
    if form.ok:
        with form.attempt(db):
            commands.name_pieces(db, incident_id, form.named(), by=viewer, quarantine=form.values["quarantine"])
        if form.ok:
            return redirect(request, "show_incident", incident_id=incident_id, done="saved", fragment="pieces")
    return _incident_page(request, db, viewer, incident_id, pieces_form=form)


@router.post("/incidents/{incident_id}/photos", dependencies=REPORT)
def add_incident_photo(request: Request, incident_id: Id, db: DbHere, viewer: SignedIn,
                       form: Form = posted(forms.PhotoForm)) -> Response:  # fmt: skip
    picture = _picture(form) if form.ok else None
    if form.ok and picture is not None:
        with form.attempt(db):
            commands.add_photo(db, incident_id, picture, by=viewer, alt=form.values["alt"])
        if form.ok:
            return redirect(request, "show_incident", incident_id=incident_id, done="saved", fragment="photos")
    return _incident_page(request, db, viewer, incident_id, photo_form=form)


@router.get("/incidents/{incident_id}/photos/{photo_id}", dependencies=SEE)
def incident_photo(request: Request, incident_id: Id, photo_id: Id, db: DbHere, viewer: SignedIn,
                   small: str = "") -> Response:  # fmt: skip
    """The JPEG itself, for who may read its incident; the other headers are those of every answer."""
    row = commands.readable(db, viewer, incident_id)
    if not queries.has_photo(db, row.id, photo_id):
        raise NotFound("There is no such photo with this incident")
    content = get_bytes(db, viewer.programme_id, photo_id, small=bool(small))
    headers = {"Cache-Control": "no-store", "Content-Disposition": f'inline; filename="{row.label}-{photo_id}.jpg"'}
    return Response(content, media_type="image/jpeg", headers=headers)


def _incident_page(request: Request, db: Db, viewer: Viewer, incident_id: int, *, cause_form: Form | None = None,
                   photo_form: Form | None = None, pieces_form: forms.PiecesForm | None = None) -> Response:  # fmt: skip
    row = queries.get_incident(db, viewer, incident_id)
    causes = [] if row.withheld else queries.list_causes(db, viewer.programme_id, incident_id)
    pieces = [] if row.withheld else queries.list_pieces_of(db, [incident_id]).get(incident_id, [])
    sent = cause_form or photo_form or pieces_form
    unnamed = [] if row.withheld else queries.list_unnamed(db, row.incident)
    form = cause_form or forms.CauseForm()
    if causes and (cause_form is None or cause_form.status == 409):
        form.fill(version=causes[-1][0].version)
    incident = row.incident
    failed = [piece for piece in pieces if rules.has_failed(incident.kind, piece.damage)]
    return page(
        request, "incidents/show_incident.html", status=sent.status if sent else 200, row=row, incident=incident, causes=causes,
        pieces=pieces, photos=[] if row.withheld else queries.list_photos(db, incident_id), cause_form=form,
        pieces_form=pieces_form or forms.PiecesForm().for_pieces(unnamed), photo_form=photo_form or forms.PhotoForm(),
        damage=rules.split_words(incident.pack_damage), failed=failed,
        counts=[piece for piece in failed if rules.counts_as_failure(incident.kind, piece.damage, row.cause)],
        impacts=rules.impacts_of(incident.kind, incident.hits),
        splinters=any(set(piece.damage) & set(PIECES_WITH_DUST) for piece in pieces),
        energy=rules.energy_words(incident.speed_mps, incident.drop_height_m, incident.car_mass_g), withheld=queries.WITHHELD,
        cautions={"pack": rules.PACK_CAUTION, "hot": rules.HOT_CAUTION, "splinter": rules.SPLINTER_CAUTION},
    )  # fmt: skip


# --- planned abuse
@router.get("/abuse/new", dependencies=PLAN)
def show_new_abuse(request: Request, db: DbHere, viewer: SignedIn, piece_id: str = "") -> Response:
    form = forms.AbuseForm().fill(piece_id=piece_id)
    return _new_abuse_page(request, db, viewer, form)


@router.post("/abuse", dependencies=PLAN)
def start_abuse(request: Request, db: DbHere, viewer: SignedIn, form: Form = posted(forms.AbuseForm)) -> Response:
    form.offer(**_piece_choices(db, viewer))
    if form.ok:
        v = dict(form.values)
        named = [number(v.pop(name)) for name in ("piece_id", "second_piece_id", "third_piece_id")]
        with form.attempt(db):
            test_id = commands.start_test(db, by=viewer, piece_ids=[piece for piece in named if piece is not None],
                                          **{**v, "kind": Happened(v["kind"])}).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_abuse", abuse_test_id=test_id, done="saved")
    return _new_abuse_page(request, db, viewer, form)


def _piece_choices(db: Db, viewer: Viewer) -> dict[str, list[tuple[str, str]]]:
    pieces = [(str(piece.id), f"{piece.label} ({piece.state})") for piece in list_pieces(db, viewer.programme_id)]
    return {"piece_id": pieces, "second_piece_id": [("", "none"), *pieces], "third_piece_id": [("", "none"), *pieces]}


def _new_abuse_page(request: Request, db: Db, viewer: Viewer, form: Form) -> Response:
    if not form.submitted:
        form.offer(**_piece_choices(db, viewer))
    return page(request, "incidents/show_new_abuse.html", status=form.status if form.submitted else 200, form=form,
                track=rules.TRACK_CAUTION)  # fmt: skip


@router.get("/abuse/{abuse_test_id}", dependencies=SEE)
def show_abuse(request: Request, abuse_test_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    test = queries.get_test(db, viewer.programme_id, abuse_test_id)
    rows = [row for row in reversed(queries.list_incidents(db, viewer, abuse_test_id=test.id)) if not row.withheld]
    pieces = queries.list_pieces_of(db, [row.id for row in rows])
    facts = [exposures.IncidentFact(row.id, row.incident.number, None, piece.revision_id, piece.id, row.incident.kind, row.incident.hits,
                                    piece.damage, row.cause) for row in rows for piece in pieces.get(row.id, ())]  # fmt: skip
    hits: Any = exposures.hits_of(facts, test.kind)
    done = sum(row.incident.hits for row in rows)
    return page(request, "incidents/show_abuse.html", test=test, rows=rows, pieces=pieces, named=queries.pieces_of_test(db, test.id),
                done=done, hits=hits, bound=rules.percent(hits.bound), next_check=min(test.hits_planned, (done // test.check_every + 1)
                * test.check_every), energy=rules.energy_words(test.speed_mps, test.drop_height_m, None),
                track=rules.TRACK_CAUTION)  # fmt: skip
