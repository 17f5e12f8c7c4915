"""Photos of one concern: adding one, and the pictures themselves."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.concerns import photo_commands, photo_queries
from app.concerns.forms import PhotoForm
from app.db import Db
from app.errors import NotFound, Refused
from app.photos.queries import get_bytes
from app.photos.rules import read_picture
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, RAISE = [allow(Action.SEE_PROGRAMME)], [allow(Action.RAISE_CONCERN)]


@router.get("/concerns/{concern_id}/photos", dependencies=SEE)
def show_concern_photos(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _page(request, db, viewer, concern_id, PhotoForm())


@router.post("/concerns/{concern_id}/photos", dependencies=RAISE)
def add_concern_photo(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                      form: Form = posted(PhotoForm)) -> Response:  # fmt: skip
    if form.ok:
        try:
            picture = read_picture(form.values["photo"].file)
            with form.attempt(db):
                photo_commands.add_photo(db, concern_id, picture, by=viewer, alt=form.values["alt"])
        except Refused as refused:
            form.refuse(refused)
        if form.ok:
            return redirect(request, "show_concern_photos", concern_id=concern_id, done="saved")
    return _page(request, db, viewer, concern_id, form)


@router.get("/concerns/{concern_id}/photos/{photo_id}", dependencies=SEE)
def concern_photo(request: Request, concern_id: Id, photo_id: Id, db: DbHere, viewer: SignedIn,
                  small: str = "") -> Response:  # fmt: skip
    """The JPEG itself, for who may read its concern."""
    row = photo_commands.readable(db, viewer, concern_id)
    if not photo_queries.has_photo(db, row.id, photo_id):
        raise NotFound("There is no such photo with this concern")
    content = get_bytes(db, viewer.programme_id, photo_id, small=bool(small))
    headers = {"Cache-Control": "no-store", "Content-Disposition": f'inline; filename="{row.label}-{photo_id}.jpg"'}
    return Response(content, media_type="image/jpeg", headers=headers)


def _page(request: Request, db: Db, viewer: Viewer, concern_id: int, form: Form) -> Response:
    row = photo_commands.readable(db, viewer, concern_id)
    return page(request, "concerns/show_concern_photos.html", status=form.status if form.submitted else 200, concern=row, form=form,
                photos=photo_queries.list_photos(db, row.id))  # fmt: skip
