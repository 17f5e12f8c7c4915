"""Photos as they were made anew from what was uploaded: one copy by digest, with a thumbnail, in the database.

They are kept there, not in the data folder, so that an incident and its photo are one transaction, and every backup and
archive of the database holds both. A photo is at most a few hundred kilobytes.
"""

from datetime import datetime

from sqlalchemy import ForeignKey, Integer, LargeBinary, String, UniqueConstraint
from sqlalchemy.orm import Mapped, deferred, mapped_column

from app.db import Base, UtcDateTime


class Photo(Base):
    """A JPEG of our own making. What it shows, and who may see it, is said by what it belongs to."""

    __tablename__ = "photos"
    __table_args__ = (UniqueConstraint("programme_id", "digest"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    digest: Mapped[str] = mapped_column(String(64))  # SHA-256 of the image as it is kept
    width_px: Mapped[int] = mapped_column(Integer)
    height_px: Mapped[int] = mapped_column(Integer)
    image: Mapped[bytes] = deferred(mapped_column(LargeBinary))
    thumbnail: Mapped[bytes] = deferred(mapped_column(LargeBinary))
    added_by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)
