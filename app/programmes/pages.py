"""The front door, starting a programme, and its settings."""

from fastapi import Request
from fastapi.responses import RedirectResponse, Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db, transaction
from app.people.models import Hat
from app.people.queries import list_programmes_of
from app.programmes import commands, queries
from app.programmes.forms import AttributeForm, OnSlipForm, ProgrammeForm, StartForm
from app.programmes.rules import ScaleSpec
from app.web.forms import Form, posted, whole
from app.web.page import page, path_for, redirect
from app.web.routes import Router

router = Router()


@router.get("/", dependencies=[allow(Action.USE_ACCOUNT)])
def show_front(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    programmes = list_programmes_of(db, viewer.account_id)
    if len(programmes) == 1:
        return RedirectResponse(path_for(request, "show_home", programme_id=programmes[0].id), status_code=303)
    return page(request, "programmes/show_front.html", programmes=programmes)


@router.get("/programmes/new", dependencies=[allow(Action.START_PROGRAMME)])
def show_new_programme(request: Request) -> Response:
    return page(request, "programmes/show_new_programme.html", form=StartForm())


@router.post("/programmes", dependencies=[allow(Action.START_PROGRAMME)])
def start_programme(request: Request, db: DbHere, viewer: SignedIn, form: StartForm = posted(StartForm)) -> Response:
    if form.ok:
        values = {**form.values, "hats": frozenset(Hat(word) for word in form.values["hats"])}
        with form.attempt(db):
            programme_id = commands.start_programme(db, by=viewer, **values).programme_id
        if form.ok:
            return RedirectResponse(path_for(request, "show_home", programme_id=programme_id), status_code=303)
    return page(request, "programmes/show_new_programme.html", form=form, status=form.status)


@router.get("/programmes/{programme_id}/settings", dependencies=[allow(Action.SEE_PROGRAMME)])
def show_programme(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _settings_page(request, db, viewer)


@router.post("/programmes/{programme_id}/settings", dependencies=[allow(Action.EDIT_PROGRAMME)])
def edit_programme(request: Request, db: DbHere, viewer: SignedIn,
                   form: ProgrammeForm = posted(ProgrammeForm)) -> Response:  # fmt: skip
    if form.ok:
        edition = whole(form.values.pop("edition"))
        with form.attempt(db):
            commands.edit_programme(db, by=viewer, edition=edition, **form.values)
        if form.ok:
            return redirect(request, "show_programme", done="saved")
    return _settings_page(request, db, viewer, form=form, status=form.status)


@router.post("/programmes/{programme_id}/attributes", dependencies=[allow(Action.EDIT_PROGRAMME)])
def add_attribute(request: Request, db: DbHere, viewer: SignedIn,
                  form: AttributeForm = posted(AttributeForm)) -> Response:  # fmt: skip
    if form.ok:
        v = form.values
        words = {f"{v['lowest']:g}": v["low_word"], f"{v['highest']:g}": v["high_word"]}
        spec = ScaleSpec(v["name"], v["kind"], v["lowest"], v["highest"], v["step"],
                         {mark: word for mark, word in words.items() if word}, v["on_slip"])  # fmt: skip
        with form.attempt(db):
            commands.add_attribute(db, by=viewer, spec=spec)
        if form.ok:
            return redirect(request, "show_programme", done="saved", fragment="attributes")
    return _settings_page(request, db, viewer, attribute_form=form, status=form.status)


@router.post(
    "/programmes/{programme_id}/attributes/{attribute_id}/on-slip", dependencies=[allow(Action.EDIT_PROGRAMME)]
)
def put_on_slip(
    request: Request,
    programme_id: Id,
    attribute_id: Id,
    db: DbHere,
    viewer: SignedIn,
    form: OnSlipForm = posted(OnSlipForm),
) -> Response:
    with transaction(db):
        commands.put_on_slip(db, attribute_id, by=viewer, on_slip=form.values["on_slip"])
    return redirect(request, "show_programme", done="saved", fragment="attributes")


def _settings_page(request: Request, db: Db, viewer: Viewer, *, form: Form | None = None,
                   attribute_form: Form | None = None, status: int = 200) -> Response:  # fmt: skip
    programme = queries.get_programme(db, viewer.programme_id)
    if form is None:
        form = ProgrammeForm().fill(
            name=programme.name,
            team=programme.team,
            car=programme.car,
            edition=programme.edition,
            time_zone=programme.time_zone,
            freeze_on=programme.freeze_on,
        )
    elif form.status == 409:
        form.conflict = [
            (item.label, str(getattr(programme, name) or ""), str(item.raw))
            for name, item in form.fields.items()
            if name != "edition" and str(getattr(programme, name) or "") != str(item.raw)
        ]
        form.fields["edition"].raw = str(programme.edition)
    return page(
        request,
        "programmes/show_programme.html",
        status=status,
        form=form,
        programme=programme,
        attribute_form=attribute_form or AttributeForm(),
        attributes=queries.list_attributes(db, programme.id),
    )
