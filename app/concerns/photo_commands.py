"""Photos of concerns: added by whoever may read it, never taken away."""

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.concerns import photo_queries, queries
from app.concerns.models import ConcernPhoto
from app.concerns.queries import ConcernRow
from app.db import Db
from app.errors import NotAllowed
from app.history.commands import record
from app.parts import queries as parts
from app.photos.commands import keep_photo
from app.photos.rules import Picture


def readable(db: Db, by: Viewer, concern_id: int) -> ConcernRow:
    """The concern, for somebody who may read it already."""
    row = queries.get_concern_row(db, by.programme_id, concern_id, viewer=by)
    if row.withheld:
        raise NotAllowed(f"{row.label} is not open to you yet", "You are due to rate in its session",
                         "File your slips first; it opens when the session is closed.")  # fmt: skip
    return row


def add_photo(db: Db, concern_id: int, picture: Picture, *, by: Viewer, alt: str = "") -> None:
    """One more photo of it. The same picture again adds nothing."""
    require(by, Action.RAISE_CONCERN)
    parts.lock_programme(db, by.programme_id)
    row = readable(db, by, concern_id)
    photo = keep_photo(db, picture, by=by)
    if photo_queries.has_photo(db, row.id, photo.id):
        return
    db.add(ConcernPhoto(concern_id=row.id, photo_id=photo.id, alt=alt, added_by_id=by.account_id, added_at=clock.now()))
    record(db, "added a photo", "concern", row.id, row.label, by_id=by.account_id, programme_id=by.programme_id,
           session_id=row.session_id)  # fmt: skip
