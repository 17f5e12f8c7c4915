"""One run with its slips, the debrief slip, and what counts."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.policy import may
from app.access.viewer import Viewer
from app.db import Db
from app.errors import Conflict, NotAllowed
from app.feedback import choices, commands, queries, rules, version_commands
from app.feedback.forms import (
    CardPhotoForm,
    ConfirmMoveForm,
    CountingForm,
    MoveForm,
    SettleForm,
    SlipForm,
    SwapForm,
    WithdrawForm,
)
from app.feedback.models import Slip
from app.people.rules import new_token
from app.programmes.queries import list_attributes
from app.sessions import queries as sessions
from app.sessions.models import Run
from app.web.forms import ButtonForm, Form, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, FILE, AMEND = [allow(Action.SEE_OTHERS_SLIP)], [allow(Action.FILE_SLIP)], [allow(Action.AMEND_SLIP)]
JUDGE, CONDUCT = [allow(Action.JUDGE_COUNTING)], [allow(Action.RUN_SESSION)]


@router.get("/runs/{run_id}", dependencies=SEE)
def show_run(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _run_page(request, db, viewer, run_id)


@router.get("/runs/{run_id}/slip", dependencies=FILE)
def show_slip(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return slip_page(request, db, viewer, run_id, SlipForm().fill(token=new_token()))


@router.post("/runs/{run_id}/slip", dependencies=FILE)
def file_slip(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
              form: SlipForm = posted(SlipForm)) -> Response:  # fmt: skip
    form.for_attributes(list_attributes(db, viewer.programme_id, on_slip=True))
    if form.ok:
        with form.attempt(db):
            receipt = commands.file_slip(db, run_id, by=viewer, token=form.values["token"], answers=form.answers(),
                                         phone=form.phone if form.sent else None)  # fmt: skip
            form.settle(receipt.outcome)
        if form.ok:
            done = "proposed" if receipt.outcome == "proposed" else "filed"
            return redirect(request, "show_run", run_id=receipt.run_id, done=done)
    return slip_page(request, db, viewer, run_id, form)


@router.get("/slips/{slip_id}", dependencies=SEE)
def show_filed_slip(request: Request, slip_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return filed_page(request, db, viewer, slip_id)


@router.get("/slips/{slip_id}/amend", dependencies=AMEND)
def show_amend_slip(request: Request, slip_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    slip = queries.get_slip(db, viewer.programme_id, slip_id)
    return _amend_page(request, db, viewer, slip_id, SlipForm().fill(version=slip.version))


@router.post("/slips/{slip_id}/amend", dependencies=AMEND)
def amend_slip(request: Request, slip_id: Id, db: DbHere, viewer: SignedIn,
               form: SlipForm = posted(SlipForm)) -> Response:  # fmt: skip
    form.fields["token"].required, form.fields["reason"].required = False, True
    form.for_attributes(list_attributes(db, viewer.programme_id))
    if form.ok:
        version = whole(form.values["version"])
        with form.attempt(db):
            run_id = commands.amend_slip(db, slip_id, by=viewer, version=version, answers=form.answers(),
                                         reason=form.values["reason"]).run_id  # fmt: skip
        if form.ok:
            return redirect(request, "show_run", run_id=run_id, done="amended")
    return _amend_page(request, db, viewer, slip_id, form)


@router.post("/slips/{slip_id}/move", dependencies=AMEND)
def move_slip(request: Request, slip_id: Id, db: DbHere, viewer: SignedIn,
              form: MoveForm = posted(MoveForm)) -> Response:  # fmt: skip
    slip = queries.get_slip(db, viewer.programme_id, slip_id)
    form.offer(run_id=choices.own_runs(db, viewer, slip.run_id))
    if form.ok:
        version = whole(form.values["version"])
        with form.attempt(db):
            run_id = commands.move_slip(db, slip_id, by=viewer, version=version, run_id=int(form.values["run_id"]),
                                        reason=form.values["reason"]).run_id  # fmt: skip
        if form.ok:
            return redirect(request, "show_run", run_id=run_id, done="amended")
    return filed_page(request, db, viewer, slip_id, move_form=form)


@router.post("/slips/{slip_id}/withdraw", dependencies=AMEND)
def withdraw_slip(request: Request, slip_id: Id, db: DbHere, viewer: SignedIn,
                  form: WithdrawForm = posted(WithdrawForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            run_id = commands.withdraw_slip(db, slip_id, by=viewer, why=form.values["why"]).run_id
        if form.ok:
            return redirect(request, "show_run", run_id=run_id, done="withdrawn")
    return filed_page(request, db, viewer, slip_id, withdraw_form=form)


@router.post("/slips/{slip_id}/versions/{version}/settle", dependencies=AMEND)
def settle_proposed(request: Request, slip_id: Id, version: Id, db: DbHere, viewer: SignedIn,
                    form: SettleForm = posted(SettleForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.settle_proposed(db, slip_id, version, by=viewer, accept=form.values["accept"] == "yes")
        if form.ok:
            return redirect(request, "show_filed_slip", slip_id=slip_id, done="saved")
    return filed_page(request, db, viewer, slip_id, settle_form=form)


@router.post("/slips/{slip_id}/versions/{version}/confirm-move", dependencies=JUDGE)
def confirm_move(request: Request, slip_id: Id, version: Id, db: DbHere, viewer: SignedIn,
                 form: ConfirmMoveForm = posted(ConfirmMoveForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            version_commands.confirm_move(db, slip_id, version, by=viewer, accept=form.values["accept"] == "yes")
        if form.ok:
            return redirect(request, "show_filed_slip", slip_id=slip_id, done="saved")
    return filed_page(request, db, viewer, slip_id, confirm_form=form)


@router.post("/slips/{slip_id}/confirm", dependencies=FILE)
def confirm_as_mine(request: Request, slip_id: Id, db: DbHere, viewer: SignedIn,
               form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with form.press(db):
        run_id = commands.confirm_as_mine(db, slip_id, by=viewer).run_id
    return redirect(request, "show_run", run_id=run_id, done="filed")


@router.post("/runs/{run_id}/counting", dependencies=JUDGE)
def judge_counting(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
                   form: CountingForm = posted(CountingForm)) -> Response:  # fmt: skip
    filed = queries.list_slips(db, viewer.programme_id, [run_id], attribute_names={})
    form.offer(slip_id=choices.slip_choices(filed, sessions.account_names(db, viewer.programme_id)))
    if form.ok:
        values = {**form.values, "counts": form.values["counts"] == "yes"}
        values["slip_id"] = int(values["slip_id"]) if values["slip_id"] else None
        with form.attempt(db):
            commands.judge_counting(db, run_id, by=viewer, **values)
        if form.ok:
            return redirect(request, "show_run", run_id=run_id, done="saved", fragment="counting")
    return _run_page(request, db, viewer, run_id, form)


@router.get("/sessions/{session_id}/swap", dependencies=CONDUCT)
def show_swap(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _swap_page(request, db, viewer, session_id, SwapForm().offer(**choices.swap_choices(db, viewer, session_id)))


@router.post("/sessions/{session_id}/swap", dependencies=CONDUCT)
def swap_cars(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
              form: SwapForm = posted(SwapForm)) -> Response:  # fmt: skip
    form.offer(**choices.swap_choices(db, viewer, session_id))
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.swap_cars(db, int(v["first"]), int(v["second"]), by=viewer, why=v["why"], undo=v["undo"])
        if form.ok:
            return redirect(request, "show_session", session_id=session_id, done="swapped")
    return _swap_page(request, db, viewer, session_id, form)


def _swap_page(request: Request, db: Db, viewer: Viewer, session_id: int, form: Form) -> Response:
    session = sessions.get_session(db, viewer.programme_id, session_id)
    return page(request, "feedback/show_swap.html", status=form.status if form.submitted else 200, session=session, form=form)


def _run_page(request: Request, db: Db, viewer: Viewer, run_id: int, sent: CountingForm | None = None) -> Response:
    run = sessions.get_run(db, viewer.programme_id, run_id)
    names = queries.attribute_names(list_attributes(db, viewer.programme_id))
    hidden = run.session_id in queries.hidden_sessions(db, viewer)
    filed = queries.list_slips(db, viewer.programme_id, [run_id], attribute_names=names)
    slips = [s for s in filed if not hidden or viewer.account_id in (s.rater_id, run.driver_id)]
    notes, people = queries.list_notes(db, [run_id]), sessions.account_names(db, viewer.programme_id)
    builds = sessions.list_builds(db, run_id)
    carried = sessions.variants_by_build(db, [build.id for build in builds])
    offered = choices.slip_choices(filed, people) if may(viewer, Action.JUDGE_COUNTING) else []
    form = sent or CountingForm().offer(slip_id=offered)
    return page(
        request, "feedback/show_run.html", status=form.status if form.submitted else 200, run=run, slips=slips, hidden=hidden,
        sealed=run.sealed, builds=builds, carried=carried, facts=sessions.build_facts(db, builds[-1]) if builds else None,
        notes=notes, form=form, zone=run.session.time_zone, people=people, reports=sessions.list_reports(db, [run_id]),
        judged={s.id: rules.counting(s.id, run.id, rules.derived_reasons(run, s.captured_at), notes) for s in slips},
        timeliness={s.id: rules.timeliness(run.ended_at, s.captured_at) for s in slips},
    )  # fmt: skip


def slip_page(request: Request, db: Db, viewer: Viewer, run_id: int, form: SlipForm, *, paper: bool = False) -> Response:
    run = sessions.get_run(db, viewer.programme_id, run_id)
    if not form.scales:
        form.for_attributes(list_attributes(db, viewer.programme_id, on_slip=True))
    rater_id = run.driver_id if paper else viewer.account_id
    filed = queries.find_live_slip(db, run_id, rater_id)
    keeping = "x-keep" in request.headers  # a phone that keeps the slip for when there is no signal
    rules.check_can_rate(run, late=run.driver_id == viewer.account_id and (keeping or form.sent is not None))
    return page(request, "feedback/show_slip.html", status=form.status if form.submitted else 200, run=run, form=form,
                paper=paper, filed=filed, zone=run.session.time_zone,
                people=sessions.account_names(db, viewer.programme_id))  # fmt: skip


def see_slip(db: Db, viewer: Viewer, slip_id: int) -> tuple[Slip, Run]:
    slip = queries.get_slip(db, viewer.programme_id, slip_id)
    run = sessions.get_run(db, viewer.programme_id, slip.run_id)
    mine = slip.rater_id == viewer.account_id or run.driver_id == viewer.account_id
    if not mine and run.session_id in queries.hidden_sessions(db, viewer):
        raise NotAllowed("This slip is not open to you yet", "You are due to rate in this session; others' marks open after "
                         "your own are filed and the session is closed", "File your own slip first.")  # fmt: skip
    return slip, run


def marks_hidden(viewer: Viewer, slip: Slip, run: Run) -> bool:
    """A rater's own earlier marks, within a block whose key is sealed."""
    return run.sealed and viewer.account_id in (slip.rater_id, run.driver_id)


