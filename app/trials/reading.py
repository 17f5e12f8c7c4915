"""One simulated programme read by the rule, session after session, as a team would read its sheet.

The first decisive verdict counts: a decided question is closed. Of several rivals the programme is closed when one is
adopted, or kept as a setting, or when all are rejected.
"""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from app.evidence.results import Sheet, Verdict
from app.evidence.story import roll_up
from app.trials.cells import Cell
from app.trials.world import generator, simulate, up_to_session

OUTCOMES = ("adopt", "setting", "reject", "retest")


@dataclass(slots=True)
class Outcome:
    """What became of one programme.

    looks     : (word, clause) after each session up to the decisive one; later looks repeat it
    adopted   : the rival adopted, or ''
    flags     : kinds of blocking design flags at each look that was read
    intervals : per look read, criterion -> (mean, low90, high90) of the first rival; only where coverage was asked for
    cpu_ms    : CPU time of each look that was read, milliseconds
    """

    number: int
    looks: list[tuple[str, str]] = field(default_factory=list)
    adopted: str = ""
    flags: list[list[str]] = field(default_factory=list)
    intervals: list[dict[str, tuple[float, float, float]]] = field(default_factory=list)
    cpu_ms: list[float] = field(default_factory=list)

    def stored(self) -> dict[str, Any]:
        return {"number": self.number, "looks": self.looks, "adopted": self.adopted, "flags": self.flags,
                "intervals": self.intervals, "cpu_ms": [round(ms, 1) for ms in self.cpu_ms]}  # fmt: skip


def read_programme(cell: Cell, seed: int, number: int, *, intervals: bool = False) -> Outcome:
    """Simulate programme `number` of a cell and read it after each session; with `intervals` also beyond the decision."""
    whole = simulate(cell.world, cell.question, cell.truths, generator(seed, cell.name, number))
    found, closed = Outcome(number), dict[str, Verdict]()
    settled: tuple[str, str] | None = None
    for look in range(1, cell.world.sessions + 1):
        started = time.process_time()
        sheet = roll_up(up_to_session(whole, look))
        found.cpu_ms.append(1000 * (time.process_time() - started))
        found.flags.append(sorted({flag.kind for reading in sheet.design for flag in reading.flags if flag.blocks}))
        if intervals:
            found.intervals.append(_intervals(sheet, cell))
        if settled is None:
            for verdict in sheet.verdicts:
                if verdict.verdict != "retest":
                    closed.setdefault(verdict.variant, verdict)
            word, clause, variant = _programme_word([closed.get(v.variant, v) for v in sheet.verdicts])
            found.looks.append((word, clause))
            if word != "retest":
                settled, found.adopted = (word, clause), variant if word == "adopt" else ""
        if settled is not None and not intervals:
            break
    return found


def _programme_word(verdicts: Sequence[Verdict]) -> tuple[str, str, str]:
    """(word, clause, rival) of the whole programme, from each rival's standing verdict."""
    for word in ("adopt", "setting"):
        for verdict in verdicts:
            if verdict.verdict == word:
                return word, verdict.clause, verdict.variant
    first = next((v for v in verdicts if v.verdict == "retest"), verdicts[0])
    return first.verdict, first.clause, first.variant


def _intervals(sheet: Sheet, cell: Cell) -> dict[str, tuple[float, float, float]]:
    """Mean and 90 % interval of the first rival on each criterion that the sheet has a figure for."""
    rival = cell.question.rivals[0]
    return {
        m.criterion: (round(m.mean, 4), round(m.low90, 4), round(m.high90, 4))
        for m in sheet.measures if m.variant == rival and m.criterion in cell.truths
    }  # fmt: skip
