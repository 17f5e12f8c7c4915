"""Concerns of the invented programme, made through commands."""

from app.access.viewer import Viewer
from app.concerns import commands
from app.concerns.commands import About
from app.concerns.models import Danger
from app.db import Db, transaction

WORDS = "The 2.5 mm pin bends after a nose hit on the board."


def concern(
    db: Db,
    by: Viewer,
    words: str = WORDS,
    danger: Danger = Danger.MARGINAL,
    severity: int = 5,
    stops: bool = False,
    **about: int,
) -> int:
    """One concern; answers its id."""
    with transaction(db):
        return commands.raise_concern(
            db, by=by, words=words, danger=danger, product_severity=severity, about=About(**about), stops_freeze=stops
        ).id
