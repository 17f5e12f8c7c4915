"""The rules of the house, read from the sources themselves: what imports what, and what every route declares.

An exception stands in a list with its reason, so that a new one is a decision and not an accident.
"""

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pytest
from sqlalchemy import Table

from app.main import ROUTERS
from app.schema import metadata
from app.settings import ROOT
from tests.access.routes import guards_of

# The order in which a programme runs. The people, their programme and its trail are the ground that all stand on.
STORY = ("history people programmes", "parts", "questions", "sessions", "photos", "feedback", "blind", "measurements", "timing", "concerns",
         "incidents", "bench", "proving grid", "hall", "decisions", "planning", "imports", "archive backup", "dossiers",
         "trials", "demo")  # fmt: skip
PLACE = {feature: place for place, features in enumerate(STORY) for feature in features.split()}
KINDS = ("models", "rules", "queries", "commands", "forms", "pages")
KIND_OF = {  # files with a name of their own, and whose row of the table they stand in
    "people.passwords": "rules",  # hashing: no database, no page
    "people.sign_in": "pages",  # answers requests: cookies and the sign-in page
    "programmes.conditions": "models",  # the words of a condition class, which columns and forms use
    "hall.alone_pages": "pages",  # a driver alone, from the session to the slip
    "sessions.choices": "queries", "feedback.choices": "queries",  # what a form offers to choose from
    "decisions.facts": "rules", "decisions.assembling": "rules",  # what enters a sheet: no database
    "decisions.loading": "queries",  # rows -> facts
    "decisions.summaries": "queries",  # answers with a sheet, and keeps it so that it is computed once
    "decisions.noise": "queries",  # completes what was loaded, and keeps what it learned, as summaries does
    "decisions.sheet_view": "pages",  # arranges a sheet for reading
    "imports.cells": "rules", "imports.names": "rules", "imports.plan": "rules",
    "archive.cells": "rules", "archive.format": "rules",
    "measurements.cells": "rules", "measurements.names": "rules", "measurements.plan": "rules",  # a table, line by line
    "measurements.book_queries": "queries",
    "timing.cells": "rules", "timing.table": "rules", "timing.columns": "rules", "timing.laps": "rules",  # a file, line by line
    "timing.lap_view": "pages",  # arranges laps for reading
    "timing.lap_pages": "pages",  # laps of a run and of a session; `pages` has the files
    "timing.matching": "rules", "timing.shift": "rules", "timing.guard": "rules",  # laps to runs, and what they say
    "incidents.words": "models",  # the closed lists of words, which columns and forms use
    "incidents.exposures": "rules",  # what a part has been through, added up
    "incidents.exposure_queries": "queries",
    "feedback.card_pages": "pages",  # a paper card and its photo
    "concerns.photo_queries": "queries", "concerns.photo_pages": "pages",  # photos of a concern
    "parts.blocking_queries": "queries",  # what stops the freeze of a part
    "concerns.loop_queries": "queries",
    "proving.loop_pages": "pages",  # the steps between triage and close
    "proving.report_pages": "pages", "proving.report_queries": "queries",
    "proving.report_rules": "rules",  # where the trouble is, and whether it gets better
    "proving.concern_pages": "pages",  # arranges one concern for reading
    "dossiers.file_queries": "queries", "dossiers.file_pages": "pages",  # a part's file
    "bench.typed": "rules",  # several readings, trials, chains and limits as they are typed
    "bench.kept_queries": "queries",  # studies, fits, chains, expected effects
    "bench.characteristic_pages": "pages", "bench.kept_pages": "pages", "bench.effect_pages": "pages",
    "bench.drawing": "pages",  # arranges what was gauged for pictures
    "bench.effects": "rules",  # expected effects from what was typed to a sentence
    "bench.words": "models",  # the kinds of characteristics, which columns and forms use
    "incidents.use_pages": "pages",  # what a revision or a piece has been through
    **{f"planning.{name}": "rules" for name in (  # the plan, its search and the season: no database
        "day", "balance", "brackets", "schedule", "plan", "search", "check", "limits", "fractions", "replan", "season", "facts", "words",
        "live", "season_facts", "draw")},
    "planning.day_queries": "queries",  # the rows that a day is made from
    "planning.plan_view": "pages",  # arranges plans for reading
    "planning.season_pages": "pages", "planning.kit_pages": "pages",
    "grid.words": "models",  # the closed lists of words, which columns and forms use
    "grid.state": "rules", "grid.reading": "rules", "grid.proposing": "rules",  # what is known of each cell, what was typed, what to try
    "grid.list_queries": "queries", "grid.evidence_queries": "queries",
    "grid.list_pages": "pages", "grid.rule_pages": "pages", "grid.grid_view": "pages",  # grid_view arranges a grid for reading
    "decisions.fit": "rules",  # gates of the fit grids that a question waits for
    "decisions.use": "rules",  # derived use and abuse gates, as rows of evidence
    "decisions.measured": "rules",  # what was measured, as rows of evidence
    "trials.world": "rules", "trials.folder": "rules", "trials.cells": "rules", "trials.reading": "rules",  # simulated
    "trials.counting": "rules", "trials.campaign": "rules", "trials.report": "rules", "trials.limits": "rules",
    "trials.cli": "pages",
    "imports.cli": "pages", "archive.cli": "pages", "backup.cli": "pages",  # the same work at the command line
}  # fmt: skip
ALLOWED_IMPORTS = {
    "app.programmes.forms": {"app.people.forms"},  # HAT_CHOICES: who starts a programme says which hats they wear
    "app.hall.alone_pages": {"app.feedback.forms"},  # the slip itself, for a run that has no page of its own yet
    "app.decisions.noise": {"app.questions.commands"},  # what is learned at a question's first look is kept with it
    "app.web.error_pages": {"app.people.sign_in"},  # a refused form comes back on the sign-in page, inside a function
    "app.__main__": {"app.archive.cli", "app.backup.cli", "app.imports.cli", "app.trials.cli"},  # gathered there, as pages in main
}
WEB_FILES = ("app/web/", "app/access/guard.py", "app/people/sign_in.py", "pages.py", "app/main.py", "app/server.py")
SQL_FILES = ("app/db.py", "models.py", "queries.py", "commands.py", "app/decisions/loading.py",
             "app/decisions/summaries.py", "app/schema.py", "app/migrate.py")  # fmt: skip