def filed_page(request: Request, db: Db, viewer: Viewer, slip_id: int, **forms: Form) -> Response:
    slip, run = see_slip(db, viewer, slip_id)
    names = queries.attribute_names(list_attributes(db, viewer.programme_id))
    sent = next(iter(forms.values()), None)
    own, sealed = slip.rater_id == viewer.account_id, marks_hidden(viewer, slip, run)
    move = forms.get("move_form") or MoveForm().fill(version=slip.version).offer(
        run_id=choices.own_runs(db, viewer, run.id) if own else [])  # fmt: skip
    return page(
        request, "feedback/show_filed_slip.html", status=sent.status if sent else 200, slip=slip, run=run, names=names,
        people=sessions.account_names(db, viewer.programme_id), move_form=move, own=own,
        withdraw_form=forms.get("withdraw_form") or WithdrawForm(), settle_form=forms.get("settle_form") or SettleForm(),
        confirm_form=forms.get("confirm_form") or ConfirmMoveForm(), card_form=forms.get("card_form") or CardPhotoForm(),
        sealed=sealed, cards=[] if sealed else queries.card_photos(db, slip_id), zone=run.session.time_zone,
    )  # fmt: skip


def _amend_page(request: Request, db: Db, viewer: Viewer, slip_id: int, form: SlipForm) -> Response:
    slip = queries.get_slip(db, viewer.programme_id, slip_id)
    if slip.rater_id != viewer.account_id:
        raise NotAllowed("Only the rater amends a slip", "", "Ask them to.")
    if slip.withdrawn_at is not None:
        raise Conflict("This slip is withdrawn", "", "File a new one.")
    run = sessions.get_run(db, viewer.programme_id, slip.run_id)
    attributes = list_attributes(db, viewer.programme_id)
    standing = next(v for v in slip.versions if v.version == slip.version)
    marks = queries.marks_of(standing)
    if not form.submitted:
        form.for_attributes([a for a in attributes if a.on_slip or a.id in marks])
        form.fill(**({} if run.sealed else {"confidence": standing.confidence, "heard_others": standing.heard_others,
                                            "remark": standing.remark}))  # fmt: skip
        for attribute_id, value in marks.items() if not run.sealed else ():
            form.fields[f"mark_{attribute_id}"].raw = "could-not-judge" if value is None else str(value)
    elif form.status == 409 and not run.sealed:
        names = queries.attribute_names(attributes)
        stands = {names[a]: "could not judge" if m is None else f"{m / 100:g}" for a, m in marks.items()}
        typed = {s.title: form.fields[f"mark_{s.id}"].raw for s in form.scales}
        form.conflict = [(name, stands.get(name, "–"), "could not judge" if raw == "could-not-judge" else
                          f"{int(raw) / 100:g}" if raw else "–") for name, raw in typed.items()]  # fmt: skip
        form.conflict.append(("In your own words", standing.remark, str(form.fields["remark"].raw)))
    if form.submitted and form.status == 409:
        form.fields["version"].raw = str(slip.version)
    return page(request, "feedback/show_amend_slip.html", status=form.status if form.submitted else 200, slip=slip, run=run,
                form=form, zone=run.session.time_zone)  # fmt: skip
