"""Every SELECT about photos of concerns."""

from collections.abc import Sequence

from sqlalchemy import select

from app.concerns.models import ConcernPhoto
from app.db import Db
from app.photos.models import Photo


def list_photos(db: Db, concern_id: int) -> Sequence[tuple[ConcernPhoto, Photo]]:
    rows = db.execute(select(ConcernPhoto, Photo).join(Photo, Photo.id == ConcernPhoto.photo_id)
                      .where(ConcernPhoto.concern_id == concern_id).order_by(ConcernPhoto.id))  # fmt: skip
    return [(link, photo) for link, photo in rows]


def has_photo(db: Db, concern_id: int, photo_id: int) -> bool:
    found = select(ConcernPhoto.id).where(ConcernPhoto.concern_id == concern_id, ConcernPhoto.photo_id == photo_id)
    return db.scalar(found) is not None