EVIDENCE_READERS = ("app/decisions/", "app/blind/", "app/proving/", "app/gauging/", "app/evidence/", "app/trials/", "app/assess/",
                    "app/planning/")  # fmt: skip
LONG_FILES = {
    "app/web/charts.py": "one function a mark of the same drawing; splitting it would scatter the scales",
    "app/web/forms.py": "every kind of field with its reader, one screen below the other",
}
LONG_FUNCTIONS: dict[str, str] = {}
MOST_LINES, MOST_FUNCTION_LINES = 300, 40
TEMPLATE_OF = {
    "show_revision_file": "dossiers/show_part_file.html",  # the same file, of one revision
    "show_sign_in": "people/sign_in.html",  # one page with the POST twin and the 401 answer
    "show_end_run": "sessions/show_run_form.html",  # three short forms about one run share a frame
    "show_times": "sessions/show_run_form.html",
    "show_void_run": "sessions/show_run_form.html",
    "show_paper_slip": "feedback/show_slip.html",  # the same slip, filed for another
}
NO_TEMPLATE: dict[str, str] = {
    "incident_photo": "answers with the picture itself",
    "fit_photo": "answers with the picture itself",
    "concern_photo": "answers with the picture itself",
    "card_photo": "answers with the picture itself",
    "serve_worker": "a script at the root, where a phone's worker must stand",
    "read_clock": "one number for the phone's clock",
}


@dataclass(frozen=True)
class Source:
    path: Path

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.path.read_text())

    @cached_property
    def name(self) -> str:
        return ".".join(self.path.relative_to(ROOT).with_suffix("").parts)

    @property
    def shown(self) -> str:
        return str(self.path.relative_to(ROOT))

    @property
    def feature(self) -> str:
        parts = self.name.split(".")
        return parts[1] if len(parts) > 2 else ""

    @property
    def kind(self) -> str | None:
        return kind_of(self.name)

    @cached_property
    def imports(self) -> list[tuple[str, int]]:
        """Every imported name with its line; `from app import clock` gives app and app.clock."""
        found = []
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                found += [(item.name, node.lineno) for item in node.names]
            elif isinstance(node, ast.ImportFrom):
                stem = node.module or "." * node.level
                found += [(stem, node.lineno), *((f"{stem}.{item.name}", node.lineno) for item in node.names)]
        return found

    def inside(self, places: tuple[str, ...]) -> bool:
        return any(
            self.shown.startswith(place) if place.startswith("app/") else self.path.name.endswith(place)
            for place in places
        )


def kind_of(module: str) -> str | None:
    short = module.removeprefix("app.")
    if short in KIND_OF:
        return KIND_OF[short]
    last = short.split(".")[-1]
    return "commands" if last.endswith("_commands") else last if last in KINDS else None


SOURCES = [Source(path) for path in sorted((ROOT / "app").rglob("*.py"))]
MODULES = {source.name for source in SOURCES}


