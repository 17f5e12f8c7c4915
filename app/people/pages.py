"""Pages about people: sign-in, one-time links, one's own account, the programme's people."""

from fastapi import Request
from fastapi.responses import RedirectResponse, Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db, transaction
from app.errors import NotFound
from app.people import commands, queries, sign_in
from app.people.forms import AcceptForm, HatsForm, InviteForm, PasswordForm, ReasonForm, SignInForm
from app.people.models import Hat
from app.web.forms import ButtonForm, Form, posted
from app.web.page import page, path_for, redirect
from app.web.routes import Router

router = Router()
DOOR = [allow(Action.OPEN_FRONT_DOOR)]


@router.get("/sign-in", dependencies=DOOR)
def show_sign_in(request: Request) -> Response:
    form = SignInForm()
    form.fill(next=sign_in.next_from_query(request))
    return sign_in.sign_in_page(request, form, status=200)


@router.post("/sign-in", dependencies=DOOR)
def start_sign_in(request: Request, db: DbHere, form: SignInForm = posted(SignInForm)) -> Response:
    if not form.ok:
        return sign_in.sign_in_page(request, form, status=422)
    return sign_in.try_sign_in(request, db, form)


@router.post("/sign-out", dependencies=[allow(Action.USE_ACCOUNT)])
def sign_out(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return sign_in.sign_out_response(request, db, viewer)


@router.get("/join/{token}", dependencies=DOOR)
def show_invitation(request: Request, token: str, db: DbHere) -> Response:
    return _invitation_page(request, db, token, AcceptForm(), status=200)


@router.post("/join/{token}", dependencies=DOOR)
def accept_invitation(request: Request, token: str, db: DbHere, form: AcceptForm = posted(AcceptForm)) -> Response:
    if form.ok:
        with form.attempt(db):
            account = commands.accept_invitation(db, request.app.state.hasher, token, **form.values)
            account_id = account.id
        if form.ok:
            return sign_in.signed_in_response(request, db, account_id)
    return _invitation_page(request, db, token, form, status=form.status)


@router.post("/join/{token}/as-myself", dependencies=[allow(Action.USE_ACCOUNT)])
def join_as_myself(request: Request, token: str, db: DbHere, viewer: SignedIn) -> Response:
    with transaction(db):
        commands.accept_invitation(db, request.app.state.hasher, token, login="", name="", password="",
                                   as_account_id=viewer.account_id)  # fmt: skip
    return RedirectResponse("/", status_code=303)


def _invitation_page(request: Request, db: Db, token: str, form: Form, *, status: int) -> Response:
    invitation = queries.find_invitation(db, token)
    if invitation is None:
        raise NotFound("This link was used, withdrawn or has run out", "A link works once, for seven days.",
                       "Ask the manager for a new one.")  # fmt: skip
    renews = queries.get_account(db, invitation.account_id) if invitation.account_id else None
    if renews is not None:
        form.fill(name=renews.name, login=renews.login)
    elif not form.submitted and invitation.name:
        form.fill(name=invitation.name)
    return page(request, "people/show_invitation.html", status=status, form=form, invitation=invitation, token=token,
                renews=invitation.account_id is not None,
                first=invitation.programme_id is None)  # fmt: skip


@router.get("/account", dependencies=[allow(Action.USE_ACCOUNT)])
def show_account(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _account_page(request, db, viewer, PasswordForm(), status=200)


@router.post("/account/password", dependencies=[allow(Action.USE_ACCOUNT)])
def change_password(
    request: Request, db: DbHere, viewer: SignedIn, form: PasswordForm = posted(PasswordForm)
) -> Response:
    if form.ok:
        sign_in.change_password(request, db, viewer, form)
        if form.ok:
            return redirect(request, "show_account", done="password")
    return _account_page(request, db, viewer, form, status=form.status)


@router.post("/account/sign-ins/{sign_in_id}/end", dependencies=[allow(Action.USE_ACCOUNT)])
def end_sign_in(request: Request, sign_in_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    with transaction(db):
        commands.end_sign_in(db, sign_in_id, by=viewer)
    return redirect(request, "show_account", done="ended")


def _account_page(request: Request, db: Db, viewer: Viewer, form: Form, *, status: int) -> Response:
    return page(
        request,
        "people/show_account.html",
        status=status,
        form=form,
        sign_ins=queries.list_sign_ins(db, viewer.account_id),
        programmes=queries.list_programmes_of(db, viewer.account_id),
    )


@router.get("/programmes/{programme_id}/people", dependencies=[allow(Action.SEE_PROGRAMME)])
def list_people(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _people_page(request, db, viewer, InviteForm())


@router.post("/programmes/{programme_id}/people/invitations", dependencies=[allow(Action.INVITE)])
def invite(
    request: Request, db: DbHere, viewer: SignedIn, form: InviteForm = posted(InviteForm)
) -> Response:
    if form.ok:
        values = {**form.values, "hats": frozenset(Hat(word) for word in form.values["hats"])}
        with form.attempt(db):
            token = commands.invite(db, by=viewer, **values)
        if form.ok:
            link = request.app.state.settings.base_url + path_for(request, "show_invitation", token=token)
            return _people_page(request, db, viewer, InviteForm(), link=link, link_for=values["name"])
    return _people_page(request, db, viewer, form, status=form.status)


def _people_page(request: Request, db: Db, viewer: Viewer, form: Form, *, status: int = 200, link: str = "",
                 link_for: str = "") -> Response:  # fmt: skip
    return page(request, "people/list_people.html", status=status, form=form, link=link, link_for=link_for,
                people=queries.list_people(db, viewer.programme_id),
                invitations=queries.list_open_invitations(db, viewer.programme_id))  # fmt: skip


@router.get("/programmes/{programme_id}/people/{account_id}", dependencies=[allow(Action.INVITE)])
def show_person(request: Request, account_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _person_page(request, db, viewer, account_id)


@router.post("/programmes/{programme_id}/people/{account_id}/link", dependencies=[allow(Action.INVITE)])
def invite_again(request: Request, account_id: Id, db: DbHere, viewer: SignedIn,
                 form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with transaction(db):
        token = commands.invite_again(db, account_id, by=viewer)
        name = queries.get_account(db, account_id).name
    link = request.app.state.settings.base_url + path_for(request, "show_invitation", token=token)
    return _people_page(request, db, viewer, InviteForm(), link=link, link_for=name)


@router.post("/programmes/{programme_id}/people/{account_id}/hats", dependencies=[allow(Action.INVITE)])
def set_hats(request: Request, account_id: Id, db: DbHere, viewer: SignedIn,
             form: HatsForm = posted(HatsForm)) -> Response:  # fmt: skip
    if form.ok:
        hats = frozenset(Hat(word) for word in form.values["hats"])
        with form.attempt(db):
            commands.set_hats(db, account_id, by=viewer, hats=hats, why=form.values["why"])
        if form.ok:
            return redirect(request, "list_people", done="saved")
    return _person_page(request, db, viewer, account_id, hats_form=form, status=form.status)


@router.post("/programmes/{programme_id}/people/{account_id}/disable", dependencies=[allow(Action.DISABLE_ACCOUNT)])
def disable_account(request: Request, account_id: Id, db: DbHere, viewer: SignedIn,
                    form: ReasonForm = posted(ReasonForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.disable_account(db, account_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "list_people", done="saved")
    return _person_page(request, db, viewer, account_id, reason_form=form, status=form.status)


@router.post("/programmes/{programme_id}/people/{account_id}/enable", dependencies=[allow(Action.DISABLE_ACCOUNT)])
def enable_account(request: Request, account_id: Id, db: DbHere, viewer: SignedIn,
                   form: ReasonForm = posted(ReasonForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.enable_account(db, account_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "list_people", done="saved")
    return _person_page(request, db, viewer, account_id, reason_form=form, status=form.status)


def _person_page(request: Request, db: Db, viewer: Viewer, account_id: int, *, hats_form: Form | None = None,
                 reason_form: Form | None = None, status: int = 200) -> Response:  # fmt: skip
    member = queries.get_member(db, viewer.programme_id, account_id)
    forms = {"hats_form": hats_form or HatsForm().fill(hats=member.hats), "reason_form": reason_form or ReasonForm()}
    return page(request, "people/show_person.html", status=status, member=member, **forms)
