"""One episode: a fresh day, sixteen phones, a number of kills, then everything sent and the sums."""

import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from app.db import Database
from tests.kills.checking import Sums, check
from tests.kills.phone import Journal, Phone
from tests.kills.victim import Victim
from tests.kills.world import make_world

CLIENTS, RUNS_EACH = 16, 40
TRAFFIC_S = (0.05, 1.0)  # between the first receipt after a start and the kill
LONGEST_WAIT_S = 60


@dataclass
class Told:
    """What came of an episode; counts only, so that episodes add up."""

    kills: int = 0
    kills_of_one_worker: int = 0
    kills_with_requests_in_flight: int = 0
    requests_in_flight: int = 0
    written: int = 0
    acknowledged: int = 0
    stored_but_answer_lost: int = 0
    no_answer: int = 0
    still_unsent: int = 0
    refused: int = 0
    other_receipt_for_a_twin: int = 0
    faults: dict[str, int] = field(default_factory=dict)
    kinds: dict[str, int] = field(default_factory=dict)
    seconds: float = 0.0

    @property
    def clean(self) -> bool:
        return not any((self.still_unsent, self.refused, self.other_receipt_for_a_twin, *self.faults.values()))

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def play(database_url: str, data: Path, *, kills: int, seed: str, plant: str = "none", workers: int = 1) -> tuple[Told, list[str]]:
    """The counts, and a sentence for each fault."""
    began = time.monotonic()
    database = Database(database_url)
    world, journal = make_world(database, clients=CLIENTS, runs_each=RUNS_EACH), Journal()
    database.dispose()  # nobody but the victim has the file open while it is killed
    victim = Victim(data, database_url, plant=plant, workers=workers)
    phones = [Phone(world, person, victim.port, journal, f"{seed}/{n}") for n, person in enumerate(world.people)]
    told = Told()
    try:
        victim.start(cold=workers > 1 or plant == "none")
        for phone in phones:
            phone.start()
        _kill_again_and_again(victim, journal, told, kills, Random(seed))
        _let_all_send(phones)
    finally:
        for phone in phones:
            phone.give_up.set()
        for phone in phones:
            phone.join(20) if phone.ident else None
        victim.close()
    try:
        sums = check(database, world.programme_id, journal.written)
    finally:
        database.dispose()
    _count(told, journal, phones, sums)
    told.seconds = round(time.monotonic() - began, 1)
    return told, [line for lines in sums.faults.values() for line in lines.values()] + journal.refused + journal.wrong_again


def _kill_again_and_again(victim: Victim, journal: Journal, told: Told, kills: int, random: Random) -> None:
    for _ in range(kills):
        wait_for_receipts(journal)
        time.sleep(random.uniform(*TRAFFIC_S))
        flying = list(journal.in_flight)
        moment = time.time()
        if victim.workers > 1 and random.random() < 0.75 and victim.kill_one_worker(random):
            told.kills_of_one_worker += 1
        else:
            victim.kill()
            victim.start(cold=victim.workers > 1)
        for entry in flying:
            entry.killed_at.append(moment)
        told.kills += 1
        told.requests_in_flight += len(flying)
        told.kills_with_requests_in_flight += bool(flying)


def wait_for_receipts(journal: Journal, more: int = 1) -> None:
    until, wanted = time.monotonic() + LONGEST_WAIT_S, journal.receipts + more
    while journal.receipts < wanted and not journal.refused:
        if time.monotonic() > until:
            raise AssertionError(f"no receipt within {LONGEST_WAIT_S} s of a start")
        time.sleep(0.005)


def _let_all_send(phones: list[Phone]) -> None:
    for phone in phones:
        phone.closing.set()
    until = time.monotonic() + LONGEST_WAIT_S
    for phone in phones:
        phone.join(max(0.1, until - time.monotonic()))


def _count(told: Told, journal: Journal, phones: list[Phone], sums: Sums) -> None:
    told.written, told.acknowledged = len(journal.written), sum(sums.kinds.values())
    told.no_answer, told.refused = journal.no_answer, len(journal.refused)
    told.other_receipt_for_a_twin, told.stored_but_answer_lost = len(journal.wrong_again), sums.stored_unanswered
    told.still_unsent = sum(len(phone.unsent) for phone in phones)
    told.faults, told.kinds = sums.counts(), dict(sorted(sums.kinds.items()))
