"""The photo of a paper card, kept with the slip that was typed from it. Only ever added."""

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import NotAllowed
from app.feedback import queries
from app.feedback.models import SlipPhoto
from app.feedback.version_commands import record_slip
from app.photos.commands import keep_photo
from app.photos.rules import Picture
from app.sessions.queries import get_run


def add_card_photo(db: Db, slip_id: int, picture: Picture, *, by: Viewer) -> None:
    """By whoever typed the card, or its rater. The same picture again adds nothing."""
    require(by, Action.FILE_SLIP)
    slip = queries.get_slip(db, by.programme_id, slip_id, lock=True)
    if by.account_id not in (slip.filed_by_id, slip.rater_id):
        raise NotAllowed("Only the rater, or whoever typed the card, adds its photo", "", "Ask one of them to.")
    photo = keep_photo(db, picture, by=by)
    if photo.id in queries.card_photos(db, slip.id):
        return
    db.add(SlipPhoto(slip_id=slip.id, photo_id=photo.id, added_by_id=by.account_id, added_at=clock.now()))
    record_slip(db, by, "added the card's photo", slip, get_run(db, by.programme_id, slip.run_id))
