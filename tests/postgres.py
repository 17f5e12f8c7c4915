"""A PostgreSQL of the tests' own: unix socket only, a migrated template, a fresh copy for each test."""

import itertools
import os
import pwd
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import psycopg

from app.migrate import upgrade


def _binaries() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)
    on_path = shutil.which("initdb")
    if found:
        return found[0].parent
    if on_path:
        return Path(on_path).parent
    raise RuntimeError("no PostgreSQL found: install it, or test with --database sqlite")


@dataclass
class Server:
    folder: Path
    process: subprocess.Popen[bytes]
    numbers: Iterator[int]

    @classmethod
    def start(cls, *, durable: bool = False) -> "Server":
        """`durable`: every setting as a real installation has it, which `python -m app serve` insists on."""
        folder = Path(tempfile.mkdtemp(prefix="pg"))
        who = {}
        if os.geteuid() == 0:
            user = pwd.getpwnam("postgres")
            os.chown(folder, user.pw_uid, user.pw_gid)
            who = {"user": user.pw_uid, "group": user.pw_gid}
        bin_folder = _binaries()
        subprocess.run([bin_folder / "initdb", "-A", "trust", "-N", "-U", "postgres", "-E", "UTF8", "-D", folder / "data"],
                       check=True, capture_output=True, cwd=folder, **who)  # fmt: skip
        # fsync=off is safe for throw-away data only; the durability check itself is tested against a real setting
        hasty = [] if durable else ["-c", "fsync=off", "-c", "full_page_writes=off"]
        process = subprocess.Popen(
            [bin_folder / "postgres", "-D", folder / "data", "-k", folder, "-c", "listen_addresses=", "-c", "max_connections=200", *hasty],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=folder, **who,
        )  # fmt: skip
        server = cls(folder, process, itertools.count(1))
        server._wait()
        with server.admin() as connection:
            connection.execute("CREATE DATABASE template_proveout")
        upgrade(server.url("template_proveout"))
        return server

    def url(self, name: str) -> str:
        return f"postgresql+psycopg://postgres@/{name}?host={quote(str(self.folder), safe='')}"

    def admin(self) -> psycopg.Connection:
        return psycopg.connect(host=str(self.folder), user="postgres", dbname="postgres", autocommit=True)

    def _wait(self) -> None:
        for _ in range(200):
            try:
                self.admin().close()
                return
            except psycopg.OperationalError:
                time.sleep(0.05)
        raise RuntimeError("PostgreSQL did not start within 10 s")

    @contextmanager
    def fresh_database(self) -> Iterator[str]:
        name = f"t{next(self.numbers)}"
        with self.admin() as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE template_proveout")
        try:
            yield self.url(name)
        finally:
            with self.admin() as connection:
                connection.execute(f"DROP DATABASE {name} WITH (FORCE)")

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(20)
        shutil.rmtree(self.folder, ignore_errors=True)
