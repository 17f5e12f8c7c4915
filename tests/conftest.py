"""The test database, the app on it, and people who are signed in.

`pytest` runs on SQLite; `pytest --database postgresql` runs the same tests on a PostgreSQL of the tests' own
(found under /usr/lib/postgresql or on the PATH), or on the server that DATABASE_URL names.
"""

import itertools
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.db import Database, Db
from app.main import create_app
from app.migrate import upgrade
from app.settings import Settings
from tests.pages import Browser
from tests.postgres import Server

# The browser suite needs a Chromium and playwright; .ci/run and DEVELOPERS.md say how it is run.
collect_ignore = [] if os.environ.get("PROVEOUT_BROWSER") else ["browser"]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--database", choices=["sqlite", "postgresql"], default="sqlite", help="which database to test on")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what belongs to the other database; what belongs to this one must run, or fail."""
    chosen = config.getoption("--database")
    others = [item for item in items if any(mark.args[0] != chosen for mark in item.iter_markers("only"))]
    if others:
        config.hook.pytest_deselected(items=others)
        items[:] = [item for item in items if item not in others]


@pytest.fixture(scope="session")
def backend(request: pytest.FixtureRequest) -> str:
    return request.config.getoption("--database")


@pytest.fixture(scope="session")
def postgres(backend: str) -> Iterator[Server | None]:
    if backend != "postgresql":
        yield None
        return
    server = Server.start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def template_file(tmp_path_factory: pytest.TempPathFactory, backend: str) -> Path | None:
    """A migrated, empty SQLite file that each test copies."""
    if backend != "sqlite":
        return None
    path = tmp_path_factory.mktemp("template") / "empty.sqlite3"
    upgrade(f"sqlite:///{path}")
    return path


@pytest.fixture
def database_url(tmp_path: Path, template_file: Path | None, postgres: Server | None) -> Iterator[str]:
    if postgres is not None:
        with postgres.fresh_database() as url:
            yield url
        return
    path = tmp_path / "proveout.sqlite3"
    shutil.copy(template_file, path)  # type: ignore[arg-type]
    yield f"sqlite:///{path}"


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url, "http://testserver", tmp_path, argon2_time=1, argon2_memory_kib=64)


@pytest.fixture
def database(settings: Settings) -> Iterator[Database]:
    database = Database(settings.database_url)
    yield database
    database.dispose()


@pytest.fixture
def db(database: Database) -> Iterator[Db]:
    with database.sessions() as session:
        yield session


@pytest.fixture
def app(settings: Settings, database: Database):
    return create_app(settings, database)


@pytest.fixture
def browser(app) -> Iterator[Browser]:
    """A checked page fetcher; `browser.as_(viewer)` signs a person in."""
    with Browser(app) as browser:
        yield browser


@pytest.fixture(autouse=True)
def numbered() -> None:
    from tests import make

    make.counter = itertools.count(1)
