"""Ten thousand generated lap files: half in every layout and read back, half spoiled or any text; 0 crashes, 0 laps lost."""

import json
import time
from pathlib import Path

from hypothesis import HealthCheck, given, settings

from tests.timing.layouts import ANYTHING, WRITTEN, check_never_crashes, check_round_trip, spoiled


def run(files: int, out: Path | None) -> int:
    """Raises with the smallest file that breaks a rule; else says how many were read and how many refused."""
    counted = {"round trips": 0, "spoiled, taken": 0, "spoiled, refused": 0}
    usual = settings(deadline=None, suppress_health_check=list(HealthCheck), database=None)

    @settings(usual, max_examples=files // 2)
    @given(WRITTEN)
    def good(written):
        check_round_trip(written)
        counted["round trips"] += 1

    @settings(usual, max_examples=files - files // 2)
    @given(spoiled() | ANYTHING)
    def bad(text):
        counted["spoiled, taken" if check_never_crashes(text) else "spoiled, refused"] += 1

    began = time.perf_counter()
    good()
    bad()
    found = {"files": sum(counted.values()), **counted, "crashes": 0, "seconds": round(time.perf_counter() - began)}
    print(json.dumps(found, indent=2))
    if out is not None:
        out.write_text(json.dumps(found, indent=2) + "\n")
    return 0
