"""The template environment: escaping always on, undefined names refused, ui macros as one global."""

import hashlib
import secrets
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, TemplateNotFound

from app.settings import ROOT
from app.web import filters

TEMPLATES, STATIC = ROOT / "templates", ROOT / "static"


@cache
def make_environment() -> Environment:
    """One for the whole process: templates are compiled once, however many apps the tests make."""
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, auto_reload=False, cache_size=400,
    )  # fmt: skip
    environment.filters.update(filters.FILTERS)
    environment.globals["static"] = static_url
    environment.globals["form_token"] = lambda: secrets.token_urlsafe(12)
    environment.globals["charts"] = _LazyCharts()
    environment.globals["ui"] = _macros(environment)
    return environment


def _macros(environment: Environment) -> SimpleNamespace:
    """Every macro of templates/ui under one name; a macro name that stands twice is refused."""
    found: dict[str, Any] = {}
    environment.globals["ui"] = ui = SimpleNamespace()
    for path in sorted((TEMPLATES / "ui").glob("*.html")):
        if path.name == "patterns.html":
            continue
        module = environment.get_template(f"ui/{path.name}").module
        for name, value in vars(module).items():
            if name.startswith("_") or not callable(value):
                continue
            if name in found:
                raise TemplateNotFound(f"macro {name} stands in two files of templates/ui")
            found[name] = value
            setattr(ui, name, value)
    return ui


class _LazyCharts:
    """Stands for app.web.charts, which loads when a page first draws."""

    def __getattr__(self, name: str) -> Any:
        from app.web import charts

        return getattr(charts, name)


@cache
def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:12]


@cache
def static_version() -> str:
    """A digest of every static file: what a phone keeps is of one version."""
    whole = hashlib.sha256()
    for path in sorted(path for path in STATIC.rglob("*") if path.is_file()):
        whole.update(f"{path.relative_to(STATIC)} {_digest(path)}\n".encode())
    return whole.hexdigest()[:16]


def static_url(path: str) -> str:
    """The address of a static file with its content's digest, so that it may be cached for good."""
    return f"/static/{path}?v={_digest(STATIC / path)}"
