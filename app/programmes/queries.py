"""Every SELECT about programmes and their attributes."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import func, select

from app.db import Db
from app.errors import NotFound
from app.people.rules import name_key
from app.programmes.models import Attribute, Programme


def get_programme(db: Db, programme_id: int) -> Programme:
    programme = db.get(Programme, programme_id)
    if programme is None:
        raise NotFound("There is no such programme here")
    return programme


def find_programme_by_name(db: Db, name: str) -> Programme | None:
    return db.scalar(select(Programme).where(Programme.name_key == name_key(name)))


def list_attributes(db: Db, programme_id: int, *, on_slip: bool | None = None) -> Sequence[Attribute]:
    query = select(Attribute).where(Attribute.programme_id == programme_id)
    if on_slip is not None:
        query = query.where(Attribute.on_slip.is_(on_slip))
    return db.scalars(query.order_by(Attribute.position, Attribute.id)).all()


def get_attribute(db: Db, programme_id: int, attribute_id: int) -> Attribute:
    found = db.get(Attribute, attribute_id)
    if found is None or found.programme_id != programme_id:
        raise NotFound("There is no such rating attribute in this programme")
    return found


def find_attribute_by_name(db: Db, programme_id: int, name: str) -> Attribute | None:
    return db.scalar(
        select(Attribute).where(Attribute.programme_id == programme_id, Attribute.name_key == name_key(name))
    )


def next_number(db: Db, table: Any, programme_id: int) -> int:
    """The next free number of `table` in the programme; holds the programme's row, so that two never share one."""
    # NO KEY UPDATE: a plain FOR UPDATE would hold up every insert whose foreign key points at the programme
    db.execute(select(Programme.id).where(Programme.id == programme_id).with_for_update(key_share=True))
    return (db.scalar(select(func.max(table.number)).where(table.programme_id == programme_id)) or 0) + 1
