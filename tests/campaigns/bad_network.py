"""Five hundred bad networks between a phone's browser and the app; the planted faults first, so that a zero says something.

Seeded as far as what the person does and what the network does; the moments are the machine's. A schedule that could not be
played to its end is counted as broken, and said; where the browser hung it is played again, twice at most, and that is counted. A stop
loses the schedule in hand; a later run goes on.
"""

import json
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from playwright.sync_api import Error, sync_playwright

from tests.browser.bad_network.chromium import Chromium
from tests.browser.bad_network.planted import PLANTS
from tests.browser.bad_network.schedules import Place, Told, added, installation, play
from tests.campaigns.progress import note, noted

MOST_OF_A_PLANT = 12


def run(schedules: int, seed: int, out: Path) -> int:
    """What is missing of `schedules`; exits 1 on a fault, a broken schedule, or a planted fault that was not caught."""
    progress = out.with_suffix(".progress.jsonl")
    done = {row["job"]: row for row in noted(progress, {"what": "bad_network", "seed": seed})}
    wanted = [*PLANTS, *(str(n) for n in range(schedules))]
    missing = [job for job in wanted if job not in done]
    if missing:
        with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright, installation(Path(folder)) as place:
            chromium = Chromium(playwright.chromium)
            for count, job in enumerate(missing, start=1):
                hung = chromium.hung
                row = done[job] = {"job": job, **_carry_out(chromium, place, job, seed)}
                row["browser_hung"] = chromium.hung - hung
                note(progress, row)
                print(f"{count}/{len(missing)} {job}: {row['faults']}, unsent {row['still_unsent']}, {row['seconds']} s", flush=True)
            chromium.close()
    told = summary([done[str(n)] for n in range(schedules)], {name: done[name] for name in PLANTS}, seed)
    out.write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n")
    return complain(told)


def _carry_out(chromium: Chromium, place: Place, job: str, seed: int) -> dict[str, Any]:
    if job not in PLANTS:
        return _played(chromium, place, f"{seed} {job}")
    plant = PLANTS[job]
    told = Told()
    for n in range(MOST_OF_A_PLANT):
        with suppress(AssertionError, Error):  # a planted fault may also stop a schedule
            told = chromium.carry_out(lambda browser, n=n: play(browser, place, f"{seed} planted {n}", plant.rewrite))  # type: ignore[misc]
        if told.faults[plant.caught_as]:
            break
    return {**vars(told), "schedules": n + 1}


def _played(chromium: Chromium, place: Place, seed: str) -> dict[str, Any]:
    """A schedule that the harness itself can't finish says nothing of the product, and is not left out in silence."""
    try:
        return {**vars(chromium.carry_out(lambda browser: play(browser, place, seed))), "broken": 0}
    except (AssertionError, Error) as stopped:
        return {**vars(Told(sentences=[f"broken: {str(stopped)[:400]}"])), "broken": 1}


def summary(rows: Sequence[dict[str, Any]], planted: dict[str, dict[str, Any]], seed: int) -> dict[str, Any]:
    whole = [row for row in rows if not row["broken"]]
    sums = added([Told(**{name: value for name, value in row.items() if name not in ("job", "broken", "browser_hung")}) for row in whole])
    told = {"seed": seed, **sums, "broken": len(rows) - len(whole),
            "browser_hung": sum(row.get("browser_hung", 0) for row in rows), "seconds": round(sum(row["seconds"] for row in rows)),
            "sentences": [line for row in rows for line in row["sentences"]], "planted": {}}  # fmt: skip
    for name, row in planted.items():
        plant = PLANTS[name]
        told["planted"][name] = {"what": plant.what, "must show as": plant.caught_as, "schedules until it showed": row["schedules"],
                                 "faults": row["faults"]}  # fmt: skip
    return told


def complain(told: dict[str, Any]) -> int:
    bad = told["broken"] + told["still_unsent"] + sum(told["faults"].values())
    print(f"{told['schedules']} schedules, {told['filed']} filed, {told['promised']} promised; "
          f"{', '.join(f'{name} {n}' for name, n in told['faults'].items())}, "
          f"still unsent {told['still_unsent']}, broken {told['broken']}")  # fmt: skip
    print("\n".join(told["sentences"]))
    for name, control in told["planted"].items():
        caught = control["faults"][control["must show as"]] > 0
        bad += not caught
        shown = "caught in schedule" if caught else "NOT CAUGHT in"
        print(f"control {name} ({control['what']}): {shown} {control['schedules until it showed']}")
    return int(bad > 0)
