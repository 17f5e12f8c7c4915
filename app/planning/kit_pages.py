"""Tyre sets, packs and change-over minutes; half fractions of settings."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.evidence.refusals import EvidenceError
from app.planning import kit_commands, queries
from app.planning.forms import KitForm, PartFiguresForm, ScreeningForm
from app.planning.fractions import Screening, screening
from app.web.forms import ButtonForm, Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/kit")
SEE, PLAN = [allow(Action.SEE_PROGRAMME)], [allow(Action.PLAN_SESSION)]


@router.get("", dependencies=SEE)
def show_kit(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _kit_page(request, db, viewer)


@router.post("", dependencies=PLAN)
def add_kit(request: Request, db: DbHere, viewer: SignedIn, form: KitForm = posted(KitForm)) -> Response:
    if form.ok:
        values = {**form.values, "most_runs": None if form.values["most_runs"] is None else int(form.values["most_runs"])}
        with form.attempt(db):
            kit_commands.add_kit(db, by=viewer, **values)
        if form.ok:
            return redirect(request, "show_kit", done="saved")
    return _kit_page(request, db, viewer, kit_form=form)


@router.post("/parts", dependencies=PLAN)
def set_part_figures(request: Request, db: DbHere, viewer: SignedIn,
                     form: PartFiguresForm = posted(PartFiguresForm)) -> Response:  # fmt: skip
    form.offer(part_id=[(str(p.id), f"{p.code} {p.title}") for p in queries.list_part_figures(db, viewer.programme_id)])
    if form.ok:
        v = form.values
        with form.attempt(db):
            kit_commands.set_part_figures(db, int(v["part_id"]), by=viewer, change_min=v["change_min"], corrections=int(v["corrections"]),
                                          correction_days=int(v["correction_days"]))  # fmt: skip
        if form.ok:
            return redirect(request, "show_kit", done="saved", fragment="parts")
    return _kit_page(request, db, viewer, part_form=form)


@router.post("/{kit_id}/retire", dependencies=PLAN)
def retire_kit(request: Request, kit_id: Id, db: DbHere, viewer: SignedIn,
               form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with form.press(db):
        kit_commands.retire_kit(db, kit_id, by=viewer)
    return redirect(request, "show_kit", done="saved")


@router.get("/screening", dependencies=SEE)
def show_screening(request: Request, viewer: SignedIn, options: str = "", every: str = "") -> Response:
    """Two-level options, one a line, as half a fraction; everything stands in the address, nothing is stored."""
    form = ScreeningForm().fill(options=options or "front hole = in, out\nrear hole = in, out\npiston = 1.2, 1.3", every=bool(every))
    found: Screening | None = None
    form.read_all()
    if not any(item.error for item in form.fields.values()):
        try:
            found = screening(form.levels(), half=not every)
        except EvidenceError as refused:
            form.fields["options"].error = str(refused)
    return page(request, "planning/show_screening.html", form=form, found=found, asked=bool(options))


def _kit_page(request: Request, db: Db, viewer: Viewer, **forms: Form) -> Response:
    parts = queries.list_part_figures(db, viewer.programme_id)
    sent = next(iter(forms.values()), None)
    return page(
        request, "planning/show_kit.html", status=sent.status if sent else 200, kit=queries.list_kit(db, viewer.programme_id), parts=parts,
        kit_form=forms.get("kit_form") or KitForm(),
        part_form=forms.get("part_form") or PartFiguresForm().offer(part_id=[(str(p.id), f"{p.code} {p.title}") for p in parts]),
    )  # fmt: skip
