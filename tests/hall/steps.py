"""What a phone's outbox does, step by step: the entry as it would send it, and its own hash of the content."""

import hashlib
import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from urllib.parse import urlencode

from app.db import transaction
from app.people.commands import start_sign_in

FORM = "application/x-www-form-urlencoded"


@dataclass
class Entry:
    """One entry of the outbox: who wrote it, where it goes, what it says."""

    path: str
    pairs: list[tuple[str, str]]
    person: int
    token: str = field(default="a" * 32)
    sent_ms: int | None = None

    @property
    def hash(self) -> str:
        """Written apart from the server's: SHA-256 of compact JSON in UTF-8, as RFC 8259 writes it."""
        text = json.dumps([self.path, self.pairs], ensure_ascii=False, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def headers(self) -> dict[str, str]:
        sent = str(self.sent_ms if self.sent_ms is not None else ms(datetime.now(UTC)))
        return {"X-Outbox": self.token, "X-Outbox-Person": str(self.person), "X-Phone-Clock": sent, "Content-Type": FORM}


def ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


def send(browser, entry: Entry, **headers: str):
    return browser.client.post(entry.path, content=urlencode(entry.pairs).encode(), headers={**entry.headers, **headers},
                               follow_redirects=False)  # fmt: skip


def cookie_of(database, viewer) -> str:
    with database.session() as db, transaction(db):
        return start_sign_in(db, viewer.account_id, device="phone", device_token="phone")
