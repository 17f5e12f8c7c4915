"""Bring your spreadsheet: choose the file, say what its columns mean, check, import. Nothing is kept before that."""

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, SignedIn, allow
from app.access.policy import may
from app.access.viewer import Viewer
from app.db import Db
from app.errors import Refused
from app.imports import commands, queries
from app.imports.forms import OPTIONAL, ImportForm, UploadForm, pack, unpack
from app.imports.rules import NEEDED
from app.tables import MOST_BYTES, Errors, Table, TableRefused, read_table
from app.web.forms import posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/import")
IMPORT = [allow(Action.IMPORT_TABLE)]
SHOWN_ROWS = 8
ROLES = {"needed": [role.value for role in NEEDED], "optional": [role.value for role in OPTIONAL]}


@router.get("", dependencies=IMPORT)
def show_import(request: Request) -> Response:
    return _page(request, UploadForm())


@router.post("/preview", dependencies=IMPORT)
def preview_table(request: Request, form: UploadForm = posted(UploadForm)) -> Response:
    if not form.ok:
        return _page(request, form, status=422)
    upload = form.values["table"]
    content = upload.file.read(MOST_BYTES + 1)
    try:
        table = read_table(content)
    except TableRefused as refused:
        return _page(request, form, status=422, bad=refused.errors)
    packed = pack(content)
    if packed is None:
        form.refuse(Refused("The table is too large for this page", "A page carries about 5 MB of plain table",
                            "Use the command: python -m app import-ratings FILE.", field="table"))  # fmt: skip
        return _page(request, form, status=422)
    mapping = ImportForm()
    mapping.kept = packed
    mapping.fill(file_name=(upload.filename or "")[-200:])
    return _page(request, UploadForm(), mapping=mapping.guess(table), table=table)


@router.post("/check", dependencies=IMPORT)
def check_table(request: Request, db: DbHere, viewer: SignedIn,
                form: ImportForm = posted(ImportForm)) -> Response:  # fmt: skip
    table, checked = _table(form), None
    into = _into(form, viewer)
    if form.ok:
        try:
            checked = queries.check_import(db, into, table, form.choices(), form.values["programme_name"])
        except Refused as wrong:
            form.refuse(wrong)
    earlier = queries.find_import(db, viewer.programme_id, table.digest) if into else None
    return _page(request, UploadForm(), mapping=form, table=table, checked=checked, earlier=earlier,
                 status=200 if checked else 422)  # fmt: skip


@router.post("", dependencies=IMPORT)
def import_ratings(request: Request, db: DbHere, viewer: SignedIn,
                   form: ImportForm = posted(ImportForm)) -> Response:  # fmt: skip
    table = _table(form)
    if form.ok:
        with form.attempt(db):
            imported = _import(db, viewer, table, form)
        if form.ok and not imported.earlier:
            return redirect(request, "show_sheet", done="imported", programme_id=imported.programme_id,
                            question_id=imported.question_id)  # fmt: skip
        if form.ok:
            return _page(request, UploadForm(), mapping=form, table=table, earlier=imported.earlier)
    return _page(request, UploadForm(), mapping=form, table=table, status=form.status)


def _import(db: Db, viewer: Viewer, table: Table, form: ImportForm) -> commands.Imported:
    file_name = form.values["file_name"] or ""
    if name := form.values["programme_name"]:
        return commands.import_into_new_programme(db, table, form.choices(), by=viewer, name=name, file_name=file_name)
    return commands.import_ratings(db, table, form.choices(), by=viewer, file_name=file_name)


def _into(form: ImportForm, viewer: Viewer) -> int | None:
    """The programme the table goes into; None for one of its own."""
    return None if str(form.fields["programme_name"].raw).strip() else viewer.programme_id


def _table(form: ImportForm) -> Table:
    table = read_table(unpack(form.kept))
    form.offer_columns(table)
    form.show_range(table)
    return table


def _page(request: Request, upload: UploadForm, *, mapping: ImportForm | None = None, table: Table | None = None,
          bad: Errors | None = None, status: int = 200, **more: Any) -> Response:  # fmt: skip
    found: dict[str, Any] = {"checked": None, "earlier": None, **more}
    return page(request, "imports/show_import.html", status=status, upload=upload, form=mapping, table=table,
                shown=table.rows[:SHOWN_ROWS] if table else (), bad=mapping.bad if mapping else bad, roles=ROLES,
                can_start=may(request.state.viewer, Action.START_PROGRAMME), **found)  # fmt: skip
