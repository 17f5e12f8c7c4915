"""A paper card typed for its driver, with its photo; and the picture itself for who may read the slip."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.errors import NotAllowed, NotFound, Refused
from app.feedback import choices, commands, pages, queries, rules
from app.feedback.card_commands import add_card_photo
from app.feedback.forms import CardPhotoForm, SlipForm
from app.feedback.models import Source
from app.people.rules import new_token
from app.photos.queries import get_bytes
from app.photos.rules import Picture, read_picture
from app.programmes.queries import list_attributes
from app.sessions import queries as sessions
from app.web.forms import Form, posted
from app.web.page import redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")


@router.get("/runs/{run_id}/paper-slip", dependencies=[allow(Action.FILE_FOR_ANOTHER)])
def show_paper_slip(request: Request, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return pages.slip_page(request, db, viewer, run_id, SlipForm().fill(token=new_token()), paper=True)


@router.post("/runs/{run_id}/paper-slip", dependencies=[allow(Action.FILE_FOR_ANOTHER)])
def file_paper_slip(request: Request, run_id: Id, db: DbHere, viewer: SignedIn,
                    form: SlipForm = posted(SlipForm)) -> Response:  # fmt: skip
    form.for_attributes(list_attributes(db, viewer.programme_id, on_slip=True))
    run = sessions.get_run(db, viewer.programme_id, run_id)
    driver_id, zone = run.driver_id, run.session.time_zone
    picture = _card_picture(form)
    if form.ok:
        with form.attempt(db):
            rules.check_card(form.values["paper_card"], sessions.get_run(db, viewer.programme_id, run_id))
            captured = choices.venue(form.values["captured_at"], zone)
            receipt = commands.file_slip(db, run_id, by=viewer, token=form.values["token"], answers=form.answers(), rater_id=driver_id,
                               captured_at=captured, source=Source.PAPER, paper_card=form.values["paper_card"])  # fmt: skip
            if picture is not None:
                add_card_photo(db, receipt.slip_id, picture, by=viewer)
        if form.ok:
            done = "proposed" if receipt.outcome == "proposed" else "filed"
            return redirect(request, "show_run", run_id=run_id, done=done)
    return pages.slip_page(request, db, viewer, run_id, form, paper=True)


def _card_picture(form: SlipForm) -> Picture | None:
    """The card's photo, made anew; a refusal is put at its field."""
    upload = form.values.get("card_photo")
    if upload is None:
        return None
    try:
        return read_picture(upload.file)
    except Refused as refused:
        refused.field = "card_photo"
        form.refuse(refused)
        return None


@router.post("/slips/{slip_id}/card", dependencies=[allow(Action.FILE_SLIP)])
def add_card(request: Request, slip_id: Id, db: DbHere, viewer: SignedIn, form: Form = posted(CardPhotoForm)) -> Response:
    if form.ok:
        try:
            picture = read_picture(form.values["card_photo"].file)
            with form.attempt(db):
                add_card_photo(db, slip_id, picture, by=viewer)
        except Refused as refused:
            form.refuse(refused)
        if form.ok:
            return redirect(request, "show_filed_slip", slip_id=slip_id, done="saved")
    return pages.filed_page(request, db, viewer, slip_id, card_form=form)


@router.get("/slips/{slip_id}/card/{photo_id}", dependencies=[allow(Action.SEE_OTHERS_SLIP)])
def card_photo(request: Request, slip_id: Id, photo_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    """The JPEG itself. A card shows marks, so it is as hidden as they are."""
    slip, run = pages.see_slip(db, viewer, slip_id)
    if pages.marks_hidden(viewer, slip, run):
        raise NotAllowed("This card is not open to you yet", "Your own marks are hidden until the key of this block is opened")
    if photo_id not in queries.card_photos(db, slip.id):
        raise NotFound("There is no such photo with this slip")
    headers = {"Cache-Control": "no-store", "Content-Disposition": f'inline; filename="{run.label}-card-{photo_id}.jpg"'}
    return Response(get_bytes(db, viewer.programme_id, photo_id), media_type="image/jpeg", headers=headers)
