"""The steps of a concern between triage and close, each a short form on its page."""

from datetime import datetime

from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.concerns import loop_commands
from app.concerns.models import CauseClass, TryResult
from app.errors import Refused
from app.proving import commands, forms
from app.proving.concern_pages import concern_page, offer_failures, offer_fix, offer_on, offer_tries
from app.web.forms import Form, posted, whole
from app.web.page import redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/concerns/{concern_id}")
TRIAGE, CONTAIN = [allow(Action.TRIAGE_CONCERN)], [allow(Action.CONTAIN_CONCERN)]


def _back(request: Request, concern_id: int, where: str) -> Response:
    return redirect(request, "show_concern", concern_id=concern_id, done="saved", fragment=where)


@router.post("/contain", dependencies=CONTAIN)
def contain_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                    form: Form = posted(forms.ContainForm)) -> Response:  # fmt: skip
    offer_on(db, viewer, form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            loop_commands.contain(
                db, concern_id, by=viewer, words=v["words"], revision_id=forms.number(v["revision_id"]),
                piece_id=forms.number(v["piece_id"]), from_at=_moment(viewer, v["from_at"], "from_at"),
                until_at=_moment(viewer, v["until_at"], "until_at"),
            )  # fmt: skip
        if form.ok:
            return _back(request, concern_id, "loop")
    return concern_page(request, db, viewer, concern_id, contain=form)


def _moment(viewer: Viewer, typed: datetime | None, field: str) -> datetime | None:
    """What the programme's clock showed, as a moment."""
    if typed is None:
        return None
    try:
        return clock.venue_to_utc(typed, viewer.programme.time_zone if viewer.programme else "UTC")
    except ValueError as impossible:
        raise Refused(str(impossible), "", "Give a time that the clock showed once.", field=field) from impossible


@router.post("/containments/{containment_id}/lift", dependencies=CONTAIN)
def lift_containment(request: Request, concern_id: Id, containment_id: Id, db: DbHere, viewer: SignedIn,
                     form: Form = posted(forms.LiftForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            loop_commands.lift_containment(db, containment_id, by=viewer, why=form.values["why"])
        if form.ok:
            return _back(request, concern_id, "loop")
    return concern_page(request, db, viewer, concern_id, lift=form, lifting=containment_id)


@router.post("/reproduced", dependencies=CONTAIN)
def note_reproduced(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                    form: Form = posted(forms.ReproducedForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            loop_commands.note_reproduced(db, concern_id, by=viewer, text=form.values["text"])
        if form.ok:
            return _back(request, concern_id, "events")
    return concern_page(request, db, viewer, concern_id, reproduced=form)


@router.post("/cause", dependencies=TRIAGE)
def note_cause(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
               form: Form = posted(forms.CauseForm)) -> Response:  # fmt: skip
    if form.ok:
        v = form.values
        with form.attempt(db):
            loop_commands.note_cause(db, concern_id, by=viewer, version=whole(v["version"]), cause=CauseClass(v["cause"]), words=v["words"])
        if form.ok:
            return _back(request, concern_id, "loop")
    return concern_page(request, db, viewer, concern_id, cause=form)


@router.post("/tries", dependencies=CONTAIN)
def add_try(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn, form: Form = posted(forms.TryForm)) -> Response:
    offer_on(db, viewer, form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            loop_commands.add_try(
                db, concern_id, by=viewer, words=v["words"], revision_id=forms.number(v["revision_id"]),
                piece_id=forms.number(v["piece_id"]), result=TryResult(v["result"]) if v["result"] else None,
                result_words=v["result_words"],
            )  # fmt: skip
        if form.ok:
            return _back(request, concern_id, "loop")
    return concern_page(request, db, viewer, concern_id, tried=form)


@router.post("/results", dependencies=CONTAIN)
def note_try_result(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                    form: Form = posted(forms.OutcomeForm)) -> Response:  # fmt: skip
    offer_tries(db, viewer, form, concern_id)
    if form.ok:
        v = form.values
        with form.attempt(db):
            loop_commands.note_outcome(db, concern_id, forms.number(v["try_id"]) or 0, by=viewer, result=TryResult(v["result"]),
                                       words=v["words"])  # fmt: skip
        if form.ok:
            return _back(request, concern_id, "loop")
    return concern_page(request, db, viewer, concern_id, outcome=form)


@router.post("/fitted", dependencies=TRIAGE)
def fit_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn, form: Form = posted(forms.FitForm)) -> Response:
    offer_fix(db, viewer, form)
    if form.ok:
        with form.attempt(db):
            loop_commands.fit(db, concern_id, by=viewer, revision_id=forms.number(form.values["fixed_revision_id"]) or 0,
                              words=form.values["words"])  # fmt: skip
        if form.ok:
            return _back(request, concern_id, "proof")
    return concern_page(request, db, viewer, concern_id, fit=form)


@router.post("/rule", dependencies=TRIAGE)
def declare_closing_rule(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                         form: forms.RuleForm = posted(forms.RuleForm)) -> Response:  # fmt: skip
    if form.ok:
        v = form.values
        with form.attempt(db):
            loop_commands.declare_rule(db, concern_id, by=viewer, rule=form.rule(), version=whole(v["version"]), reason=v["rule_reason"])
        if form.ok:
            return _back(request, concern_id, "proof")
    return concern_page(request, db, viewer, concern_id, rule=form)


@router.post("/failures", dependencies=TRIAGE)
def judge_failure(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                  form: Form = posted(forms.JudgeForm)) -> Response:  # fmt: skip
    versions = offer_failures(db, viewer, form, concern_id)
    if form.ok:
        v = form.values
        with form.attempt(db):
            incident_id = forms.number(v["incident_id"]) or 0
            commands.judge_failure(db, concern_id, incident_id, by=viewer, version=versions.get(incident_id, 0), same=v["same"] == "same",
                                   reason=v["reason"])  # fmt: skip
        if form.ok:
            return _back(request, concern_id, "proof")
    return concern_page(request, db, viewer, concern_id, judge=form)
