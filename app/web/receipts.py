"""Forms that were carried out: the same form with the same content is answered as before and does nothing."""

from collections.abc import Sequence
from dataclasses import dataclass

from app.db import AlreadyThere, Db
from app.history.commands import note_form, note_sent
from app.history.models import OutboxReceipt
from app.history.queries import find_form_answer, list_sent


@dataclass(slots=True)
class Sent:
    """One entry of a phone's outbox as it arrived.

    hash : SHA-256 of path and content as received. holds : other content under the same token is for the command to
    judge (a slip holds it as proposed), not a refusal. outcome : filed, same or proposed, said by the page inside
    its transaction. done : committed, so that a receipt may be given.
    """

    account_id: int
    token: str
    hash: str
    path: str
    holds: bool = False
    number: int = 0
    outcome: str = "filed"
    done: bool = False
    row: OutboxReceipt | None = None


class AlreadyDone(Exception):
    """The same form with the same content was carried out before; `answer` is where that one was sent."""

    def __init__(self, answer: str, sent: Sent | None = None) -> None:
        super().__init__(answer)
        self.answer, self.sent = answer, sent


class OtherContent(Exception):
    """A token that was used with other content: answered 409 before the command begins."""


class TwinUnderWay(Exception):
    """The same token is being carried out at this moment by another request; what came of it is read afterwards."""

    def __init__(self, sent: Sent) -> None:
        super().__init__(sent.token)
        self.sent = sent


def take_once(db: Db, receipt: str, sent: Sent | None = None) -> None:
    """Note a form's receipt in the transaction of what it does; raises AlreadyDone for its twin. "" is no receipt."""
    if sent is not None:
        _take_sent(db, sent)
        return
    if not receipt:
        return
    answer = find_form_answer(db, receipt)
    if answer is not None:
        raise AlreadyDone(answer)
    try:
        note_form(db, receipt)
    except AlreadyThere as twin:
        raise AlreadyDone("") from twin


def _take_sent(db: Db, sent: Sent) -> None:
    earlier = list_sent(db, sent.account_id, sent.token)
    answer_again(sent, earlier)
    if earlier and not sent.holds:
        raise OtherContent
    sent.number = max((row.number for row in earlier), default=-1) + 1
    try:
        sent.row = note_sent(db, sent.account_id, sent.token, sent.number, digest=sent.hash, path=sent.path)
    except AlreadyThere as twin:
        raise TwinUnderWay(sent) from twin


def answer_again(sent: Sent, earlier: Sequence[OutboxReceipt]) -> None:
    """Raises AlreadyDone with the first answer where the same content was filed under this token before."""
    for row in earlier:
        if row.hash == sent.hash:
            sent.number, sent.outcome = row.number, row.outcome
            raise AlreadyDone(row.went, sent)


def settle_sent(sent: Sent | None) -> None:
    """Keep the outcome that the page said, still inside the transaction."""
    if sent is not None and sent.row is not None:
        sent.row.outcome = sent.outcome
