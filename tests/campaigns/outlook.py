"""Does the forecast of a next session come true? Predicted chance to leave retest against what then happened.

Each state is a simulated programme of three drivers that is a retest after 2, 3 or 4 sessions; the forecast is that for
everyone with four runs each, the session that then really comes (with its absences and lost runs). Truths are drawn over
equal, half a point, one and two points better, and half a point worse.
Our own aims, common practice, no source: mean predicted and realised within .06 on 200 states or more, and a Brier score
below that of always saying the base rate.
"""

import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

from app.evidence.inputs import Question
from app.evidence.story import roll_up
from app.trials.cells import HANDLING, question_of
from app.trials.world import World, generator, simulate, up_to_session

TRUTHS = (0.0, 0.5, 1.0, 2.0, -0.5)
AIM_MEAN = 0.06


@dataclass(frozen=True, slots=True)
class State:
    programme: int
    sessions: int
    truth: float
    predicted: float
    left: bool


def states(programmes: int, seed: int, first: int = 0) -> Iterator[State]:
    """Retest states of programmes `first`, `first` + 1, ..."""
    question = question_of("handling")
    for number in range(first, programmes):
        truth = TRUTHS[number % len(TRUTHS)]
        truths = {name: (truth,) if name == HANDLING else (0.0,) for name in _criteria(question)}
        whole = simulate(World(drivers=3, sessions=5), question, truths, generator(seed, "outlook", number))
        for sessions in (2, 3, 4):
            sheet = roll_up(up_to_session(whole, sessions), ahead=True)
            if sheet.verdicts[0].verdict != "retest":
                break  # a decided question is closed
            everyone = [c for o in sheet.outlook for c in o.candidates if c.runs_each == 4]
            if not everyone:
                continue
            candidate = max(everyone, key=lambda c: len(c.drivers))
            after = roll_up(up_to_session(whole, sessions + 1)).verdicts[0]
            yield State(number, sessions, truth, candidate.p_settle, after.verdict != "retest")


def _criteria(question: Question) -> list[str]:
    rule = question.rule
    return [g.attribute for g in rule.goals] + [m.attribute for m in rule.musts]


def summary(found: list[State]) -> dict[str, float]:
    """n, mean predicted, mean realised, Brier score, and that of the base rate."""
    n = len(found)
    predicted, realised = sum(s.predicted for s in found) / n, sum(s.left for s in found) / n
    brier = sum((s.predicted - s.left) ** 2 for s in found) / n
    return {"n": n, "predicted": round(predicted, 4), "realised": round(realised, 4), "brier": round(brier, 4),
            "base_rate_brier": round(realised * (1 - realised), 4), "mcse": round(math.sqrt(realised * (1 - realised) / n), 4)}  # fmt: skip


def bins(found: list[State], edges: tuple[float, ...] = (0.0, 0.1, 0.2, 0.35, 0.5, 1.01)) -> list[dict[str, float]]:
    told = []
    for low, high in pairwise(edges):
        own = [s for s in found if low <= s.predicted < high]
        if own:
            told.append({"from": low, "to": high, "n": len(own), "predicted": round(sum(s.predicted for s in own) / len(own), 3),
                         "realised": round(sum(s.left for s in own) / len(own), 3)})  # fmt: skip
    return told


def run(programmes: int, seed: int, out: Path) -> int:
    """Campaign into `out`, one JSON line a state beside it, so that a stop loses one programme at most."""
    progress = out.with_suffix(".progress.jsonl")
    found, first = _done(progress, seed)
    with progress.open("a") as lines:
        if not found and first == 0:
            lines.write(json.dumps({"seed": seed}) + "\n")
        for number in range(first, programmes):
            own = list(states(number + 1, seed, number))
            lines.write(json.dumps({"programme": number, "states": [asdict(s) for s in own]}) + "\n")
            lines.flush()
            found += own
            if number % 10 == 9:
                print(f"{number + 1}/{programmes} programmes, {len(found)} states", flush=True)
    if not found:
        print("no retest state was met")
        return 1
    told = summary(found)
    out.write_text(json.dumps({"seed": seed, "programmes": programmes, "summary": told, "bins": bins(found)}, indent=1) + "\n")
    print(json.dumps(told))
    bad = abs(told["predicted"] - told["realised"]) > AIM_MEAN + 2 * told["mcse"] or told["brier"] > told["base_rate_brier"] + 0.05
    return int(bad)


def _done(progress: Path, seed: int) -> tuple[list[State], int]:
    """States of whole programmes noted before, and the first programme still to do. A torn last line is dropped."""
    if not progress.exists():
        return [], 0
    rows = []
    for line in progress.read_text().splitlines():
        try:
            rows.append(json.loads(line))
        except json.JSONDecodeError:
            break
    if not rows or rows[0].get("seed") != seed:
        raise SystemExit(f"{progress} is of another seed; remove it or name another file.")
    progress.write_text("".join(json.dumps(row) + "\n" for row in rows))
    done = rows[1:]
    return [State(**s) for row in done for s in row["states"]], len(done)
