"""The request's database session. It only reads; writing is `transaction(db)` or `form.attempt(db)`."""

from collections.abc import Iterator
from contextlib import contextmanager

from fastapi import Request

from app.db import Db


@contextmanager
def open_db(request: Request) -> Iterator[Db]:
    db = request.app.state.database.sessions()
    request.state.db = db
    try:
        yield db
    finally:
        db.close()  # never commits: that happened before the answer was sent, or not at all