def own_imports(source: Source) -> Iterator[tuple[str, int]]:
    """The modules of ours that a source names, each once."""
    seen = set()
    for name, line in source.imports:
        if name in MODULES and name not in seen and name not in ALLOWED_IMPORTS.get(source.name, ()):
            seen.add(name)
            yield name, line


def test_every_folder_of_the_app_has_its_place_in_the_story():
    apart = {"access", "web", "evidence", "assess", "covering", "gauging"}
    assert {source.feature for source in SOURCES} - {""} - apart == set(PLACE)


def test_every_file_of_a_feature_has_its_row_in_the_table():
    """Such as models.py or row_commands.py; a name of its own is listed above with its reason."""
    strange = [source.shown for source in SOURCES if source.feature in PLACE and source.feature != "demo"
               and source.kind is None and source.path.name != "__init__.py"]  # fmt: skip
    assert not strange, "\n".join(strange)
    assert [name for name in KIND_OF if f"app.{name}" not in MODULES] == []


def test_a_feature_imports_earlier_features_only():
    wrong = []
    for source in SOURCES:
        for name, line in own_imports(source):
            target = name.split(".")[1]
            if source.feature in PLACE and target in PLACE and PLACE[target] > PLACE[source.feature]:
                wrong.append(f"{source.shown}:{line} imports {name}, which comes later in the story")
    assert not wrong, "\n".join(wrong)


def test_no_file_imports_a_kind_below_its_own():
    wrong = []
    for source in SOURCES:
        for name, line in own_imports(source):
            kind = kind_of(name)
            if source.kind and kind and KINDS.index(kind) > KINDS.index(source.kind):
                wrong.append(f"{source.shown}:{line} ({source.kind}) imports {name} ({kind})")
            if source.kind == "forms" and kind in ("queries", "commands"):
                wrong.append(f"{source.shown}:{line}: a form knows models and rules only, not {name}")
    assert not wrong, "\n".join(wrong)


def test_pages_and_forms_are_nobody_elses():
    wrong = []
    for source in SOURCES:
        for name, line in own_imports(source):
            if kind_of(name) not in ("pages", "forms") or name.startswith("app.web."):
                continue
            if name.split(".")[1] != source.feature and source.name != "app.main":
                wrong.append(f"{source.shown}:{line} imports {name}")
    assert not wrong, "\n".join(wrong)


def test_the_cores_are_pure_and_only_decisions_ask_the_evidence():
    pure = {"numpy", "scipy", *sys.stdlib_module_names}
    wrong = []
    for source in SOURCES:
        for name, line in source.imports:
            if source.feature == "evidence" and not (name.startswith("app.evidence") or name.split(".")[0] in pure):
                wrong.append(f"{source.shown}:{line} imports {name}")
            if source.feature == "gauging" and not (name.startswith(("app.gauging", "app.evidence")) or name.split(".")[0] in pure):
                wrong.append(f"{source.shown}:{line} imports {name}")
            if name.startswith("app.evidence") and not source.inside(EVIDENCE_READERS):
                wrong.append(f"{source.shown}:{line} imports {name}")
    assert not wrong, "\n".join(wrong)


def test_covering_arrays_are_pure():
    wrong = [f"{source.shown}:{line} imports {name}" for source in SOURCES if source.feature == "covering" for name, line in source.imports
             if not (name.startswith("app.covering") or name.split(".")[0] in sys.stdlib_module_names)]  # fmt: skip
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    ("packages", "places"),
    [
        (("fastapi", "starlette", "jinja2"), WEB_FILES),
        (("sqlalchemy",), SQL_FILES),
        (("alembic",), ("app/migrate.py",)),
        (("uvicorn",), ("app/__main__.py",)),
        (("argon2",), ("app/people/passwords.py",)),
        (("PIL",), ("app/photos/rules.py",)),
    ],
)
def test_a_library_is_known_in_few_places(packages, places):
    wrong = [f"{source.shown}:{line} imports {name}" for source in SOURCES if not source.inside(places)
             for name, line in source.imports if name.split(".")[0] in packages]  # fmt: skip
    assert not wrong, "\n".join(wrong)


def test_only_the_clock_reads_the_clock():
    reading = re.compile(r"datetime\.(now|utcnow|today)\(|date\.today\(|time\.time\(\)|func\.(now|current_timestamp)\(")
    wrong = [
        f"{source.shown}:{number}"
        for source in SOURCES
        if source.name != "app.clock"
        for number, line in enumerate(source.path.read_text().splitlines(), 1)
        if reading.search(line)
    ]
    assert not wrong, "\n".join(wrong)


