"""Starting: what is loaded, what it costs, what is printed, and when starting is refused."""

import os
import re
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import event

from app.db import Database
from app.settings import ROOT
from tests.postgres import Server

# The framework stack: what an app of this kind is made of, before its own first line. pydantic.v1, which fastapi loads by itself
# at the first route with a declared parameter, is not counted as the framework's.
FRAMEWORK = ("import fastapi, starlette.staticfiles, python_multipart, sqlalchemy.orm, sqlalchemy.dialects.sqlite, "
             "alembic.command, jinja2, uvicorn, argon2")  # fmt: skip
HEAVY = ("scipy.stats", "scipy.optimize", "numpy.random", "scipy.special", "psycopg", "alembic", "uvicorn")


def clean_environment(**more: str) -> dict[str, str]:
    mine = ("DATABASE_URL", "PROVEOUT_BASE_URL", "PROVEOUT_HOSTS", "PROVEOUT_DATA", "PROVEOUT_LISTEN")
    return {**{name: value for name, value in os.environ.items() if name not in mine}, "PYTHONUNBUFFERED": "1", **more}


def python(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, env=clean_environment()
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def loaded_after(code: str) -> set[str]:
    return set(python(f"{code}\nimport sys\nprint(*sys.modules)").split())


def test_importing_the_app_loads_nothing_heavy():
    loaded = loaded_after("import app.main")
    assert "app.main" in loaded
    assert loaded.isdisjoint(HEAVY), loaded & set(HEAVY)


def test_making_the_app_and_asking_for_a_page_loads_no_statistics():
    """Numbers are computed when a sheet is, not when somebody signs in."""
    code = """
from pathlib import Path
from starlette.testclient import TestClient
from app.main import create_app
from app.migrate import upgrade
from app.settings import Settings
import tempfile
holder = tempfile.TemporaryDirectory()
folder = Path(holder.name)
upgrade(f"sqlite:///{folder}/x.sqlite3")
app = create_app(Settings(f"sqlite:///{folder}/x.sqlite3", "http://testserver", folder))
assert TestClient(app).get("/sign-in").status_code == 200
"""
    assert loaded_after(code).isdisjoint(("scipy.stats", "scipy.optimize", "scipy.special", "numpy.random"))


def test_the_check_for_heavy_modules_can_fail():
    assert not loaded_after("import app.main, scipy.stats").isdisjoint(HEAVY)


def cpu_seconds(code: str, compiled: Path) -> float:
    environment = clean_environment(
        OPENBLAS_NUM_THREADS="1", PYTHONPYCACHEPREFIX=str(compiled), PYTHONDONTWRITEBYTECODE=""
    )
    process = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, env=environment)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return used.ru_utime + used.ru_stime


def test_starting_costs_at_most_half_as_much_again_as_the_bare_framework(tmp_path):
    """Compiled sources, as from the second start on; runs in turn, and of each the least: on a busy machine only the
    ratio of the smallest processor times can be trusted, so a machine at work is given a few more turns."""
    bare, ours = [], []
    for turn in range(24):
        bare.append(cpu_seconds(FRAMEWORK, tmp_path))
        ours.append(cpu_seconds("import app.main", tmp_path))
        ratio = min(ours) / min(bare)
        if turn >= 5 and ratio <= 1.5:
            break
    print(f"\nimport app.main {min(ours):.2f} s, the framework {min(bare):.2f} s of processor time: {ratio:.2f} times")
    assert ratio <= 1.5


