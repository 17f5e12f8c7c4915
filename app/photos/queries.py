"""Every SELECT about photos. Who may see one is asked by the feature whose thing it belongs to."""

from sqlalchemy import select
from sqlalchemy.orm import undefer

from app.db import Db
from app.errors import NotFound
from app.photos.models import Photo


def find_same(db: Db, programme_id: int, digest: str) -> Photo | None:
    return db.scalar(select(Photo).where(Photo.programme_id == programme_id, Photo.digest == digest))


def get_bytes(db: Db, programme_id: int, photo_id: int, *, small: bool = False) -> bytes:
    """The JPEG itself, or its thumbnail."""
    column = Photo.thumbnail if small else Photo.image
    photo = db.scalar(select(Photo).where(Photo.id == photo_id, Photo.programme_id == programme_id).options(undefer(column)))
    if photo is None:
        raise NotFound("There is no such photo in this programme")
    return photo.thumbnail if small else photo.image
