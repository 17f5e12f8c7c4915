"""Take everything along: one zip of plain tables."""

import tempfile
from collections.abc import Iterator
from typing import IO, Any

from fastapi import Request
from fastapi.responses import Response, StreamingResponse

from app.access.actions import Action
from app.access.guard import DbHere, SignedIn, allow
from app.access.viewer import Viewer
from app.archive import commands, queries
from app.archive.format import LEFT_OUT
from app.archive.forms import ExportForm
from app.db import Db, transaction
from app.errors import Refused
from app.web.forms import posted
from app.web.page import page
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/archive")
EXPORT = [allow(Action.EXPORT_ALL)]
IN_MEMORY = 5_000_000
PIECE = 200_000


@router.get("", dependencies=EXPORT)
def show_archive(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _page(request, db, viewer)


@router.post("", dependencies=EXPORT)
def export_archive(request: Request, db: DbHere, viewer: SignedIn,
                   form: ExportForm = posted(ExportForm)) -> Response:  # fmt: skip
    """The zip as a download; it is written whole before the first byte is sent."""
    queries.check_may_export(db, viewer)
    file = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115 - closed by the answer when it was sent
    manifest = queries.write_archive(db, file)
    with transaction(db):
        commands.note_export(db, by=viewer, manifest=manifest)
    name = f"proveout-{manifest.exported_at[:10]}.zip"
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return StreamingResponse(_pieces(file), media_type="application/zip", headers=headers)


def _pieces(file: IO[bytes] | Any) -> Iterator[bytes]:
    with file:
        file.seek(0)
        while piece := file.read(PIECE):
            yield piece


def _page(request: Request, db: Db, viewer: Viewer) -> Response:
    refused = None
    try:
        queries.check_may_export(db, viewer)
    except Refused as wrong:
        refused = wrong
    return page(
        request,
        "archive/show_archive.html",
        refused=refused,
        tables=[] if refused else queries.count_rows(db),
        left_out=LEFT_OUT,
    )
