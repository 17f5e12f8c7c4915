"""Pages that show several features at once: the home of each role and the trail."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.web.page import page

router = APIRouter()


@router.get("/programmes/{programme_id}", dependencies=[allow(Action.SEE_PROGRAMME)])
def show_home(request: Request, programme_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return page(request, "dossiers/show_home.html")
