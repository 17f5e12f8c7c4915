"""Forms that were carried out: the same form with the same content is answered as before and does nothing."""

from app.db import AlreadyThere, Db
from app.history.commands import note_form
from app.history.queries import find_form_answer


class AlreadyDone(Exception):
    """The same form with the same content was carried out before; `answer` is where that one was sent."""

    def __init__(self, answer: str) -> None:
        super().__init__(answer)
        self.answer = answer


def take_once(db: Db, receipt: str) -> None:
    """Note a form's receipt in the transaction of what it does; raises AlreadyDone for its twin. "" is no receipt."""
    if not receipt:
        return
    answer = find_form_answer(db, receipt)
    if answer is not None:
        raise AlreadyDone(answer)
    try:
        note_form(db, receipt)
    except AlreadyThere as twin:
        raise AlreadyDone("") from twin