def test_only_the_database_module_commits():
    """A commit in a dependency's teardown would run after the answer is sent; one in a command would cut it in two."""
    wrong = [
        f"{source.shown}:{node.lineno}"
        for source in SOURCES
        if source.name != "app.db"
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Attribute) and node.attr == "commit"
    ]
    assert not wrong, "\n".join(wrong)


def test_no_dependency_writes_after_its_yield():
    writing = {"commit", "flush", "add", "execute", "transaction"}
    wrong = []
    for source in SOURCES:
        if source.name == "app.db":
            continue
        for function in (node for node in ast.walk(source.tree) if isinstance(node, ast.FunctionDef)):
            last = max((node.lineno for node in ast.walk(function) if isinstance(node, ast.Yield)), default=None)
            for node in ast.walk(function) if last else ():
                named = getattr(node, "attr", None) or getattr(node, "id", None)
                if named in writing and node.lineno > last:  # type: ignore[attr-defined, operator]
                    wrong.append(f"{source.shown}:{node.lineno} {named} after the yield of {function.name}")  # type: ignore[attr-defined]
    assert not wrong, "\n".join(wrong)


def bare_columns(tables: list[Table]) -> list[str]:
    bare = {"time", "mass", "length", "weight", "temperature", "torque", "play", "voltage", "duration"}
    return [f"{table.name}.{column.name}" for table in tables for column in table.columns if column.name in bare]


def test_a_measured_column_names_its_unit():
    assert not bare_columns(list(metadata.tables.values()))


def test_files_and_functions_stay_readable():
    wrong = []
    for source in SOURCES:
        lines = len(source.path.read_text().splitlines())
        if lines > MOST_LINES and source.shown not in LONG_FILES:
            wrong.append(f"{source.shown}: {lines} lines")
        for node in ast.walk(source.tree):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                length = (node.end_lineno or node.lineno) - node.lineno + 1
                if length > MOST_FUNCTION_LINES and f"{source.shown}::{node.name}" not in LONG_FUNCTIONS:
                    wrong.append(f"{source.shown}:{node.lineno} {node.name}: {length} lines")
    assert not wrong, "\n".join(wrong)


def test_the_lists_of_exceptions_name_what_is_there():
    """An exception that is not needed any more is taken off its list."""
    lines = {source.shown: len(source.path.read_text().splitlines()) for source in SOURCES}
    names = {route.name for router in ROUTERS for route in router.routes}  # type: ignore[attr-defined]
    assert [path for path in LONG_FILES if lines.get(path, 0) <= MOST_LINES] == []
    assert [name for name in (*TEMPLATE_OF, *NO_TEMPLATE) if name not in names] == []


def test_every_route_has_exactly_one_guard():
    wrong = [f"{route.name}: {len(guards_of(route))} guards" for router in ROUTERS for route in router.routes
             if len(guards_of(route)) != 1]  # fmt: skip
    assert not wrong, "\n".join(wrong)


def test_route_names_stand_once():
    names = [route.name for router in ROUTERS for route in router.routes]  # type: ignore[attr-defined]
    assert {name for name in names if names.count(name) > 1} == set()


def test_a_page_route_has_the_template_of_its_name():
    missing = []
    for router in ROUTERS:
        for route in router.routes:
            feature = route.endpoint.__module__.split(".")[1]  # type: ignore[attr-defined]
            template = TEMPLATE_OF.get(route.name, f"{feature}/{route.name}.html")  # type: ignore[attr-defined]
            if (
                "GET" in route.methods
                and route.name not in NO_TEMPLATE
                and not (ROOT / "templates" / template).exists()
            ):  # type: ignore[attr-defined]
                missing.append(f"{route.name}: templates/{template}")  # type: ignore[attr-defined]
    assert not missing, "\n".join(missing)


def test_no_file_names_a_machine_or_a_registry():
    folders = [ROOT / name for name in ("app", "migrations", "templates", "static/css", "static/js", "tests", ".ci")]
    files = [path for folder in folders for path in folder.rglob("*") if path.is_file() and "vendor" not in path.parts]
    files += [path for path in ROOT.iterdir() if path.is_file() and path.name != ".git"]
    parts = "/~work/ /~root/ /~home/ \\.py~env py~pi\\.org python~hosted npm~js\\. registry~\\.npm deb~\\.debian"
    word = re.compile("|".join(parts.replace("~", "").split()))  # parted, so that this line is not found itself
    wrong = []
    for path in files:
        if path.suffix not in (".woff2", ".png", ".js.map", ".zip") and path.exists():
            for number, line in enumerate(path.read_text(errors="replace").splitlines(), 1):
                if found := word.search(line):
                    wrong.append(f"{path.relative_to(ROOT)}:{number} names {found.group()}")
    assert not wrong, "\n".join(wrong)
