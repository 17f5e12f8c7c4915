"""Pages about parts, their revisions and pieces."""

from decimal import Decimal
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.parts import commands, forms, queries, rules
from app.parts.blocking_queries import list_blocking
from app.parts.models import PieceState, Process, RevisionState
from app.parts.rules import Facts
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, EDIT, HANDLE = [allow(Action.SEE_PROGRAMME)], [allow(Action.EDIT_PARTS)], [allow(Action.EDIT_PIECES)]


@router.get("/parts", dependencies=SEE)
def list_parts(request: Request, db: DbHere, viewer: SignedIn, q: str = "") -> Response:
    words = "".join(character for character in q if character.isprintable())[:120].strip()
    return page(
        request,
        "parts/list_parts.html",
        words=words,
        blocks=queries.search_parts(db, viewer.programme_id, words),
        counts=queries.count_pieces(db, viewer.programme_id),
    )


@router.get("/parts/new", dependencies=EDIT)
def show_new_part(request: Request) -> Response:
    return page(request, "parts/show_new_part.html", form=forms.PartForm())


@router.post("/parts", dependencies=EDIT)
def add_part(request: Request, db: DbHere, viewer: SignedIn,
             form: Form = posted(forms.PartForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            part_id = commands.add_part(db, by=viewer, **form.values).id
        if form.ok:
            return redirect(request, "show_part", part_id=part_id, done="saved")
    return page(request, "parts/show_new_part.html", form=form, status=form.status)


@router.get("/parts/{part_id}", dependencies=SEE)
def show_part(request: Request, part_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _part_page(request, db, viewer, part_id)


@router.post("/parts/{part_id}", dependencies=EDIT)
def edit_part(request: Request, part_id: Id, db: DbHere, viewer: SignedIn,
              form: Form = posted(forms.EditPartForm)) -> Response:  # fmt: skip
    if form.ok:
        edition = forms.taken(form, "edition")
        with form.attempt(db):
            commands.edit_part(db, part_id, by=viewer, edition=edition, **form.values)
        if form.ok:
            return redirect(request, "show_part", part_id=part_id, done="saved")
    return _part_page(request, db, viewer, part_id, form=form, status=form.status)


def _part_page(request: Request, db: Db, viewer: Viewer, part_id: int, *, form: Form | None = None,
               status: int = 200) -> Response:  # fmt: skip
    part = queries.get_part(db, viewer.programme_id, part_id)
    form = _filled(form, forms.EditPartForm, part, {"title": part.title, "number": part.number})
    return page(request, "parts/show_part.html", status=status, part=part, form=form,
                revisions=queries.list_revisions_of_part(db, viewer.programme_id, part_id),
                counts=queries.count_pieces(db, viewer.programme_id, part_id),
                blocking=list_blocking(db, viewer.programme_id, part_id, clock.now().date()),
                happened=queries.list_happened(db, viewer.programme_id, "part", part_id))  # fmt: skip


# --- revisions
@router.get("/parts/{part_id}/revisions/new", dependencies=EDIT)
def show_new_revision(request: Request, part_id: Id, db: DbHere, viewer: SignedIn,
                      line: str = "") -> Response:  # fmt: skip
    return _new_revision_page(request, db, viewer, part_id, forms.RevisionForm().fill(line=line[:16]))


@router.post("/parts/{part_id}/revisions", dependencies=EDIT)
def issue_revision(request: Request, part_id: Id, db: DbHere, viewer: SignedIn,
                   form: Form = posted(forms.RevisionForm)) -> Response:  # fmt: skip
    if form.ok:
        v, seen = form.values, forms.taken(form, "seen")
        with form.attempt(db):
            revision_id = commands.issue_revision(
                db, part_id, by=viewer, line=v["line"], alias=v["alias"], drawing=v["drawing"], facts=_facts(v),
                state=RevisionState(v["state"]), seen=seen,
            ).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_revision", revision_id=revision_id, done="saved")
    return _new_revision_page(request, db, viewer, part_id, form, status=form.status)


def _new_revision_page(
    request: Request, db: Db, viewer: Viewer, part_id: int, form: Form, *, status: int = 200
) -> Response:
    part = queries.get_part(db, viewer.programme_id, part_id)
    revisions = queries.list_revisions_of_part(db, viewer.programme_id, part_id)
    form.fill(seen=len(revisions))
    return page(request, "parts/show_new_revision.html", status=status, part=part, revisions=revisions, form=form)


@router.get("/revisions/{revision_id}", dependencies=SEE)
def show_revision(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _revision_page(request, db, viewer, revision_id)


@router.post("/revisions/{revision_id}", dependencies=EDIT)
def edit_revision(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn,
                  form: Form = posted(forms.EditRevisionForm)) -> Response:  # fmt: skip
    if form.ok:
        edition = forms.taken(form, "edition")
        with form.attempt(db):
            commands.edit_revision(db, revision_id, by=viewer, edition=edition, alias=form.values["alias"],
                                   facts=_facts(form.values))  # fmt: skip
        if form.ok:
            return redirect(request, "show_revision", revision_id=revision_id, done="saved")
    return _revision_page(request, db, viewer, revision_id, edit_form=form, status=form.status)


@router.post("/revisions/{revision_id}/state", dependencies=EDIT)
def set_revision_state(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn,
                       form: Form = posted(forms.StateForm)) -> Response:  # fmt: skip
    form.offer(state=[(state.value, state.value) for state in RevisionState])
    if form.ok:
        edition, state = forms.taken(form, "edition"), RevisionState(form.values["state"])
        with form.attempt(db):
            commands.set_revision_state(
                db, revision_id, by=viewer, edition=edition, state=state, why=form.values["why"]
            )
        if form.ok:
            return redirect(request, "show_revision", revision_id=revision_id, done="saved")
    return _revision_page(request, db, viewer, revision_id, state_form=form, status=form.status)


@router.post("/revisions/{revision_id}/file", dependencies=EDIT)
def keep_drawing(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn,
                 form: Form = posted(forms.DrawingForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            added = commands.keep_drawing(db, revision_id, by=viewer, drawing=form.values["drawing"])
        if form.ok:
            told = {"done": "saved"} if added else {"query": {"file": "same"}}
            return redirect(request, "show_revision", revision_id=revision_id, **told)
    return _revision_page(request, db, viewer, revision_id, file_form=form, status=form.status)


def _revision_page(request: Request, db: Db, viewer: Viewer, revision_id: int, *, edit_form: Form | None = None,
                   state_form: Form | None = None, file_form: Form | None = None, pieces_form: Form | None = None,
                   status: int = 200) -> Response:  # fmt: skip
    revision = queries.get_revision(db, viewer.programme_id, revision_id)
    line = [
        r
        for r in queries.list_revisions_of_part(db, viewer.programme_id, revision.part_id)
        if r.line_key == revision.line_key
    ]
    pieces = queries.list_pieces(db, viewer.programme_id, revision_id=revision_id)
    stored = {"alias": revision.alias, "mass_g": _typed(revision.mass_g), "unit_cost": _typed(revision.unit_cost),
              "lead_time_days": _typed(revision.lead_time_days), "change_note": revision.change_note}  # fmt: skip
    choices = [("", "Choose one"), *((s.value, s.value) for s in rules.NEXT_STATES[revision.state])]
    state_form = _filled(state_form, forms.StateForm, revision, {"state": revision.state if state_form else ""})
    state_form.fields["state"].choices = choices
    pieces_form = (pieces_form or forms.PiecesForm()).fill(seen=len(pieces))
    return page(
        request,
        "parts/show_revision.html",
        status=status,
        revision=revision,
        part=revision.part,
        line=line,
        pieces=pieces,
        following=rules.revision_label(revision.part.code, revision.line, line[-1].step + 1),
        counts=queries.count_pieces(db, viewer.programme_id, revision.part_id),
        was_run=queries.revision_was_run(db, revision_id),
        blocking=[item for item in list_blocking(db, viewer.programme_id, revision.part_id, clock.now().date())
                  if item.revision_id == revision_id],
        same_file=request.query_params.get("file") == "same",
        happened=queries.list_happened(db, viewer.programme_id, "revision", revision_id),
        edit_form=_filled(edit_form, forms.EditRevisionForm, revision, stored),
        state_form=state_form,
        file_form=file_form or forms.DrawingForm(),
        pieces_form=pieces_form,
    )


# --- pieces
@router.post("/revisions/{revision_id}/pieces", dependencies=HANDLE)
def add_pieces(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn,
               form: Form = posted(forms.PiecesForm)) -> Response:  # fmt: skip
    if form.ok:
        v, seen = form.values, forms.taken(form, "seen")
        with form.attempt(db):
            commands.add_pieces(db, revision_id, by=viewer, process=Process(v["process"]), count=v["count"],
                                place=v["place"], note=v["note"], seen=seen)  # fmt: skip
        if form.ok:
            return redirect(request, "show_revision", revision_id=revision_id, done="saved", fragment="pieces")
    return _revision_page(request, db, viewer, revision_id, pieces_form=form, status=form.status)


@router.get("/pieces/{piece_id}", dependencies=SEE)
def show_piece(request: Request, piece_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _piece_page(request, db, viewer, piece_id)


@router.post("/pieces/{piece_id}", dependencies=HANDLE)
def edit_piece(request: Request, piece_id: Id, db: DbHere, viewer: SignedIn,
               form: Form = posted(forms.EditPieceForm)) -> Response:  # fmt: skip
    if form.ok:
        v, edition = form.values, forms.taken(form, "edition")
        with form.attempt(db):
            commands.edit_piece(
                db, piece_id, by=viewer, edition=edition, state=PieceState(v["state"]), place=v["place"], note=v["note"]
            )
        if form.ok:
            return redirect(request, "show_piece", piece_id=piece_id, done="saved")
    return _piece_page(request, db, viewer, piece_id, form=form, status=form.status)


@router.post("/pieces/{piece_id}/modified", dependencies=HANDLE)
def modify_piece(request: Request, piece_id: Id, db: DbHere, viewer: SignedIn,
                 form: Form = posted(forms.ModifyForm)) -> Response:  # fmt: skip
    if form.ok:
        edition = forms.taken(form, "edition")
        with form.attempt(db):
            made_id = commands.modify_piece(db, piece_id, by=viewer, edition=edition, what=form.values["what"]).id
        if form.ok:
            return redirect(request, "show_piece", piece_id=made_id, done="saved")
    return _piece_page(request, db, viewer, piece_id, modify_form=form, status=form.status)


def _piece_page(request: Request, db: Db, viewer: Viewer, piece_id: int, *, form: Form | None = None,
                modify_form: Form | None = None, status: int = 200) -> Response:  # fmt: skip
    piece = queries.get_piece(db, viewer.programme_id, piece_id)
    was = queries.get_piece(db, viewer.programme_id, piece.modified_from_id) if piece.modified_from_id else None
    stored = {"state": piece.state, "place": piece.place, "note": piece.note}
    return page(
        request,
        "parts/show_piece.html",
        status=status,
        piece=piece,
        revision=piece.revision,
        part=piece.revision.part,
        label=f"{piece.revision.label} {piece.mark}",
        was=was,
        became=queries.find_modified(db, piece_id),
        next_mark=rules.modified_mark(piece.mark, queries.list_marks(db, piece.revision_id)),
        happened=queries.list_happened(db, viewer.programme_id, "piece", piece_id),
        caution=rules.CARBON_CAUTION,
        form=_filled(form, forms.EditPieceForm, piece, stored),
        modify_form=_filled(modify_form, forms.ModifyForm, piece, {"what": piece.note if modify_form else ""}),
    )


# --- shared
def _facts(values: dict[str, Any]) -> Facts:
    return Facts(values["mass_g"], values["unit_cost"], values["lead_time_days"], values["change_note"])


def _typed(value: float | None) -> str:
    """A stored number as a person would type it, without losing digits."""
    return "" if value is None else f"{Decimal(str(value)).normalize():f}"


def _filled(form: Form | None, form_class: type[Form], row: Any, stored: dict[str, str]) -> Form:
    """The form to show: fresh with what is stored, or as posted; after a stale save with both texts."""
    if form is None:
        return form_class().fill(edition=row.edition, **stored)
    if form.status == 409:
        form.conflict = [(form.fields[name].label, text or "–", str(form.fields[name].raw) or "–")
                         for name, text in stored.items() if text != str(form.fields[name].raw)]  # fmt: skip
        form.fill(edition=row.edition)
    return form
