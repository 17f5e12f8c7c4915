"""Keep a photo; the caller has asked whether its thing may get one, and writes what it belongs to."""

from app import clock
from app.access.viewer import Viewer
from app.db import Db
from app.photos import queries
from app.photos.models import Photo
from app.photos.rules import Picture


def keep_photo(db: Db, picture: Picture, *, by: Viewer) -> Photo:
    """The photo's row; the same picture sent again is the row that is there."""
    if twin := queries.find_same(db, by.programme_id, picture.digest):
        return twin
    photo = Photo(programme_id=by.programme_id, digest=picture.digest, width_px=picture.width_px, height_px=picture.height_px,
                  image=picture.image, thumbnail=picture.thumbnail, added_by_id=by.account_id, added_at=clock.now())  # fmt: skip
    db.add(photo)
    db.flush()
    return photo
