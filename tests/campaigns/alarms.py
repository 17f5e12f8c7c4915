"""Aims that a result file misses by more than its own number of programmes can explain."""

import json
from pathlib import Path

from scipy.stats import binom

SURELY = 0.005  # one false alarm in 200 aims that are met exactly at their bound


def alarms(path: Path) -> list[str]:
    """A sentence for every missed aim: the one-sided exact binomial test against its bound (Clopper & Pearson 1934)."""
    found = []
    for name, cell in json.loads(path.read_text())["cells"].items():
        for aim in cell["aims"]:
            k, n = cell["counts"][aim["verdict"]][aim["sessions"] - 1], cell["n"]
            told = f"{name}: {aim['verdict']} in {k} of {n} by {aim['sessions']} sessions"
            if "most" in aim and binom.sf(k - 1, n, aim["most"]) < SURELY:
                found.append(f"{told}, hoped for at most {aim['most']:.0%}")
            if "least" in aim and binom.cdf(k, n, aim["least"]) < SURELY:
                found.append(f"{told}, hoped for at least {aim['least']:.0%}")
    return found
