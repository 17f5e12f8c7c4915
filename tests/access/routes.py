"""All routes of the app, as the tests walk them: made from `main.ROUTERS`, so that a new route is covered at once."""

import inspect
from dataclasses import dataclass
from typing import Any

from app.access.actions import Action
from app.main import ROUTERS
from app.web.forms import Form

NOBODY_HAS = 2_000_000_000
FAR_TOO_LARGE = "9" * 25


@dataclass(frozen=True)
class Door:
    """One route with one of its methods, the action that guards it and the form it reads."""

    name: str
    method: str
    path: str
    params: tuple[str, ...]
    action: Action
    form: type[Form] | None

    @property
    def label(self) -> str:
        return f"{self.method} {self.path}"

    @property
    def in_programme(self) -> bool:
        return "programme_id" in self.params

    def url(self, keys: dict[str, Any], other: Any = None) -> str:
        """The path with `keys` (by table, such as runs) put in; `other` stands for every id but the programme's."""
        values = {}
        for param in self.params:
            known = keys.get(param.removesuffix("_id") + "s", NOBODY_HAS)
            values[param] = known if other is None or param == "programme_id" else other
            if not param.endswith("_id") and other is None:
                values[param] = 1
        return self.path.format(**values)


def guards_of(route: Any) -> list[Any]:
    return [found.call for found in route.dependant.dependencies if hasattr(found.call, "action")]


def form_of(route: Any) -> type[Form] | None:
    for found in route.dependant.dependencies:
        form_class = inspect.getclosurevars(found.call).nonlocals.get("form_class")
        if form_class is not None:
            return form_class
    return None


def all_doors() -> list[Door]:
    return [
        Door(route.name, method, route.path, tuple(route.param_convertors), guards_of(route)[0].action, form_of(route))
        for router in ROUTERS for route in router.routes for method in sorted(route.methods)  # type: ignore[attr-defined]
        if guards_of(route)
    ]  # fmt: skip


def junk_for(form_class: type[Form], junk: str) -> dict[str, Any]:
    """The same junk in every field of a form."""
    return dict.fromkeys(form_class().fields, junk)


PLAUSIBLE = {"number": "2", "integer": "2", "date": "2026-02-03", "datetime-local": "2026-02-03T10:24", "zone": "UTC",
             "checkbox": "yes", "hidden": "1", "password": "quarry-hall-78", "file": ""}  # fmt: skip


def plausible_for(form_class: type[Form]) -> dict[str, Any]:
    """Something that can be read in every field, where the form alone says what that is."""
    values = {}
    for name, field in form_class().fields.items():
        first = field.choices[0][0] if field.choices else "1"
        chosen = {"select": first, "radios": first, "checkboxes": [first]}
        values[name] = field.raw or PLAUSIBLE.get(field.kind) or chosen.get(field.kind) or "plain words"
    return values
