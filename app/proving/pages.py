"""One concern's page: judge it, close it, open it again. The steps between are in `loop_pages`."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.concerns import closing_commands, loop_commands
from app.concerns import commands as concerns
from app.concerns.commands import About
from app.concerns.models import Danger
from app.people.queries import list_people
from app.proving import commands, forms
from app.proving.concern_pages import concern_page, offer_closing, offer_owners, offer_subject
from app.web.forms import Form, posted
from app.web.page import redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/concerns/{concern_id}")
SEE, RAISE, TRIAGE = [allow(Action.SEE_PROGRAMME)], [allow(Action.RAISE_CONCERN)], [allow(Action.TRIAGE_CONCERN)]


@router.get("", dependencies=SEE)
def show_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return concern_page(request, db, viewer, concern_id)


@router.post("/remarks", dependencies=RAISE)
def add_remark(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
               form: Form = posted(forms.RemarkForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            concerns.add_remark(db, concern_id, by=viewer, text=form.values["text"])
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="saved", fragment="events")
    return concern_page(request, db, viewer, concern_id, remark=form)


@router.post("/triage", dependencies=TRIAGE)
def triage_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                   form: Form = posted(forms.TriageForm)) -> Response:  # fmt: skip
    offer_owners(list_people(db, viewer.programme_id), form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            concerns.triage_concern(
                db, concern_id, by=viewer, edition=forms.number(v["edition"]) or 0, danger=Danger(v["danger"]),
                product_severity=int(v["product_severity"]), owner_id=forms.number(v["owner_id"]), blocker=v["blocker"], why=v["why"],
            )  # fmt: skip
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="saved")
    return concern_page(request, db, viewer, concern_id, triage=form)


@router.post("/about", dependencies=TRIAGE)
def name_subject(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                 form: Form = posted(forms.SubjectForm)) -> Response:  # fmt: skip
    offer_subject(db, viewer, form)
    if form.ok:
        about = About(**{name: forms.number(value) for name, value in form.values.items()})
        with form.attempt(db):
            loop_commands.name_subject(db, concern_id, by=viewer, about=about)
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="saved")
    return concern_page(request, db, viewer, concern_id, subject=form)


@router.post("/close", dependencies=TRIAGE)
def close_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                  form: forms.CloseForm = posted(forms.CloseForm)) -> Response:  # fmt: skip
    offer_closing(db, viewer, form, concern_id)
    if form.ok:
        with form.attempt(db):
            commands.close_concern(db, concern_id, by=viewer, edition=forms.number(form.values["edition"]) or 0,
                                   closing=form.closing())  # fmt: skip
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="closed")
    return concern_page(request, db, viewer, concern_id, close=form)


@router.post("/reopen", dependencies=TRIAGE)
def reopen_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                   form: Form = posted(forms.ReopenForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            closing_commands.reopen_concern(db, concern_id, by=viewer, edition=forms.number(form.values["edition"]) or 0,
                                            reason=form.values["reason"])  # fmt: skip
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="saved")
    return concern_page(request, db, viewer, concern_id, reopen=form)
