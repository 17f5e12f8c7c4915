"""A part's file: one page per part and one per revision with everything known of it, to print and hand over."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.dossiers.file_queries import load_file
from app.feedback.queries import hidden_sessions
from app.incidents.rules import percent
from app.web.page import page
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE = [allow(Action.SEE_PROGRAMME)]


@router.get("/parts/{part_id}/file", dependencies=SEE)
def show_part_file(request: Request, part_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _file_page(request, db, viewer, part_id=part_id)


@router.get("/revisions/{revision_id}/file", dependencies=SEE)
def show_revision_file(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _file_page(request, db, viewer, revision_id=revision_id)


def _file_page(request: Request, db: Db, viewer: Viewer, **of: int) -> Response:
    """Twelve queries with the viewer's own, whatever the part has been through."""
    hidden = hidden_sessions(db, viewer)
    part, lineage, files = load_file(db, viewer.programme_id, viewer, hidden, **of)
    one = files[0] if "revision_id" in of else None
    return page(request, "dossiers/show_part_file.html", part=part, lineage=lineage, files=files, one=one,
                hidden=len(hidden), percent=percent)  # fmt: skip
