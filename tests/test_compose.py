"""The compose file and the CI script, as far as they can be checked without a container engine."""

import inspect
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from app import __main__, settings
from app.main import ROUTERS, create_app
from app.settings import ROOT, Settings, settings_for
from tests.pages import Browser

TEXT = (ROOT / "docker-compose.yml").read_text()
COMPOSE = yaml.safe_load(TEXT)
APP, DB = COMPOSE["services"]["app"], COMPOSE["services"]["db"]
DOCKERFILE = APP["build"]["dockerfile_inline"]
READ_BY_OTHERS = {"OPENBLAS_NUM_THREADS": "numpy", "FORWARDED_ALLOW_IPS": "uvicorn"}


def copied() -> list[str]:
    return [source for line in re.findall(r"^COPY (.+)$", DOCKERFILE, re.M) for source in line.split()[:-1]]


def test_it_says_that_it_was_never_started():
    assert "Never started" in TEXT.split("services:")[0]


def test_the_image_copies_what_is_there_and_all_that_the_build_and_the_app_read():
    assert all((ROOT / source).exists() for source in copied())
    project = (ROOT / "pyproject.toml").read_text()
    assert "pyproject.toml" in copied()
    if "readme" in project:
        assert "README.md" in copied()
    assert {"app", "migrations", "templates", "static"} <= set(copied())
    allowed = {line[1:] for line in (ROOT / ".dockerignore").read_text().splitlines() if line.startswith("!")}
    assert allowed == set(copied())
    assert re.search(r"^\*$", (ROOT / ".dockerignore").read_text(), re.M)


def test_every_variable_is_one_that_something_reads():
    read = set(re.findall(r'os\.environ(?:\.get)?[\[(]"(\w+)"', inspect.getsource(settings)))
    assert {"DATABASE_URL", "PROVEOUT_BASE_URL", "PROVEOUT_HOSTS"} <= read
    assert set(APP["environment"]) - set(READ_BY_OTHERS) <= read


def test_secrets_and_the_address_must_be_given():
    assert DB["environment"]["POSTGRES_PASSWORD"].startswith("${POSTGRES_PASSWORD:?")
    assert "${POSTGRES_PASSWORD:?" in APP["environment"]["DATABASE_URL"]
    assert APP["environment"]["PROVEOUT_BASE_URL"].startswith("${PROVEOUT_BASE_URL:?")
    plain = [value for service in (APP, DB) for name, value in service["environment"].items()
             if "PASSWORD" in name and not value.startswith("${")]  # fmt: skip
    assert plain == []


def test_the_app_waits_for_a_healthy_database_of_its_name():
    assert APP["depends_on"] == {"db": {"condition": "service_healthy"}}
    assert DB["healthcheck"]["test"][:2] == ["CMD", "pg_isready"]
    address = re.sub(r"\$\{[^}]*\}", "secret", APP["environment"]["DATABASE_URL"])
    user, host, name = re.fullmatch(r"postgresql://(\w+):secret@(\w+):5432/(\w+)", address).groups()
    assert (user, name) == (DB["environment"]["POSTGRES_USER"], DB["environment"]["POSTGRES_DB"])
    assert host in COMPOSE["services"]


def test_what_must_last_lies_in_named_volumes_and_the_rest_is_read_only():
    volumes = [line.split(":")[0] for service in (APP, DB) for line in service["volumes"]]
    assert set(volumes) == set(COMPOSE["volumes"])
    assert APP["read_only"] is True
    assert re.search(r"^USER (?!root)\w+$", DOCKERFILE, re.M)
    assert DOCKERFILE.index("USER ") > DOCKERFILE.index("RUN pip")
    assert APP["ports"] == ["127.0.0.1:8000:8000"]  # the proxy is the only way in


def command() -> list[str]:
    return yaml.safe_load(re.search(r"^CMD (.+)$", DOCKERFILE, re.M).group(1))


def test_the_command_is_one_that_the_app_understands():
    words = command()
    assert words[:4] == ["python", "-m", "app", "serve"]
    read = __main__._parser().parse_args(words[3:])
    assert (read.host, read.port, read.data, read.workers) == ("0.0.0.0", 8000, Path("/data"), 4)


def test_the_health_check_asks_for_a_page_that_answers_anybody(monkeypatch, database, tmp_path):
    asked = re.search(r"urlopen\('(http://([^/]+)(/[^']*))'", APP["healthcheck"]["test"][-1])
    compile(APP["healthcheck"]["test"][-1], "health check", "exec")
    assert asked.group(3) in {route.path for router in ROUTERS for route in router.routes}  # type: ignore[attr-defined]
    monkeypatch.setenv("PROVEOUT_BASE_URL", "https://hall.example")
    monkeypatch.setenv("DATABASE_URL", database.url)
    in_container = replace(settings_for(tmp_path, host="0.0.0.0", port=8000), argon2_time=1, argon2_memory_kib=64)
    with Browser(create_app(in_container, database)) as browser:
        assert browser.client.get(asked.group(3), headers={"Host": asked.group(2)}).status_code == 200
        assert browser.client.get(asked.group(3), headers={"Host": "hall.example"}).status_code == 200
        assert browser.client.get(asked.group(3), headers={"Host": "db"}).status_code == 400


def test_the_environment_decides_address_database_and_hosts(monkeypatch, tmp_path):
    for name in ("DATABASE_URL", "PROVEOUT_BASE_URL", "PROVEOUT_HOSTS"):
        monkeypatch.delenv(name, raising=False)
    own = settings_for(tmp_path, port=8010)
    assert own.database_url == f"sqlite:///{tmp_path / 'proveout.sqlite3'}"
    assert (own.base_url, own.plain_http) == ("http://127.0.0.1:8010", True)
    monkeypatch.setenv("DATABASE_URL", "postgresql://x@db/y")
    monkeypatch.setenv("PROVEOUT_BASE_URL", "https://hall.example/")
    monkeypatch.setenv("PROVEOUT_HOSTS", "hall.local, pit.local")
    public = settings_for(tmp_path, host="0.0.0.0")
    assert (public.database_url, public.base_url, public.plain_http) == (
        "postgresql://x@db/y",
        "https://hall.example",
        False,
    )
    assert set(public.hosts) == {"hall.example", "hall.local", "pit.local", "localhost", "127.0.0.1"}
    assert isinstance(public, Settings)


# --- .ci/run
SCRIPT = ROOT / ".ci" / "run"


def test_the_ci_script_runs_the_readmes_own_test_line():
    line = next(line for line in (ROOT / "README.md").read_text().splitlines() if line.strip().endswith("/pytest -n auto"))
    assert line.strip() in SCRIPT.read_text()


@pytest.mark.parametrize("needed", ["ruff check", "bin/mypy", "--database postgresql", "PROVEOUT_BROWSER=1"])
def test_the_ci_script_leaves_nothing_out(needed):
    assert needed in SCRIPT.read_text()


def test_the_ci_script_can_be_read_by_bash_and_says_what_failed(tmp_path):
    subprocess.run(["bash", "-n", SCRIPT], check=True)
    assert SCRIPT.stat().st_mode & 0o111
    broken = re.sub(r'begin "system packages".*', 'begin "planted part"; false', SCRIPT.read_text(), flags=re.S)
    (tmp_path / ".ci").mkdir()
    (tmp_path / ".ci" / "run").write_text(broken)
    done = subprocess.run(["bash", tmp_path / ".ci" / "run"], capture_output=True, text=True)
    assert done.returncode == 1
    assert "FAILED in: planted part" in done.stdout