# --- python -m app serve
def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def serving(data: Path, *more: str, **environment: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The app as a person starts it; answers its address. Ended with all its workers."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "app", "serve", "--data", str(data), "--port", str(port), *more], cwd=ROOT, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=clean_environment(**environment),
    )  # fmt: skip
    try:
        yield f"http://127.0.0.1:{port}", process
    finally:
        process.terminate()
        try:
            process.communicate(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def printed_until_listening(process: subprocess.Popen[str]) -> str:
    lines = []
    for line in process.stdout or ():
        lines.append(line)
        if line.startswith("Listening on"):
            return "".join(lines)
    raise AssertionError("it ended: " + "".join(lines))


def fetch(address: str, tries: int = 150) -> tuple[int, str]:
    for _ in range(tries):
        try:
            with urllib.request.urlopen(address, timeout=5) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode()
        except OSError:
            time.sleep(0.1)
    raise AssertionError(f"nothing answered at {address}")


def test_an_empty_installation_prints_a_link_that_works_once_it_listens(tmp_path):
    with serving(tmp_path / "new folder") as (address, process):
        printed = printed_until_listening(process)
        link = re.search(r"http://\S+/join/\S+", printed).group()
        assert link.startswith(address)
        status, page = fetch(link)
        assert status == 200
        assert "You are the first" in page
        assert fetch(f"{address}/account")[0] == 200  # led to the sign-in page
        assert fetch(f"{address}/nowhere")[0] == 404
    assert (tmp_path / "new folder" / "proveout.sqlite3").exists()


def test_a_second_start_finds_its_data_and_a_fresh_link(tmp_path):
    links = []
    for _ in range(2):
        with serving(tmp_path) as (_, process):
            links.append(re.search(r"/join/(\S+)", printed_until_listening(process)).group(1))
    assert links[0] != links[1]


@pytest.mark.parametrize("environment", [{}, {"DATABASE_URL": "sqlite:///other.sqlite3"}])
def test_several_workers_are_refused_on_sqlite(tmp_path, environment):
    done = subprocess.run(
        [sys.executable, "-m", "app", "serve", "--workers", "2", "--data", str(tmp_path)],
        cwd=ROOT,
        text=True,
        capture_output=True,
        timeout=60,
        env=clean_environment(**environment),
    )
    assert done.returncode == 2
    assert "Several workers need PostgreSQL" in done.stderr
    assert not list(tmp_path.iterdir())


# --- durability
def test_sqlite_that_does_not_sync_each_commit_is_refused(tmp_path):
    database = Database(f"sqlite:///{tmp_path}/x.sqlite3")
    database.check_durable()
    event.listen(database.engine, "checkout", lambda connection, *_: connection.execute("PRAGMA synchronous=NORMAL"))
    with pytest.raises(RuntimeError, match="synchronous is 1; at least 2"):
        database.check_durable()
    database.dispose()


@pytest.mark.only("postgresql")
def test_postgresql_without_fsync_is_refused(postgres):
    """The tests' own server runs without fsync, since its data is thrown away: here it must be refused."""
    server = postgres
    with server.fresh_database() as url:
        database = Database(url)
        with pytest.raises(RuntimeError, match="runs with fsync=off"):
            database.check_durable()
        database.dispose()


@pytest.fixture(scope="module")
def durable() -> Iterator[Server]:
    """A PostgreSQL of the tests' own, with every setting as a real installation has it."""
    server = Server.start(durable=True)
    yield server
    server.stop()


@pytest.mark.only("postgresql")
def test_a_postgresql_that_syncs_is_accepted_and_one_that_answers_early_is_not(durable):
    with durable.fresh_database() as url:
        database = Database(url)
        database.check_durable()
        database.dispose()
        with durable.admin() as admin:
            admin.execute(f"ALTER DATABASE {database.engine.url.database} SET synchronous_commit=off")
        with pytest.raises(RuntimeError, match="runs with synchronous_commit=off"):
            database.check_durable()
        database.dispose()


@pytest.mark.only("postgresql")
def test_several_workers_serve_one_postgresql(durable, tmp_path):
    """As docker-compose.yml starts it, with two workers."""
    with durable.fresh_database() as url, serving(tmp_path, "--workers", "2", DATABASE_URL=url) as (address, process):
        assert "/join/" in printed_until_listening(process)
        status, page = fetch(f"{address}/sign-in")
        assert status == 200
        assert "<h1" in page
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        assert len(children) >= 2
        assert {fetch(f"{address}/sign-in")[0] for _ in range(20)} == {200}
    assert not [
        child for child in children if Path(f"/proc/{child}/cmdline").exists() and "spawn_main" in _command_of(child)
    ]


def _command_of(process_id: str) -> str:
    try:
        return Path(f"/proc/{process_id}/cmdline").read_text()
    except OSError:
        return ""


def test_a_demo_or_serve_with_an_unreachable_database_says_so_and_stops(tmp_path):
    nowhere = "postgresql+psycopg://nobody@127.0.0.1:1/none?connect_timeout=2"
    done = subprocess.run([sys.executable, "-m", "app", "serve", "--data", str(tmp_path)], cwd=ROOT, text=True,
                          capture_output=True, timeout=60, env=clean_environment(DATABASE_URL=nowhere))  # fmt: skip
    assert done.returncode != 0
    assert "Listening" not in done.stdout
