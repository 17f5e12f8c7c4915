"""A driver alone: one page that opens a session, takes a car, starts, ends and rates, also without signal."""

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.feedback.forms import SlipForm
from app.hall.forms import CloseAloneForm, EndHereForm, NextAloneForm, OpenAloneForm
from app.people.rules import new_token
from app.programmes.queries import list_attributes
from app.questions.queries import list_variants
from app.sessions import alone_commands, choices, rules
from app.sessions import queries as sessions
from app.sessions.models import Run
from app.web.forms import Form, posted, whole
from app.web.page import page, path_for, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
ALONE = [allow(Action.OPEN_ALONE)]


@router.get("/hall/alone", dependencies=ALONE)
def show_alone(request: Request, db: DbHere, viewer: SignedIn, session: str = "") -> Response:
    """`session` : the number in the address of one's own session, for its next run."""
    asked = whole(session)
    own = bool(asked) and rules.is_own_session(sessions.list_session_people(db, asked), viewer.account_id)
    if own:
        sessions.get_session(db, viewer.programme_id, asked)
    return _alone_page(request, db, viewer, _first(viewer), session_id=asked if own else 0)


@router.post("/hall/alone", dependencies=ALONE)
def open_alone(request: Request, db: DbHere, viewer: SignedIn, form: Form = posted(OpenAloneForm)) -> Response:
    form.offer(**_choices(db, viewer))
    if form.ok:
        with form.attempt(db):
            v = _build_of(db, viewer, form.values)
            run = alone_commands.open_alone(db, by=viewer, phone=form.phone if form.sent else None, **v)
            made = _made(run)
            form.settle("filed", _went(request, viewer, made))
        if form.ok:
            return redirect(request, "show_hall", done="opened", query=made)
    return _alone_page(request, db, viewer, form)


@router.post("/sessions/{session_id}/alone", dependencies=ALONE)
def next_alone(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
               form: Form = posted(NextAloneForm)) -> Response:  # fmt: skip
    sessions.get_session(db, viewer.programme_id, session_id)
    form.offer(**_choices(db, viewer))
    if form.ok:
        with form.attempt(db):
            run = alone_commands.next_alone(db, session_id, by=viewer, **_build_of(db, viewer, form.values))
            made = _made(run)
            form.settle("filed", _went(request, viewer, made))
        if form.ok:
            return redirect(request, "show_hall", done="opened", query=made)
    return _alone_page(request, db, viewer, _first(viewer), next_form=form, session_id=session_id)


@router.post("/sessions/{session_id}/alone/close", dependencies=ALONE)
def close_alone(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                form: Form = posted(CloseAloneForm)) -> Response:  # fmt: skip
    sessions.get_session(db, viewer.programme_id, session_id)
    if form.ok:
        with form.attempt(db):
            alone_commands.close_alone(db, session_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="closed")
    return _alone_page(request, db, viewer, _first(viewer), session_id=session_id, close_form=form)


def _first(viewer: Viewer) -> Form:
    return OpenAloneForm().fill(time_zone=viewer.programme.time_zone if viewer.programme else "UTC")


def _choices(db: Db, viewer: Viewer) -> dict[str, Any]:
    cars = [(car.name, car.name) for car in sessions.list_cars(db, viewer.programme_id)]
    return {"car": [*cars, ("", "another car")], **choices.build_choices(db, viewer)}


def _build_of(db: Db, viewer: Viewer, values: dict[str, Any]) -> dict[str, Any]:
    """What was typed, as the commands take it: the car by its name, pieces and declared variants by their ids."""
    question_of = {row.id: row.question_id for row in list_variants(db, viewer.programme_id)} if values["declared"] else {}
    rest = {name: value for name, value in values.items() if name not in ("car", "new_car")}
    return {**rest, "car": values["new_car"] or values["car"], "piece_ids": [int(item) for item in values["piece_ids"]],
            "declared": {question_of[int(item)]: int(item) for item in values["declared"]},
            "settings": rules.read_settings(values["settings"])}  # fmt: skip


def _made(run: Run) -> dict[str, str]:
    return {"session": str(run.session_id), "run": str(run.id)}


def _went(request: Request, viewer: Viewer, made: dict[str, str]) -> str:
    """Where the answer leads to, as `redirect` makes it: a phone reads from it what was made, even weeks later."""
    return path_for(request, "show_hall", programme_id=viewer.programme_id, query={**made, "done": "opened"})


def _alone_page(request: Request, db: Db, viewer: Viewer, form: Form, *, next_form: Form | None = None, session_id: int = 0,
                close_form: Form | None = None) -> Response:  # fmt: skip
    offered = _choices(db, viewer)
    sent = close_form or next_form or form
    for shown in (form, next_form := next_form or NextAloneForm()):
        if not shown.submitted:
            shown.offer(**offered)
    slip = SlipForm().fill(token=new_token())
    slip.for_attributes(list_attributes(db, viewer.programme_id, on_slip=True))
    return page(request, "hall/show_alone.html", status=sent.status if sent.submitted else 200, form=form, next_form=next_form,
                close_form=close_form or CloseAloneForm(), end_form=EndHereForm(), slip_form=slip, session_id=session_id)  # fmt: skip
