"""python -m tests.benchmarks pages|evidence|planning: what each main page costs, what the fits cost and how both grow, a plan's time.

Exits 1 when a page needs more than 12 queries, or more of them at full size than at a tenth; or when a fit misses its aim.
"""

import argparse
import json
import sys
import tempfile
import time
from dataclasses import asdict
from pathlib import Path

from app.db import Database
from app.migrate import upgrade
from app.settings import Settings
from tests.benchmarks import evidence, planning
from tests.benchmarks.pages import Measured, Stopwatch, as_rows, complaints, pages_of, peak_mib
from tests.benchmarks.programme import build
from tests.benchmarks.rows import Size


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("what", choices=["pages", "evidence", "planning"])
    for name, value in asdict(Size()).items():
        parser.add_argument(f"--{name}", type=int, default=value)
    parser.add_argument("--times", type=int, default=7, help="fetches of each page; the least time is shown")
    parser.add_argument("--json", type=Path, help="also write the figures to this file")
    asked = parser.parse_args()
    if asked.what == "evidence":
        return _evidence(asked.times, asked.json)
    if asked.what == "planning":
        return _planning(asked.times)
    size = Size(asked.questions, asked.sessions, asked.runs, asked.marks, asked.concerns)
    small, large = (_measured(each, asked.times) for each in (size.tenth(), size))
    print(f"{'page':22} {'queries':>12} {'CPU ms':>16} {'bare ms':>8} {'ratio':>6} {'kB':>6}    (small, large)")
    for less, more in zip(small, large, strict=True):
        print(
            f"{more.name:22} {less.queries:5} {more.queries:6} {less.cpu_ms:8.1f} {more.cpu_ms:7.1f}"
            f" {more.bare_ms:8.1f} {more.ratio:6.1f} {more.bytes / 1000:6.0f}"
        )
    print(f"peak memory {peak_mib():.0f} MiB")
    found = complaints(small, large)
    print("\n".join(found) or "no page needs too many queries, none grows")
    if asked.json:
        figures = {
            "size": asdict(size),
            "peak_mib": round(peak_mib()),
            "small": as_rows(small),
            "large": as_rows(large),
        }
        asked.json.write_text(json.dumps(figures, indent=1) + "\n")
    return 1 if found else 0


def _evidence(times: int, out: Path | None) -> int:
    found = evidence.measure(times)
    told = evidence.complaints(found)
    print("\n".join([*evidence.report(found), *(told or ["every aim is met"])]))
    if out:
        figures = {"cpu_ms": {k: round(v, 1) for k, v in found.items()},
                   "exponents": {k: round(v, 2) for k, v in evidence.exponents(found).items()}}  # fmt: skip
        out.write_text(json.dumps(figures, indent=1) + "\n")
    return 1 if told else 0


def _planning(times: int) -> int:
    found = planning.measure(times)
    told = planning.complaints(found)
    print("\n".join([*(f"{name:45} {seconds:6.2f} s CPU" for name, seconds in found.items()), *(told or ["every aim is met"])]))
    return 1 if told else 0


def _measured(size: Size, times: int) -> list[Measured]:
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/big.sqlite3"
        upgrade(url)
        settings = Settings(url, "http://testserver", Path(folder), argon2_time=1, argon2_memory_kib=64)
        database = Database(url)
        started = time.process_time()
        with database.session() as db:
            big = build(db, size)
        print(f"made {size} in {time.process_time() - started:.1f} s", file=sys.stderr)
        found = Stopwatch(settings, database, big).measure(pages_of(big), times=times)
        database.dispose()
        return found


if __name__ == "__main__":
    sys.exit(main())
