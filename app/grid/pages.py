"""Pages of fit grids: the list, making one, one grid with what is known of its cells, one cell, CAD for many, settings of the grid."""

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.covering.space import Cell
from app.db import Db
from app.errors import NotFound, Refused
from app.grid import commands, forms, grid_view, list_queries, queries, rules
from app.grid.rules import GridFacts
from app.grid.state import GridState, explanation_words, settings_of
from app.grid.words import Proof
from app.photos.queries import get_bytes
from app.photos.rules import Picture, read_picture
from app.questions.queries import list_questions
from app.web.forms import Form, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, EDIT, FILE = [allow(Action.SEE_PROGRAMME)], [allow(Action.EDIT_GRID)], [allow(Action.FILE_FIT)]


@router.get("/grids", dependencies=SEE)
def list_grids(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    rows = queries.list_grids(db, viewer.programme_id)
    facts = queries.facts_of_all(db, viewer.programme_id)
    summaries = {grid_id: grid_view.summary(GridState(found)) for grid_id, found in facts.items()}
    return page(request, "grid/list_grids.html", rows=rows, summaries=summaries)


@router.get("/grids/new", dependencies=EDIT)
def show_new_grid(request: Request, db: DbHere, viewer: SignedIn, question_id: str = "") -> Response:
    return _new_page(request, db, viewer, forms.GridForm().fill(question_id=question_id))


@router.post("/grids", dependencies=EDIT)
def make_grid(request: Request, db: DbHere, viewer: SignedIn, form: forms.GridForm = posted(forms.GridForm)) -> Response:
    _offer_questions(db, viewer, form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            grid_id = commands.make_grid(db, by=viewer, title=v["title"], options=form.factors["options"], items=form.factors["items"],
                                         strength=whole(v["strength"]), proof=Proof(v["proof"]),
                                         question_id=forms.number(v["question_id"])).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_grid", grid_id=grid_id, done="saved")
    return _new_page(request, db, viewer, form)


def _offer_questions(db: Db, viewer: Viewer, form: Form) -> Form:
    rows = [(str(q.id), f"{q.label} {q.title}") for q in list_questions(db, viewer.programme_id)]
    return form.offer(question_id=[("", "none"), *rows])


def _new_page(request: Request, db: Db, viewer: Viewer, form: Form) -> Response:
    if not form.submitted:
        _offer_questions(db, viewer, form)
    return page(request, "grid/show_new_grid.html", status=form.status if form.submitted else 200, form=form)


@router.get("/grids/{grid_id}", dependencies=SEE)
def show_grid(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return grid_page(request, db, viewer, grid_id)


def grid_page(request: Request, db: Db, viewer: Viewer, grid_id: int, form: Form | None = None) -> Response:
    facts = load(db, viewer, grid_id)
    state = GridState(facts)
    row = next(row for row in queries.list_grids(db, viewer.programme_id) if row.id == grid_id)
    return page(
        request, "grid/show_grid.html", status=form.status if form else 200, facts=facts, state=state, row=row, form=form,
        view=grid_view.view_of(state), told=explanation_words(state), lists=list_queries.list_build_lists(db, viewer.programme_id, grid_id),
        ink=grid_view.INK, settings=len(settings_of(state)) if facts.listed else 0,
    )  # fmt: skip


def load(db: Db, viewer: Viewer, grid_id: int) -> GridFacts:
    return queries.load_facts(db, viewer.programme_id, grid_id, zone=viewer.programme.time_zone if viewer.programme else "UTC")


@router.get("/grids/{grid_id}/edit", dependencies=EDIT)
def show_edit_grid(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _edit_page(request, db, viewer, grid_id)


@router.post("/grids/{grid_id}/edit", dependencies=EDIT)
def edit_grid(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
              form: Form = posted(forms.EditGridForm)) -> Response:  # fmt: skip
    _offer_questions(db, viewer, form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.edit_grid(db, grid_id, by=viewer, edition=whole(v["edition"]), title=v["title"], strength=whole(v["strength"]),
                               proof=Proof(v["proof"]), question_id=forms.number(v["question_id"]))  # fmt: skip
        if form.ok:
            return redirect(request, "show_grid", grid_id=grid_id, done="saved")
    return _edit_page(request, db, viewer, grid_id, form=form)


@router.post("/grids/{grid_id}/levels", dependencies=EDIT)
def add_grid_level(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
                   form: forms.LevelForm = posted(forms.LevelForm)) -> Response:  # fmt: skip
    _offer_factors(load(db, viewer, grid_id), form)
    if form.ok:
        with form.attempt(db):
            commands.add_level(db, grid_id, whole(form.values["factor_id"]), by=viewer, level=form.new_level())
        if form.ok:
            return redirect(request, "show_grid", grid_id=grid_id, done="saved")
    return _edit_page(request, db, viewer, grid_id, level_form=form)


def _offer_factors(facts: GridFacts, form: Form) -> Form:
    return form.offer(factor_id=[(str(factor.id), factor.name) for factor in facts.factors])


def _edit_page(request: Request, db: Db, viewer: Viewer, grid_id: int, *, form: Form | None = None,
               level_form: Form | None = None) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    sent = form or level_form
    shown = form or _offer_questions(db, viewer, forms.EditGridForm().fill(
        title=facts.title, strength=facts.strength, proof=facts.proof, question_id=facts.question_id))  # fmt: skip
    if form is None or form.status == 409:
        shown.fill(edition=facts.edition)
    return page(request, "grid/show_edit_grid.html", status=sent.status if sent else 200, facts=facts, form=shown,
                level_form=level_form or _offer_factors(facts, forms.LevelForm()))  # fmt: skip


# --- one cell
@router.get("/grids/{grid_id}/cell", dependencies=SEE)
def show_cell(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn, of: str = "") -> Response:
    return _cell_page(request, db, viewer, grid_id, of)


@router.post("/grids/{grid_id}/cell", dependencies=FILE)
def file_fit(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
             form: forms.FitForm = posted(forms.FitForm)) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    of = str(form.fields["cell"].raw)
    cell = facts.cell_of(forms.numbers(of))
    if cell is None:
        raise NotFound("There is no such cell in this grid", "", "Open it from the grid's page.")
    form.for_cell(facts, cell)
    picture = picture_of(form) if form.ok else None
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.file_fits(db, grid_id, by=viewer, cells=[forms.numbers(of)], result=v["result"], how=v["how"], shim=v["shim"],
                               note=v["note"], on=form.tried_on(), picture=picture, alt=v["alt"],
                               phone=form.phone if form.sent else None)  # fmt: skip
        if form.ok:
            return redirect(request, "show_cell", grid_id=grid_id, query={"of": of}, done="saved")
    return _cell_page(request, db, viewer, grid_id, of, form=form)


@router.post("/grids/{grid_id}/fits/{fit_id}/withdraw", dependencies=FILE)
def withdraw_fit(request: Request, grid_id: Id, fit_id: Id, db: DbHere, viewer: SignedIn,
                 form: Form = posted(forms.ReasonForm)) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    result = next((found for found in facts.results if found.id == fit_id), None)
    if result is None:
        raise NotFound("There is no such result in this grid", "", "Open the cell from the grid's page.")
    of = facts.key(result.cell)
    if form.ok:
        with form.attempt(db):
            commands.withdraw_fit(db, grid_id, fit_id, by=viewer, reason=form.values["reason"])
        if form.ok:
            return redirect(request, "show_cell", grid_id=grid_id, query={"of": of}, done="withdrawn")
    return _cell_page(request, db, viewer, grid_id, of, reason_form=form, reason_for=fit_id)


def picture_of(form: Form) -> Picture | None:
    """The photo that came along, made anew; a refusal is put at its field."""
    upload = form.values.get("photo")
    if upload is None:
        return None
    try:
        return read_picture(upload.file)
    except Refused as refused:
        form.refuse(refused)
        return None


def _cell_page(request: Request, db: Db, viewer: Viewer, grid_id: int, of: str, *, form: forms.FitForm | None = None,
               reason_form: Form | None = None, reason_for: int = 0) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    ids = forms.numbers(of) if of else [factor.levels[0].id for factor in facts.factors]
    cell = facts.cell_of(ids)
    if cell is None:
        raise NotFound("There is no such cell in this grid", "", "Open it from the grid's page.")
    state = GridState(facts)
    sent = form or reason_form
    return page(request, "grid/show_cell.html", status=sent.status if sent else 200, facts=facts, cell=cell,
                here=state.state_of(cell), state=state, history=_history(facts, cell),
                form=form or forms.FitForm().fill(cell=facts.key(cell)).for_cell(facts, cell),
                reason_form=reason_form or forms.ReasonForm(), reason_for=reason_for,
                caution=rules.CAUTION)  # fmt: skip


def _history(facts: GridFacts, cell: Cell) -> list[Any]:
    return sorted((found for found in facts.results if found.cell == cell), key=lambda r: (r.tried_at, r.id), reverse=True)


@router.get("/grids/{grid_id}/photos/{photo_id}", dependencies=SEE)
def fit_photo(request: Request, grid_id: Id, photo_id: Id, db: DbHere, viewer: SignedIn, small: str = "") -> Response:
    """The JPEG itself; the other headers are those of every answer."""
    if not list_queries.has_photo(db, viewer.programme_id, grid_id, photo_id):
        raise NotFound("There is no such photo in this grid")
    content = get_bytes(db, viewer.programme_id, photo_id, small=bool(small))
    headers = {"Cache-Control": "no-store", "Content-Disposition": f'inline; filename="grid-{grid_id}-{photo_id}.jpg"'}
    return Response(content, media_type="image/jpeg", headers=headers)


# --- by CAD, many at once
@router.get("/grids/{grid_id}/cad", dependencies=FILE)
def show_cad(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    facts = load(db, viewer, grid_id)
    return _cad_page(request, facts, forms.CadForm().for_factors(facts.factors))


@router.post("/grids/{grid_id}/cad", dependencies=FILE)
def file_cad(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
             form: forms.CadForm = posted(forms.CadForm)) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    form.for_factors(facts.factors)
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.file_cad(db, grid_id, by=viewer, level_ids=form.level_ids(), result=v["result"], shim=v["shim"], note=v["note"])
        if form.ok:
            return redirect(request, "show_grid", grid_id=grid_id, done="saved")
    return _cad_page(request, facts, form)


def _cad_page(request: Request, facts: GridFacts, form: forms.CadForm) -> Response:
    return page(request, "grid/show_cad.html", status=form.status if form.submitted else 200, facts=facts, form=form,
                unknown=GridState(facts).counts["unknown"])  # fmt: skip
