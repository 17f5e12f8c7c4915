"""Ten thousand generated ratings files: half in every layout and read back, half spoiled or anything; 0 crashes, 0 marks lost.

Of the good ones a tenth goes into a database and is found there mark by mark; every spoiled one is tried on a database, and a
refusal must name line and column and leave every table as it was.
"""

import json
import tempfile
import time
from pathlib import Path

from hypothesis import HealthCheck, given, settings

from app.db import Database
from app.migrate import upgrade
from tests import make
from tests.imports.files import import_and_look, try_import
from tests.imports.layouts import ANYTHING, WRITTEN, check_round_trip, spoiled
from tests.imports.tables import dump


def run(files: int, out: Path | None) -> int:
    """Raises with the smallest file that breaks a rule; else says how many were read and how many refused."""
    counted = {"round trips": 0, "round trips through a database": 0, "spoiled, taken": 0, "spoiled, refused": 0, "spoiled, choices": 0}
    usual = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'proveout.sqlite3'}"
        upgrade(url)
        database = Database(url)
        with database.session() as db:
            team = make.programme(db)
            before = dump(db)

            @settings(usual, max_examples=files // 2 - files // 20)
            @given(WRITTEN)
            def good(written):
                check_round_trip(written)
                counted["round trips"] += 1

            @settings(usual, max_examples=files // 20)
            @given(WRITTEN)
            def stored(written):
                import_and_look(db, team.OW, written)
                counted["round trips through a database"] += 1

            @settings(usual, max_examples=files - files // 2)
            @given(spoiled() | ANYTHING)
            def bad(given):
                counted[f"spoiled, {try_import(db, team.OW, *given, before)}"] += 1

            good()
            stored()
            bad()
        database.dispose()
    found = {"files": sum(counted.values()), **counted, "crashes": 0, "seconds": round(time.perf_counter() - began)}
    print(json.dumps(found, indent=2))
    if out is not None:
        out.write_text(json.dumps(found, indent=2) + "\n")
    return 0
