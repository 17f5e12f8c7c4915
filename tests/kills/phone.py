"""One phone: it keeps each entry until a receipt echoes token and content hash, and sends again until then."""

import http.client
import json
import threading
import time
import traceback
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from random import Random
from urllib.parse import urlencode

from tests.hall.steps import Entry
from tests.kills.entries import Kept, Writer
from tests.kills.world import Person, World

PATIENCE_S, IMPATIENCE_S = 10.0, (0.002, 0.06)
SHARE_IMPATIENT, SHARE_TWIN, SHARE_AGAIN = 0.05, 0.05, 0.05


@dataclass
class Journal:
    """What all phones did; a plain list's append is atomic, so no lock."""

    written: list[Kept] = field(default_factory=list)
    receipts: int = 0
    refused: list[str] = field(default_factory=list)
    wrong_again: list[str] = field(default_factory=list)  # a twin that got another receipt
    no_answer: int = 0
    in_flight: set[Kept] = field(default_factory=set)


class Phone(threading.Thread):
    """Files until `close`; then sends what is left. `give_up`: stop at once, whatever is unsent."""

    def __init__(self, world: World, person: Person, port: int, journal: Journal, seed: str) -> None:
        super().__init__(daemon=True)
        self.random = Random(seed)
        self.writer = Writer(world, person, self.random)
        self.person, self.port, self.journal = person, port, journal
        self.line: http.client.HTTPConnection | None = None
        self.closing, self.give_up = threading.Event(), threading.Event()
        self.unsent: deque[Kept] = deque()

    def run(self) -> None:
        try:
            self._file()
        except Exception:
            self.journal.refused.append(traceback.format_exc())
            raise

    def _file(self) -> None:
        while not self.give_up.is_set():
            if not self.unsent:
                if self.closing.is_set():
                    break
                fresh = self.writer.next_entries()
                self.unsent.extend(fresh)
                self.journal.written.extend(fresh)
            self._replay()
        self._hang_up()

    def _replay(self) -> None:
        """Oldest first; without an answer the rest waits, as on a phone."""
        while self.unsent and not self.give_up.is_set():
            if not self._send(self.unsent[0]):
                time.sleep(self.random.uniform(0.02, 0.15))
                return
            entry = self.unsent.popleft()
            if self.random.random() < SHARE_AGAIN:
                self._send_again(entry)

    def _send(self, entry: Kept) -> bool:
        patience = self.random.uniform(*IMPATIENCE_S) if self.random.random() < SHARE_IMPATIENT else PATIENCE_S
        twin = self._twin(entry) if self.random.random() < SHARE_TWIN else None
        entry.tries += 1
        self.journal.in_flight.add(entry)
        answer = self._ask(entry, patience)
        self.journal.in_flight.discard(entry)
        if twin is not None:
            twin.close()
        if answer is None:
            self.journal.no_answer += 1
            return False
        receipt = self._receipt(entry, *answer)
        if receipt is not None:
            entry.acked_at, entry.receipt = time.time(), receipt
            self.journal.receipts += 1
        return receipt is not None

    def _receipt(self, entry: Kept, status: int, body: bytes) -> dict[str, str] | None:
        with suppress(ValueError):
            receipt = json.loads(body).get("receipt")
            if status == 200 and receipt and (receipt["token"], receipt["hash"]) == (entry.token, entry.hash):
                return receipt
        if 400 <= status < 500 and status != 429:
            self.journal.refused.append(f"{entry.kind} {entry.path}: {status} {body[:300]!r}")
            self.give_up.set()  # a phone would show it to its person; here nobody puts it right
        return None

    def _send_again(self, entry: Kept) -> None:
        """A twin after the receipt, as where its deletion was lost with the tab: the same receipt again, or no answer."""
        answer = self._ask(entry, PATIENCE_S)
        if answer is None:
            return
        again = self._receipt(entry, *answer)
        if again is not None and again["outcome"] != entry.receipt["outcome"]:
            self.journal.wrong_again.append(f"{entry.kind} {entry.path}: {entry.receipt} and then {again}")

    def _twin(self, entry: Entry) -> http.client.HTTPConnection | None:
        """The same request on another line at the same time; nobody waits for its answer."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=2)
        try:
            line.request("POST", entry.path, urlencode(entry.pairs).encode(), self._headers(entry))
        except OSError:
            line.close()
            return None
        return line

    def _ask(self, entry: Entry, patience: float) -> tuple[int, bytes] | None:
        try:
            if self.line is None:
                self.line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=patience)
                self.line.connect()
            self.line.sock.settimeout(patience)
            self.line.request("POST", entry.path, urlencode(entry.pairs).encode(), self._headers(entry))
            answer = self.line.getresponse()
            status, body = answer.status, answer.read()
            if answer.will_close:
                self._hang_up()
            return status, body
        except (OSError, http.client.HTTPException):
            self._hang_up()
            return None

    def _headers(self, entry: Entry) -> dict[str, str]:
        return {**entry.headers, "Cookie": f"proveout={self.person.cookie}", "Sec-Fetch-Site": "same-origin"}

    def _hang_up(self) -> None:
        if self.line is not None:
            self.line.close()
            self.line = None
