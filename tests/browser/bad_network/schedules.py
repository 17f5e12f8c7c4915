"""Schedules one after the other against one server, each with a team, a phone, a proxy and a day of its own; and their sums."""

import re
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from playwright.sync_api import Browser, Error

from app.db import Database
from app.migrate import upgrade
from tests.browser.bad_network.filing import Filed
from tests.browser.bad_network.proxy import Proxy, Rewrite
from tests.browser.bad_network.walk import Walk
from tests.kills.checking import FAULTS, Found, Key, rows
from tests.kills.victim import Victim
from tests.kills.world import make_world

DRIVEN, PLANNED = 3, 1  # a second planned run has its start on today's page only once the first is over
CLOCK_SLACK_MS = 5000  # a late answer to the question for the server's clock shifts the phone's by up to half its delay


@dataclass
class Told:
    """What came of one schedule."""

    filed: int = 0
    promised: int = 0
    still_unsent: int = 0
    faults: dict[str, int] = field(default_factory=lambda: dict.fromkeys(FAULTS, 0))
    network: dict[str, int] = field(default_factory=dict)
    acts: dict[str, int] = field(default_factory=dict)
    seconds: float = 0.0
    sentences: list[str] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        return not self.still_unsent and not any(self.faults.values())


@dataclass(frozen=True)
class Place:
    """One installation that all schedules share."""

    database: Database
    victim: Victim


@contextmanager
def installation(folder: Path) -> Iterator[Place]:
    url = f"sqlite:///{folder / 'proveout.sqlite3'}"
    upgrade(url)
    victim, database = Victim(folder, url), Database(url)
    try:
        victim.start()
        yield Place(database, victim)
    finally:
        victim.close()
        database.dispose()


def play(chromium: Browser, place: Place, seed: str, rewrite: Rewrite | None = None) -> Told:
    began = time.monotonic()
    name = re.sub("[^a-z0-9]+", "-", f"team-{seed}-{time.time_ns() % 10**9}".lower())
    world = make_world(place.database, clients=2, runs_each=PLANNED, driven_each=DRIVEN, name=name)
    proxy = Proxy(place.victim.port, Random(f"network {seed}"), rewrite)
    walk = Walk(chromium, place.database, place.victim, proxy, world, seed)
    try:
        walk.run()
    finally:
        _tidy(walk, place, proxy)
    told = check(place.database, world.programme_id, walk.filed)
    told.still_unsent, told.sentences = len(walk.left), told.sentences + walk.left
    told.network, told.acts = dict(proxy.faults), dict(walk.did)
    told.seconds = round(time.monotonic() - began, 1)
    return told


def _tidy(walk: Walk, place: Place, proxy: Proxy) -> None:
    """A schedule that was broken off between a kill and the next start leaves no dead server to the one after it."""
    with suppress(Error):  # where the browser was killed
        walk.context.close()
    proxy.close()
    if walk.killer is not None:
        walk.killer.join()
    if not place.victim.alive:
        place.victim.start()


def check(database: Database, programme_id: int, filed: Sequence[Filed]) -> Told:
    """What is stored against what was typed; a token is never looked at, only what it is for."""
    stored: dict[Key, list[Found]] = defaultdict(list)
    with database.session() as db:
        for (kind, key), found in rows(db, programme_id):
            if kind != "receipt":
                stored[kind, found.content["run"] if kind == "slip" else key].append(found)
    told = Told(filed=len(filed), promised=sum(one.promised for one in filed))
    for one in filed:
        for fault, sentence in faults_of(one, stored.pop(one.known_as, [])):
            told.faults[fault] += 1
            told.sentences.append(f"{fault}: {sentence}")
    for known_as, extra in stored.items():
        told.faults["never sent"] += 1
        told.sentences.append(f"never sent: {known_as} {extra}")
    return told


def faults_of(one: Filed, found: Sequence[Found]) -> Iterator[tuple[str, str]]:
    if one.promised and not found:
        yield "lost", f"{one.known_as} of {one.person}"
    if len(found) > 1:
        yield "doubled", f"{one.known_as} of {one.person}: {len(found)} times"
    if any(row.person != one.person for row in found):
        yield "under another name", f"{one.known_as} of {one.person}: {found}"
    if any(_altered(one, row.content) for row in found):
        yield "altered", f"{one.known_as}: filed {one.content}, stored {found}"


def _altered(one: Filed, stored: dict[str, Any]) -> bool:
    near = abs(stored.get("at", one.tapped_at * 1000) - one.tapped_at * 1000) <= CLOCK_SLACK_MS
    return not near or {name: value for name, value in stored.items() if name not in ("at", "taken")} != one.content


def added(told: Sequence[Told]) -> dict[str, Any]:
    """Counts of many schedules."""
    faults: Counter[str] = Counter()
    network: Counter[str] = Counter()
    acts: Counter[str] = Counter()
    for one in told:
        faults.update(one.faults)
        network.update(one.network)
        acts.update(one.acts)
    sums = {"schedules": len(told), "filed": sum(t.filed for t in told), "promised": sum(t.promised for t in told),
            "still_unsent": sum(t.still_unsent for t in told), "faults": {name: faults[name] for name in FAULTS}}  # fmt: skip
    return {**sums, "network": dict(sorted(network.items())), "acts": dict(sorted(acts.items()))}
