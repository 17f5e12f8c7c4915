"""What a phone writes: starts, ends, slips, conditions, concerns, each with what the server must hold of it later."""

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from random import Random
from typing import Any

from tests.hall.steps import Entry, ms
from tests.kills.world import Person, World

WORDS = ("Front washes out", "tail steps out on the power", "½ turn more “toe”", "ñandú 🏎️ & <b>", "100 % sure; a=b+c?",
         "2nd lap\r\nthen fine")  # fmt: skip
numbers = itertools.count(1)  # also the marker that makes each entry's content unlike all others


@dataclass(eq=False)
class Kept(Entry):
    """An entry with its kind, its key in the database and the content that must be found there; itself, by identity."""

    __hash__ = object.__hash__

    kind: str = ""
    key: Any = None
    content: Any = None
    tries: int = 0
    acked_at: float | None = None
    receipt: dict[str, str] = field(default_factory=dict)
    killed_at: list[float] = field(default_factory=list)  # moments at which the server was killed with this in flight


class Writer:
    """One person's day: each run started, ended, rated; conditions and concerns between, and on after the last run."""

    def __init__(self, world: World, person: Person, random: Random) -> None:
        self.world, self.person, self.random = world, person, random
        self.runs = iter(person.runs)
        self.waiting: list[Callable[[], Kept]] = []

    def next_entries(self) -> list[Kept]:
        """One entry, or several that were written while there was no signal."""
        if not self.waiting:
            run_id = next(self.runs, None)
            self.waiting = [] if run_id is None else [
                lambda: self.start(run_id), lambda: self.end(run_id), lambda: self.slip(run_id)]  # fmt: skip
            self.waiting += self.random.sample([self.conditions, self.concern], 1 if run_id else 2)
        many = min(self.random.choice((1, 1, 1, 2, 3)), len(self.waiting))
        ready, self.waiting = self.waiting[:many], self.waiting[many:]
        return [write() for write in ready]

    def _entry(self, rest: str, pairs: list[tuple[str, str]], **more: Any) -> Kept:
        token = "".join(self.random.choice("0123456789abcdef") for _ in range(32))
        captured = ms(datetime.now(UTC))
        pairs = [*pairs, ("phone_captured_ms", str(captured)), ("phone_offset_ms", "0")]
        return Kept(self.world.path(rest), pairs, self.person.account_id, token, **more)

    def _words(self) -> tuple[str, str]:
        """As typed, and as it is stored: line ends as one sign (the forms' own rule)."""
        typed = f"{next(numbers)}: {self.random.choice(WORDS)}"
        return typed, typed.replace("\r\n", "\n")

    def start(self, run_id: int) -> Kept:
        entry = self._entry(f"/runs/{run_id}/start", [("at", "")], kind="start", key=run_id)
        entry.content = {"at": _captured(entry), "taken": True, "said": {}}
        return entry

    def end(self, run_id: int) -> Kept:
        note, laps = f"{next(numbers)}: {self.random.choice(WORDS[:-1])}", self.random.randint(0, 30)
        said = {"laps": laps, "tyre_set": f"T{self.random.randint(1, 40)}", "tyre_runs": self.random.randint(1, 9),
                "pack": self.random.choice("ABC"), "pack_rest_V": round(self.random.uniform(7.9, 8.4), 2), "note": note}  # fmt: skip
        entry = self._entry(f"/runs/{run_id}/end", [(name, str(value)) for name, value in said.items()], kind="end", key=run_id)
        entry.content = {"at": _captured(entry), "taken": True, "said": said}
        return entry

    def slip(self, run_id: int) -> Kept:
        typed, stored = self._words()
        marks: dict[int, int | None] = {}
        for attribute, lowest, highest, step in self.world.scales:
            marks[attribute] = self.random.choice([None, *range(lowest, highest + 1, step)])
        sure, heard = self.random.choice(("sure", "fairly", "guess")), self.random.random() < 0.3
        token = "".join(self.random.choice("0123456789abcdef") for _ in range(32))
        pairs = [(f"mark_{a}", "could-not-judge" if m is None else str(m)) for a, m in marks.items()]
        pairs += [("confidence", sure), ("remark", typed), ("token", token), *([("heard_others", "on")] if heard else [])]
        entry = self._entry(f"/runs/{run_id}/slip", pairs, kind="slip", key=token)
        entry.token = token
        entry.content = {"run": run_id, "at": _captured(entry), "versions": [
            {"state": "stands", "marks": marks, "confidence": sure, "heard_others": heard, "remark": stored}]}  # fmt: skip
        return entry

    def conditions(self) -> Kept:
        noted = {"air_temp_degC": round(-20 + next(numbers) / 10_000, 4), "track_temp_degC": round(self.random.uniform(5, 40), 2),
                 "humidity_percent": float(self.random.randint(20, 90)), "grip": self.random.choice(("low", "medium", "high"))}  # fmt: skip
        entry = self._entry(f"/sessions/{self.world.session_id}/conditions", [(n, str(v)) for n, v in noted.items()], kind="conditions")
        entry.key, entry.content = noted["air_temp_degC"], noted
        return entry

    def concern(self) -> Kept:
        typed, stored = self._words()
        severity, danger = self.random.randint(1, 6), self.random.choice(("negligible", "marginal"))
        entry = self._entry("/concerns", [("words", typed), ("danger", danger), ("product_severity", str(severity))], kind="concern")
        entry.key, entry.content = stored.split(":")[0], {"words": stored, "danger": danger, "severity": severity}
        return entry


def _captured(entry: Kept) -> int:
    return int(dict(entry.pairs)["phone_captured_ms"])
