"""A thousand kills on each database while sixteen phones file; the planted faults first, so that a zero says something.

Episodes of 25 kills on a fresh database each; on PostgreSQL a quarter of them with two workers, of which one or all are
killed. Seeded as far as the phones and the moments go; what is in flight then is the machine's. A stop loses the episode
in hand; a later run goes on. 0 faults in N kills bounds the rate at about 3/N (95 %).
"""

import json
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from app.migrate import upgrade
from tests.campaigns.progress import note, noted
from tests.kills.episode import play
from tests.kills.planted import PLANTS
from tests.postgres import Server

DATABASES = ("sqlite", "postgresql")
KILLS_EACH, KILLS_OF_A_PLANT = 25, 2


@dataclass(frozen=True)
class Job:
    database: str
    number: int
    plant: str = "none"

    @property
    def name(self) -> str:
        return f"{self.database}, {self.plant if self.plant != 'none' else f'episode {self.number}'}"

    @property
    def workers(self) -> int:
        return 2 if self.database == "postgresql" and self.plant == "none" and self.number % 4 == 3 else 1

    @property
    def kills(self) -> int:
        return KILLS_EACH if self.plant == "none" else KILLS_OF_A_PLANT


def jobs(kills: int) -> list[Job]:
    """Controls first; then the databases in turn, so that a campaign that is stopped has as much of each."""
    planted = [Job(database, n, plant) for n, plant in enumerate(PLANTS) for database in DATABASES]
    return planted + [Job(database, n) for n in range(max(1, kills // KILLS_EACH)) for database in DATABASES]


def run(kills: int, seed: int, out: Path) -> int:
    """What is missing of `kills` kills on each database; exits 1 on a fault, or a planted fault that was not caught."""
    progress = out.with_suffix(".progress.jsonl")
    done = {row["job"]: row for row in noted(progress, {"what": "kill_test", "seed": seed})}
    wanted = jobs(kills)
    missing = [job for job in wanted if job.name not in done]
    if missing:
        server = Server.start(durable=True)
        try:
            for count, job in enumerate(missing, start=1):
                row = done[job.name] = _carry_out(job, seed, server)
                note(progress, row)
                print(f"{count}/{len(missing)} {job.name}: {_short(row)}", flush=True)
        finally:
            server.stop()
    told = summary(wanted, done, seed)
    out.write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n")
    return complain(told)


def _carry_out(job: Job, seed: int, server: Server) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder, fresh(job.database, Path(folder), server) as url:
        told, lines = play(url, Path(folder), kills=job.kills, seed=f"{seed} {job.name}", plant=job.plant, workers=job.workers)
    return {"job": job.name, **told.as_dict(), "sentences": lines[:5]}


@contextmanager
def fresh(database: str, folder: Path, server: Server) -> Iterator[str]:
    if database == "postgresql":
        with server.fresh_database() as url:
            yield url
        return
    url = f"sqlite:///{folder / 'proveout.sqlite3'}"
    upgrade(url)
    yield url


def summary(wanted: Sequence[Job], done: dict[str, dict[str, Any]], seed: int) -> dict[str, Any]:
    """Sums of each database, and what each planted fault was caught as."""
    told: dict[str, Any] = {"seed": seed, "kills_each_episode": KILLS_EACH, "databases": {}, "planted": {}}
    for database in DATABASES:
        rows = [done[job.name] for job in wanted if job.database == database and job.plant == "none"]
        told["databases"][database] = {"episodes": len(rows), **_added(rows)}
    for job in wanted:
        if job.plant != "none":
            row, plant = done[job.name], PLANTS[job.plant]
            told["planted"][job.name] = {"what": plant.what, "must show as": plant.caught_as, "kills": row["kills"],
                                         "acknowledged": row["acknowledged"], "faults": row["faults"]}  # fmt: skip
    return told


def _added(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    added: dict[str, Any] = {}
    for row in rows:
        for name, value in row.items():
            if isinstance(value, dict):
                added[name] = dict(sorted((Counter(added.get(name, {})) + Counter(value)).items())) or {}
            elif isinstance(value, int | float):
                added[name] = round(added.get(name, 0) + value, 1)
    added["faults"] = {name: sum(row["faults"][name] for row in rows) for name in rows[0]["faults"]}  # the zeros too
    return added


def complain(told: dict[str, Any]) -> int:
    bad = 0
    for database, sums in told["databases"].items():
        faults = {**sums["faults"], **{name: sums[name] for name in ("still_unsent", "refused", "other_receipt_for_a_twin")}}
        bad += any(faults.values())
        print(f"{database}: {sums['kills']} kills, {sums['acknowledged']} acknowledged, {sums['stored_but_answer_lost']} of them "
              f"stored before a kill that took the answer; {', '.join(f'{name} {n}' for name, n in faults.items())}")  # fmt: skip
    for name, control in told["planted"].items():
        caught = control["faults"][control["must show as"]] > 0
        bad += not caught
        print(f"control {name} ({control['what']}): {'caught' if caught else 'NOT CAUGHT'}, {control['faults']}")
    return int(bad > 0)


def _short(row: dict[str, Any]) -> str:
    return f"{row['kills']} kills, {row['acknowledged']} acknowledged, {row['faults']}, {row['seconds']} s"
