"""What a person files on a page, by taps: each with what must be found of it later, known from what was typed alone."""

import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

from playwright.sync_api import Page

from tests.kills.world import Person, World

WORDS = ("Front washes out", "½ turn more “toe”", "ñandú 🏎️ & <b>", "100 % sure; a=b+c?", "2nd lap\nthen fine")
numbers = itertools.count(1)


@dataclass(eq=False)
class Filed:
    """One thing that was filed. `promised`: the phone said kept or sent, or was seen to hold it; else it may be there or not."""

    kind: str
    key: Any
    person: int
    content: Any
    marker: str  # text by which the phone's entry is known
    path: str = ""
    tapped_at: float = 0.0
    promised: bool = False

    @property
    def known_as(self) -> tuple[str, Any]:
        return self.kind, self.key


@dataclass(frozen=True)
class Task:
    """A form to fill: the page it is on, the form's selector, and what typing into it makes."""

    page: str
    form: str
    fill: Callable[[Page], Filed]


class Desk:
    """What one person can still file."""

    def __init__(self, world: World, person: Person, random: Random) -> None:
        self.world, self.person, self.random = world, person, random
        self.to_rate, self.planned = list(person.driven), list(person.runs)
        self.under_way: int | None = None

    def next_task(self) -> Task:
        ready: list[Callable[[], Task]] = [self.conditions, self.concern]
        if self.to_rate:
            ready += [self.slip] * 4
        if self.under_way is not None:
            ready += [self.end] * 3
        elif self.planned:
            ready += [self.start] * 3
        return self.random.choice(ready)()

    def _form(self, rest: str) -> tuple[str, str]:
        path = self.world.path(rest)
        return path, f'form[action$="{path}"]'

    def _filed(self, path: str, kind: str, key: Any, content: Any, marker: str) -> Filed:
        return Filed(kind, key, self.person.account_id, content, marker, path, time.time())

    def slip(self) -> Task:
        run_id = self.to_rate.pop(0)
        path, form = self._form(f"/runs/{run_id}/slip")
        chosen = self.random.sample(self.world.scales, self.random.randint(1, 3))
        marks: dict[int, int | None] = {a: self.random.choice([None, *range(low, high + 1, step)]) for a, low, high, step in chosen}
        sure, remark = self.random.choice(("sure", "fairly", "guess")), f"{next(numbers)}: {self.random.choice(WORDS)}"

        def fill(page: Page) -> Filed:
            for attribute, mark in marks.items():
                value = "could-not-judge" if mark is None else str(mark)
                page.locator(f'{form} input[name="mark_{attribute}"][value="{value}"]').dispatch_event("click")
            page.locator(f'{form} input[name="confidence"][value="{sure}"]').dispatch_event("click")
            page.fill(f'{form} textarea[name="remark"]', remark)
            version = {"state": "stands", "marks": marks, "confidence": sure, "heard_others": False, "remark": remark}
            return self._filed(path, "slip", run_id, {"run": run_id, "versions": [version]}, remark.split(":")[0])

        return Task(path, form, fill)

    def start(self) -> Task:
        run_id = self.under_way = self.planned.pop(0)
        path, form = self._form(f"/runs/{run_id}/start")
        return Task(self.world.path("/hall"), form, lambda page: self._filed(path, "start", run_id, {"said": {}}, ""))

    def end(self) -> Task:
        run_id, self.under_way = self.under_way, None
        path, form = self._form(f"/runs/{run_id}/end")
        said = {"laps": self.random.randint(0, 20), "tyre_set": f"T{self.random.randint(1, 9)}", "note": f"{next(numbers)}: {WORDS[0]}"}

        def fill(page: Page) -> Filed:
            for name, value in said.items():
                page.fill(f'{form} [name="{name}"]', str(value))
            return self._filed(path, "end", run_id, {"said": said}, str(said["note"]))

        return Task(path, form, fill)

    def conditions(self) -> Task:
        path, form = self._form(f"/sessions/{self.world.session_id}/conditions")
        noted = {"air_temp_degC": round(next(numbers) / 1000, 3), "humidity_percent": float(self.random.randint(20, 90)), "grip": "medium"}

        def fill(page: Page) -> Filed:
            page.locator(f"details:has({form})").evaluate("shown => { shown.open = true }")
            for name in ("air_temp_degC", "humidity_percent"):
                page.fill(f'{form} [name="{name}"]', str(noted[name]))
            page.select_option(f'{form} [name="grip"]', str(noted["grip"]))
            return self._filed(path, "conditions", noted["air_temp_degC"], noted, str(noted["air_temp_degC"]))

        return Task(self.world.path("/hall"), form, fill)

    def concern(self) -> Task:
        path, form = self._form("/concerns")
        words, severity = f"{next(numbers)}: {self.random.choice(WORDS)}", self.random.randint(1, 6)

        def fill(page: Page) -> Filed:
            page.fill(f'{form} textarea[name="words"]', words)
            page.locator(f'{form} input[name="danger"][value="marginal"]').dispatch_event("click")
            page.select_option(f'{form} [name="product_severity"]', str(severity))
            content = {"words": words, "danger": "marginal", "severity": severity}
            return self._filed(path, "concern", words.split(":")[0], content, words.split(":")[0])

        return Task(self.world.path("/concerns/new"), form, fill)
