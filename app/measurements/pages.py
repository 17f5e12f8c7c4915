"""Laps and other tables: bring them in, withdraw them, what a session has, one's own preference."""

from collections.abc import Sequence
from itertools import combinations

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.errors import Refused
from app.feedback.queries import hidden_sessions
from app.measurements import commands, queries
from app.measurements.forms import PreferenceForm, TableForm, WithdrawTableForm, column_lists
from app.measurements.models import Kind
from app.measurements.rules import Plan
from app.sessions import queries as sessions
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, ADD = [allow(Action.SEE_PROGRAMME)], [allow(Action.ADD_MEASUREMENTS)]
SHOWN_ROWS = 300


@router.get("/tables", dependencies=ADD)
def show_tables(request: Request, db: DbHere, viewer: SignedIn, kind: str = "") -> Response:
    form = TableForm()
    return _tables_page(request, db, viewer, form.fill(kind=kind) if kind in list(Kind) else form)


@router.post("/tables/preview", dependencies=ADD)
def check_measurements(request: Request, db: DbHere, viewer: SignedIn,
                       form: TableForm = posted(TableForm)) -> Response:  # fmt: skip
    plan = None
    form.take_files()
    if form.ok:
        try:
            plan = commands.check_table(db, by=viewer, kind=form.kind, text=form.text, flags=form.flags_text)
            form.refuse_plan(plan)
        except Refused as refused:
            form.refuse(refused)
    return _tables_page(request, db, viewer, form, plan=plan, status=200 if form.ok else 422)


@router.post("/tables", dependencies=ADD)
def add_measurements(request: Request, db: DbHere, viewer: SignedIn,
                     form: TableForm = posted(TableForm)) -> Response:  # fmt: skip
    form.take_files()
    if form.ok:
        with form.attempt(db):
            commands.add_table(db, by=viewer, kind=form.kind, text=form.text, flags=form.flags_text,
                               file_name=form.values["file_name"] or "")  # fmt: skip
        if form.ok:
            return redirect(request, "show_tables", done="imported", fragment="here")
    return _tables_page(request, db, viewer, form, status=form.status)


@router.post("/tables/{batch_id}/withdraw", dependencies=ADD)
def withdraw_measurements(request: Request, batch_id: Id, db: DbHere, viewer: SignedIn,
                          form: WithdrawTableForm = posted(WithdrawTableForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.withdraw_table(db, batch_id, by=viewer, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_tables", done="withdrawn", fragment="here")
    return _tables_page(request, db, viewer, TableForm(), withdrawing=(batch_id, form), status=form.status)


@router.get("/sessions/{session_id}/tables", dependencies=SEE)
def show_session_tables(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _session_page(request, db, viewer, session_id, PreferenceForm())


@router.post("/sessions/{session_id}/preference", dependencies=[allow(Action.FILE_PREFERENCE)])
def file_preference(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                    form: PreferenceForm = posted(PreferenceForm)) -> Response:  # fmt: skip
    form.offer(choice=_choices(db, viewer, session_id))
    if form.ok:
        question_id, first_id, second_id, preferred_id = form.chosen
        with form.attempt(db):
            commands.file_preference(db, session_id, by=viewer, question_id=question_id, first_id=first_id, second_id=second_id,
                                     preferred_id=preferred_id)  # fmt: skip
        if form.ok:
            return redirect(request, "show_session_tables", session_id=session_id, done="saved", fragment="preferences")
    return _session_page(request, db, viewer, session_id, form)


def _tables_page(request: Request, db: Db, viewer: Viewer, form: TableForm, *, plan: Plan | None = None, status: int = 200,
                 withdrawing: tuple[int, Form] | None = None) -> Response:  # fmt: skip
    return page(request, "measurements/show_tables.html", status=status, form=form, plan=plan, bad=form.bad,
                shown=plan.rows[:SHOWN_ROWS] if plan else (), batches=queries.list_batches(db, viewer.programme_id),
                columns=column_lists(), withdrawing=withdrawing or (0, WithdrawTableForm()), blank=WithdrawTableForm())  # fmt: skip


def _session_page(request: Request, db: Db, viewer: Viewer, session_id: int, form: PreferenceForm) -> Response:
    session = sessions.get_session(db, viewer.programme_id, session_id)
    hidden = session_id in hidden_sessions(db, viewer)
    if not form.submitted:
        form.offer(choice=_choices(db, viewer, session_id))
    said = queries.list_preferences(db, viewer.programme_id, session_id)
    return page(
        request, "measurements/show_session_tables.html", status=form.status if form.submitted else 200, session=session, form=form,
        runs=sessions.list_runs(db, viewer.programme_id, session_id), laps={} if hidden else queries.count_laps(db, session_id),
        preferences=[row for row in said if not hidden or row.rater_id == viewer.account_id], hidden=hidden,
        used=[] if hidden else queries.list_exposures(db, session_id),
    )  # fmt: skip


def _choices(db: Db, viewer: Viewer, session_id: int) -> Sequence[tuple[str, str]]:
    """Every pair of variants of one question that the viewer drove in this session, with its three answers."""
    drove: dict[tuple[int, str], dict[int, str]] = queries.driven_variants(db, viewer, session_id)
    offered: list[tuple[str, str]] = []
    for (question_id, label), variants in drove.items():
        for first, second in combinations(sorted(variants), 2):
            pair = f"{question_id}:{first}:{second}"
            words = f"{label}, {variants[first]} or {variants[second]}"
            offered += [(f"{pair}:{first}", f"{words}: {variants[first]}"), (f"{pair}:{second}", f"{words}: {variants[second]}"),
                        (f"{pair}:0", f"{words}: no preference")]  # fmt: skip
    return offered
