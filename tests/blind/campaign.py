"""`python -m tests.campaigns two_worlds --pairs 200`: pairs of worlds by the number, seven seats each in turn."""

import shutil
import tempfile
from pathlib import Path

from app.db import Database
from app.migrate import upgrade
from tests.blind.two_worlds import Crawler, World, build, differences, draw_spec

EVERYBODY = ("AQ", "MS", "PL", "TD", "RT", "OW", "CC", "GG")
RATERS = ("AQ", "PL", "TD")


def run(pairs: int) -> int:
    """Exits 1 with the first differences where any pair can be told apart; 0 told apart in n pairs bounds the rate at 3/n."""
    told = fetched = 0
    with tempfile.TemporaryDirectory() as folder:
        empty = Path(folder) / "empty.sqlite3"
        upgrade(f"sqlite:///{empty}")
        for seed in range(pairs):
            viewer, rater = EVERYBODY[seed % len(EVERYBODY)], RATERS[seed % len(RATERS)]
            marks = ({"marks": 0, "own": rater}, {"marks": 1, "own": rater})
            for name, worlds in ((viewer, ({"mapping": 0}, {"mapping": 1})), (rater, marks)):
                crawls = [_crawl(Path(folder), empty, seed, name, which) for which in worlds]
                fetched += sum(map(len, crawls))
                if found := differences(*crawls):
                    told += 1
                    print(f"pair {seed}, {name}: {len(found)} answers differ; {found[0]}")
            if seed % 20 == 19:
                print(f"{seed + 1} pairs, {fetched} answers, {told} told apart", flush=True)
    print(f"{pairs} pairs of each kind, {fetched} answers: {told} told apart")
    return 1 if told else 0


def _crawl(folder: Path, empty: Path, seed: int, name: str, which: dict) -> dict:
    path = folder / "world.sqlite3"
    for old in folder.glob("world.sqlite3*"):
        old.unlink()
    shutil.copy(empty, path)
    database = Database(f"sqlite:///{path}")
    try:
        made: World = build(database, draw_spec(seed), **which)
        return Crawler(made, made.people[name], folder).walk()
    finally:
        database.dispose()
