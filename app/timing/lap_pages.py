"""The laps of a run and of a session with their traces, what a person says of single laps, and laps by hand."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.feedback.queries import hidden_sessions
from app.measurements.queries import list_laps, list_session_laps
from app.sessions.queries import account_names, get_run, get_session
from app.timing import lap_commands, lap_view, queries, rules
from app.timing.forms import FlagForm, LapsForm
from app.timing.guard import INCIDENT
from app.web.forms import posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, ADD, TIME = [allow(Action.SEE_PROGRAMME)], [allow(Action.ADD_MEASUREMENTS)], [allow(Action.TIME_LAPS)]


@router.get("/runs/{run_id}/laps", dependencies=SEE)
def show_laps(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _run_page(request, db, viewer, run_id, FlagForm())


@router.post("/runs/{run_id}/laps/flags", dependencies=ADD)
def flag_run_laps(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
                  form: FlagForm = posted(FlagForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            run = get_run(db, viewer.programme_id, run_id)
            lap_commands.flag_laps(db, run.session_id, by=viewer, said=form.said)
        if form.ok:
            return redirect(request, "show_laps", run_id=run_id, done="flagged")
    return _run_page(request, db, viewer, run_id, form, status=form.status)


@router.get("/sessions/{session_id}/laps", dependencies=SEE)
def show_session_laps(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _session_page(request, db, viewer, session_id, FlagForm())


@router.post("/sessions/{session_id}/laps/flags", dependencies=ADD)
def flag_session_laps(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                      form: FlagForm = posted(FlagForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            lap_commands.flag_laps(db, session_id, by=viewer, said=form.said)
        if form.ok:
            return redirect(request, "show_session_laps", session_id=session_id, done="flagged")
    return _session_page(request, db, viewer, session_id, form, status=form.status)


@router.get("/runs/{run_id}/laps/by-hand", dependencies=TIME)
def show_laps_by_hand(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _hand_page(request, db, viewer, run_id, LapsForm())


@router.post("/runs/{run_id}/laps/by-hand/check", dependencies=TIME)
def check_laps_by_hand(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
                       form: LapsForm = posted(LapsForm)) -> Response:  # fmt: skip
    return _hand_page(request, db, viewer, run_id, form, status=200 if form.ok else 422)


@router.post("/runs/{run_id}/laps/by-hand", dependencies=TIME)
def file_laps_by_hand(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
                      form: LapsForm = posted(LapsForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            lap_commands.file_laps(db, run_id, by=viewer, times_ms=form.times_ms, how="by stopwatch" if form.stopwatch else "typed",
                                   waited=form.sent is not None)  # fmt: skip
        if form.ok:
            return redirect(request, "show_laps", run_id=run_id, done="laps-filed")
    return _hand_page(request, db, viewer, run_id, form, status=form.status)


def _run_page(request: Request, db: Db, viewer: Viewer, run_id: int, form: FlagForm, *, status: int = 200) -> Response:
    run = get_run(db, viewer.programme_id, run_id)
    hidden = run.session_id in hidden_sessions(db, viewer)
    said = lap_view.run_laps([] if hidden else list_laps(db, run_id))
    return page(request, "timing/show_laps.html", status=status, run=run, said=said, hidden=hidden, form=form, incident=INCIDENT,
                trace=lap_view.trace_of(said.laps), people=account_names(db, viewer.programme_id),
                every=" ".join(f"{p.lap_id}:0" for p in said.proposals))  # fmt: skip


def _session_page(request: Request, db: Db, viewer: Viewer, session_id: int, form: FlagForm, *, status: int = 200) -> Response:
    session = get_session(db, viewer.programme_id, session_id)
    hidden = session_id in hidden_sessions(db, viewer)
    laps = [] if hidden else list_session_laps(db, session_id)
    found = lap_view.session_laps(queries.list_carried(db, viewer.programme_id, session_id) if laps else [], laps)
    return page(request, "timing/show_session_laps.html", status=status, session=session, hidden=hidden, found=found, form=form,
                incident=INCIDENT, files=[] if hidden else queries.list_lap_files(db, session_id), said_shift=rules.said_shift)  # fmt: skip


def _hand_page(request: Request, db: Db, viewer: Viewer, run_id: int, form: LapsForm, *, status: int = 200) -> Response:
    run = get_run(db, viewer.programme_id, run_id)
    return page(request, "timing/show_laps_by_hand.html", status=status, run=run, form=form, people=account_names(db, viewer.programme_id))
