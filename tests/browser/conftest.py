"""A real server and a real Chromium (Debian's). The demo is made once; each test may take a fresh copy."""

import os
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright

from app.db import Database
from app.demo import DEMO_PASSWORD, make_demo
from app.main import create_app
from app.migrate import upgrade
from app.settings import Settings
from tests.browser.steps import make_day

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]  # fmt: skip
AXE = Path(__file__).parent / "vendor" / "axe.min.js"


@dataclass
class Site:
    """A running installation: `base` is its address."""

    base: str
    database: Database
    server: uvicorn.Server
    file: Path
    thread: threading.Thread

    def stop(self) -> None:
        self.server.should_exit = True

    def kill(self) -> None:
        """Gone, connections and all; `back` brings it up again at the same address."""
        self.server.force_exit = self.server.should_exit = True
        self.thread.join(10)

    def back(self) -> "Site":
        return run_site(self.file, port=int(self.base.rpartition(":")[2]))


def run_site(file: Path, *, port: int = 0, wrap: Callable[[Any], Any] = lambda app: app, hosts: tuple[str, ...] = ()) -> Site:
    """Serve the SQLite file on a free port (or that one), in a thread of this process."""
    settings = Settings(f"sqlite:///{file}", "http://127.0.0.1:0", file.parent, argon2_time=1, argon2_memory_kib=64,
                        extra_hosts=("127.0.0.1", "localhost", *hosts))  # fmt: skip
    database = Database(settings.database_url)
    app = create_app(settings, database)
    server = uvicorn.Server(uvicorn.Config(wrap(app), host="127.0.0.1", port=port, log_level="warning", access_log=False))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    return Site(f"http://127.0.0.1:{port}", database, server, file, thread)


def chromium_path() -> str:
    return os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("demo") / "proveout.sqlite3"
    settings = Settings(f"sqlite:///{file}", "http://127.0.0.1", file.parent, argon2_time=1, argon2_memory_kib=64)
    upgrade(settings.database_url)
    database = Database(settings.database_url)
    make_demo(database, settings)
    database.dispose()
    return file


@pytest.fixture(scope="session")
def demo(demo_file: Path) -> Iterator[Site]:
    """The demo programme, read only by habit: tests that write take `own_demo`."""
    site = run_site(demo_file)
    yield site
    site.stop()


@pytest.fixture
def own_demo(demo_file: Path, demo: Site, tmp_path: Path) -> Iterator[Site]:
    copy = tmp_path / "proveout.sqlite3"
    with closing(sqlite3.connect(demo_file)) as source:
        source.execute("VACUUM INTO ?", (str(copy),))
    site = run_site(copy)
    yield site
    site.stop()


@pytest.fixture
def day(own_demo: Site) -> Site:
    return make_day(own_demo)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Site]:
    file = tmp_path / "proveout.sqlite3"
    upgrade(f"sqlite:///{file}")
    site = run_site(file)
    yield site
    site.stop()


def open_page(chromium: Browser, *, width: int = 390, dark: bool = False, javascript: bool = True, bypass_csp: bool = False,
              worker: bool = True) -> Page:  # fmt: skip
    """A fresh browser profile; any script error or policy violation fails the test that looks at `page.faults`.

    Without `worker` every request passes `page.route`; what a service worker sends does not.
    """
    context = chromium.new_context(viewport={"width": width, "height": 844}, color_scheme="dark" if dark else "light",
                                   java_script_enabled=javascript, bypass_csp=bypass_csp,
                                   service_workers="allow" if worker else "block")  # fmt: skip
    page = context.new_page()
    page.faults = []  # type: ignore[attr-defined]
    page.on("pageerror", lambda error: page.faults.append(str(error)))  # type: ignore[attr-defined]
    page.on("console", lambda m: page.faults.append(m.text) if m.type == "error" and "Content Security" in m.text else None)  # type: ignore[attr-defined]
    return page


def sign_in(page: Page, base: str, who: str, password: str = DEMO_PASSWORD) -> None:
    page.goto(f"{base}/sign-in")
    page.fill('input[name="login"]', who)
    page.fill('input[name="password"]', password)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_load_state("load")
