"""Test sessions: the list, one session with its runs, and the as-run build of a run."""


from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.questions.queries import list_variants
from app.sessions import build_commands, choices, commands, queries, report_commands, rules
from app.sessions.forms import (
    BuildForm,
    CarForm,
    CloseForm,
    EditSessionForm,
    EndRunForm,
    RunForm,
    SessionForm,
    StartRunForm,
    TimesForm,
    VoidForm,
)
from app.sessions.models import AsRunBuild, Run
from app.web.forms import ButtonForm, Form, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, PLAN, CONDUCT = [allow(Action.SEE_PROGRAMME)], [allow(Action.PLAN_SESSION)], [allow(Action.RUN_SESSION)]
DRIVE, BUILD = [allow(Action.DRIVE_RUN)], [allow(Action.RECORD_BUILD)]


@router.get("/sessions", dependencies=SEE)
def list_sessions(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return page(request, "sessions/list_sessions.html", sessions=queries.list_sessions(db, viewer.programme_id),
                cars=queries.list_cars(db, viewer.programme_id), car_form=CarForm())  # fmt: skip


@router.post("/cars", dependencies=PLAN)
def add_car(request: Request, db: DbHere, viewer: SignedIn, form: CarForm = posted(CarForm)) -> Response:
    if form.ok:
        with form.attempt(db):
            commands.add_car(db, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "list_sessions", done="saved")
    return page(request, "sessions/list_sessions.html", status=form.status, car_form=form,
                sessions=queries.list_sessions(db, viewer.programme_id), cars=queries.list_cars(db, viewer.programme_id))  # fmt: skip


@router.get("/sessions/new", dependencies=PLAN)
def show_new_session(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    form = SessionForm().fill(time_zone=viewer.programme.time_zone if viewer.programme else "UTC")
    return page(request, "sessions/show_new_session.html", form=form.offer(**choices.people(db, viewer)))


@router.post("/sessions", dependencies=PLAN)
def plan_session(request: Request, db: DbHere, viewer: SignedIn,
                 form: SessionForm = posted(SessionForm)) -> Response:  # fmt: skip
    form.offer(**choices.people(db, viewer))
    if form.ok:
        with form.attempt(db):
            session_id = commands.plan_session(db, by=viewer, **choices.with_people(form.values)).id
        if form.ok:
            return redirect(request, "show_session", session_id=session_id)
    return page(request, "sessions/show_new_session.html", form=form, status=form.status)


@router.get("/sessions/{session_id}", dependencies=SEE)
def show_session(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _session_page(request, db, viewer, session_id)


@router.post("/sessions/{session_id}", dependencies=PLAN)
def edit_session(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                 form: EditSessionForm = posted(EditSessionForm)) -> Response:  # fmt: skip
    form.offer(**choices.people(db, viewer))
    if form.ok:
        values = choices.with_people(form.values)
        edition = values.pop("edition")
        with form.attempt(db):
            commands.edit_session(db, session_id, by=viewer, edition=whole(edition), **values)
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="saved")
    return _session_page(request, db, viewer, session_id, form=form)


@router.post("/sessions/{session_id}/open", dependencies=CONDUCT)
def open_session(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
               form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with form.press(db):
        commands.open_session(db, session_id, by=viewer)
    return redirect(request, "show_session", session_id=session_id, done="opened")


@router.post("/sessions/{session_id}/close", dependencies=CONDUCT)
def close_session(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                  form: CloseForm = posted(CloseForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.close_session(db, session_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="closed")
    return _session_page(request, db, viewer, session_id, close_form=form)


@router.post("/sessions/{session_id}/reconcile", dependencies=CONDUCT)
def reconcile_session(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
               form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with form.press(db):
        commands.reconcile_session(db, session_id, by=viewer)
    return redirect(request, "show_session", session_id=session_id, done="saved")


@router.post("/sessions/{session_id}/runs", dependencies=PLAN)
def add_run(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
            form: RunForm = posted(RunForm)) -> Response:  # fmt: skip
    form.offer(**choices.seats(db, viewer))
    if form.ok:
        values = {**form.values, "driver_id": int(form.values["driver_id"]), "car_id": int(form.values["car_id"])}
        with form.attempt(db):
            values["planned_at"] = choices.venue(db, viewer, session_id, form.values["planned_at"], "planned_at")
            commands.add_run(db, session_id, by=viewer, **values)
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="saved", fragment="runs")
    return _session_page(request, db, viewer, session_id, run_form=form)


@router.post("/runs/{run_id}/start", dependencies=DRIVE)
def start_run(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
              form: StartRunForm = posted(StartRunForm)) -> Response:  # fmt: skip
    run = queries.get_run(db, viewer.programme_id, run_id)
    session_id = run.session_id
    if form.ok:
        with form.attempt(db):
            at = choices.venue(db, viewer, session_id, form.values["at"], "at")
            if form.sent:
                report_commands.report_start(db, run_id, by=viewer, phone=form.phone, at=at)
            else:
                commands.start_run(db, run_id, by=viewer, at=at)
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="started", fragment=f"run-{run_id}")
    return _run_form_page(request, db, viewer, run_id, "start", form)


@router.get("/runs/{run_id}/end", dependencies=DRIVE)
def show_end_run(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    run = queries.get_run(db, viewer.programme_id, run_id)
    form = EndRunForm().fill(tyre_set=run.tyre_set, tyre_runs=run.tyre_runs, pack=run.pack)
    return _run_form_page(request, db, viewer, run_id, "end", form)


@router.post("/runs/{run_id}/end", dependencies=DRIVE)
def end_run(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
            form: EndRunForm = posted(EndRunForm)) -> Response:  # fmt: skip
    run = queries.get_run(db, viewer.programme_id, run_id)
    session_id, own = run.session_id, run.driver_id == viewer.account_id
    if form.ok:
        with form.attempt(db):
            values = {**form.values, "at": choices.venue(db, viewer, session_id, form.values["at"], "at")}
            if form.sent:
                report_commands.report_end(db, run_id, by=viewer, phone=form.phone, **values)
            else:
                commands.end_run(db, run_id, by=viewer, **values)
        if form.ok and own:
            return redirect(request, "show_slip", run_id=run_id, done="run-ended")
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="run-ended", fragment=f"run-{run_id}")
    return _run_form_page(request, db, viewer, run_id, "end", form)


@router.get("/runs/{run_id}/times", dependencies=CONDUCT)
def show_times(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    run = queries.get_run(db, viewer.programme_id, run_id)
    zone = run.session.time_zone
    form = TimesForm().fill(started_at=run.started_at and clock.to_venue(run.started_at, zone),
                            ended_at=run.ended_at and clock.to_venue(run.ended_at, zone))  # fmt: skip
    return _run_form_page(request, db, viewer, run_id, "times", form)


@router.post("/runs/{run_id}/times", dependencies=CONDUCT)
def correct_times(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
                  form: TimesForm = posted(TimesForm)) -> Response:  # fmt: skip
    session_id = queries.get_run(db, viewer.programme_id, run_id).session_id
    if form.ok:
        with form.attempt(db):
            started = choices.venue(db, viewer, session_id, form.values["started_at"], "started_at")
            ended = choices.venue(db, viewer, session_id, form.values["ended_at"], "ended_at")
            if started is not None:
                commands.correct_times(db, run_id, by=viewer, started_at=started, ended_at=ended, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="saved", fragment=f"run-{run_id}")
    return _run_form_page(request, db, viewer, run_id, "times", form)


@router.get("/runs/{run_id}/void", dependencies=CONDUCT)
def show_void_run(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _run_form_page(request, db, viewer, run_id, "void", VoidForm())


@router.post("/runs/{run_id}/void", dependencies=CONDUCT)
def void_run(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
             form: VoidForm = posted(VoidForm)) -> Response:  # fmt: skip
    session_id = queries.get_run(db, viewer.programme_id, run_id).session_id
    if form.ok:
        with form.attempt(db):
            commands.void_run(db, run_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="saved")
    return _run_form_page(request, db, viewer, run_id, "void", form)


@router.get("/runs/{run_id}/build", dependencies=BUILD)
def show_build(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    run, present, previous = _builds_of(db, viewer, run_id)
    form, start = BuildForm(), present or previous
    if start is not None:
        form.fill(piece_ids=[str(piece.piece_id) for piece in start.pieces], settings=rules.show_settings(start.settings),
                  declared=[str(variant.variant_id) for variant in start.variants if variant.declared])  # fmt: skip
    return _build_page(request, run, present, previous, form.offer(**choices.build_choices(db, viewer)))


@router.post("/runs/{run_id}/build", dependencies=BUILD)
def record_build(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
                 form: BuildForm = posted(BuildForm)) -> Response:  # fmt: skip
    form.offer(**choices.build_choices(db, viewer))
    run = queries.get_run(db, viewer.programme_id, run_id)
    rules.check_not_sealed(run)
    session_id = run.session_id
    if form.ok:
        question_of = {row.id: row.question_id for row in list_variants(db, viewer.programme_id)}
        with form.attempt(db):
            build_commands.record_build(
                db, run_id, by=viewer, piece_ids=[int(item) for item in form.values["piece_ids"]],
                settings=rules.read_settings(form.values["settings"]), confirmed=form.values["confirmed"],
                declared={question_of[int(item)]: int(item) for item in form.values["declared"]}, reason=form.values["reason"],
            )  # fmt: skip
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="saved", fragment=f"run-{run_id}")
    return _build_page(request, *_builds_of(db, viewer, run_id), form)


@router.post("/runs/{run_id}/build/confirm", dependencies=BUILD)
def confirm_build(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
               form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    session_id = queries.get_run(db, viewer.programme_id, run_id).session_id
    with form.press(db):
        build_commands.confirm_build(db, run_id, by=viewer, waited=form.sent is not None)
    return redirect(request, "show_session", session_id=session_id, done="saved", fragment=f"run-{run_id}")


def _session_page(request: Request, db: Db, viewer: Viewer, session_id: int, **forms: Form) -> Response:
    session = queries.get_session(db, viewer.programme_id, session_id)
    people = queries.list_session_people(db, session_id)
    sent = next(iter(forms.values()), None)
    names = [name for name in EditSessionForm.fields_declared if name not in ("drivers", "conductors")]
    form = forms.get("form") or EditSessionForm().fill(
        **{name: getattr(session, name) for name in names},
        drivers=[str(p) for p, _, duty in people if duty == "driver"],
        conductors=[str(p) for p, _, duty in people if duty == "conductor"],
    ).offer(**choices.people(db, viewer))  # fmt: skip
    if "form" in forms and form.status == 409:
        form.conflict = [(f.label, str(getattr(session, n) or ""), str(f.raw)) for n, f in form.fields.items()
                         if n in names and n != "edition" and str(getattr(session, n) or "") != str(f.raw)]  # fmt: skip
        form.fields["edition"].raw = str(session.edition)
    return page(
        request, "sessions/show_session.html", status=sent.status if sent else 200, session=session, people=people,
        runs=queries.list_runs(db, viewer.programme_id, session_id), form=form, zone=session.time_zone,
        run_form=forms.get("run_form") or RunForm().offer(**choices.seats(db, viewer)),
        close_form=forms.get("close_form") or CloseForm(),
    )  # fmt: skip


def _run_form_page(request: Request, db: Db, viewer: Viewer, run_id: int, what: str, form: Form) -> Response:
    run = queries.get_run(db, viewer.programme_id, run_id)
    return page(request, "sessions/show_run_form.html", status=form.status if form.submitted else 200, run=run, what=what,
                form=form, zone=run.session.time_zone)  # fmt: skip


def _builds_of(db: Db, viewer: Viewer, run_id: int) -> tuple[Run, AsRunBuild | None, AsRunBuild | None]:
    """The run, its build, or else the build of the run before on the same car."""
    run = queries.get_run(db, viewer.programme_id, run_id)
    rules.check_not_sealed(run)
    present = queries.find_newest_build(db, run.id)
    return run, present, None if present else queries.find_previous_build(db, run)


def _build_page(request: Request, run: Run, present: AsRunBuild | None, previous: AsRunBuild | None, form: Form) -> Response:
    return page(request, "sessions/show_build.html", status=form.status if form.submitted else 200, run=run, form=form,
                present=present, previous=previous)  # fmt: skip
