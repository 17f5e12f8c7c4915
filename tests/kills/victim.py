"""The server that is killed: `python -m app serve`, cold or forked warm, on one port and the same data."""

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from random import Random

from app.settings import ROOT
from tests.test_start import clean_environment, free_port

LONGEST_START_S = 120


class Victim:
    """`start` and `kill` in turn; what it prints goes to `log`, which is read when something is wrong."""

    def __init__(self, data: Path, database_url: str, *, plant: str = "none", workers: int = 1) -> None:
        self.port, self.workers = free_port(), workers
        self.words = ["serve", "--data", str(data), "--port", str(self.port), "--workers", str(workers)]
        self.environment = clean_environment(DATABASE_URL=database_url, OPENBLAS_NUM_THREADS="1")
        self.log = data / "server.log"
        self.leader = 0
        self.cold: subprocess.Popen[bytes] | None = None
        with self.log.open("ab") as log:
            self.launcher = subprocess.Popen([sys.executable, "-m", "tests.kills.launcher", plant, *self.words], cwd=ROOT, text=True,
                                             stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, env=self.environment)  # fmt: skip
        self._told()

    def _told(self) -> str:
        assert self.launcher.stdout is not None
        line = self.launcher.stdout.readline()
        if not line:
            raise AssertionError(f"the launcher ended:\n{self.log.read_text()[-3000:]}")
        return line

    def start(self, *, cold: bool = False) -> None:
        if cold:
            with self.log.open("ab") as log:
                self.cold = subprocess.Popen([sys.executable, "-m", "app", *self.words], cwd=ROOT, stdout=log, stderr=log,
                                             env=self.environment, start_new_session=True)  # fmt: skip
            self.leader = self.cold.pid
        else:
            assert self.launcher.stdin is not None
            self.launcher.stdin.write("start\n")
            self.launcher.stdin.flush()
            self.leader = int(self._told())
        self.wait_until_it_answers()

    def wait_until_it_answers(self) -> None:
        until = time.monotonic() + LONGEST_START_S
        while time.monotonic() < until:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=5):
                return
            if self.leader and not Path(f"/proc/{self.leader}").exists():
                break
            time.sleep(0.01)
        raise AssertionError(f"the server did not start:\n{self.log.read_text()[-3000:]}")

    @property
    def alive(self) -> bool:
        return bool(self.leader) and Path(f"/proc/{self.leader}").exists()

    def kill(self) -> None:
        """SIGKILL for the whole group, at once: no handler runs, nothing is flushed."""
        os.killpg(self.leader, signal.SIGKILL)
        if self.cold is not None:
            self.cold.wait()
            self.cold = None
        while Path(f"/proc/{self.leader}").exists():
            time.sleep(0.002)

    def kill_one_worker(self, random: Random) -> bool:
        """SIGKILL for one of several workers; its supervisor starts another. False where none is there just now."""
        found = []
        with suppress(OSError):
            for child in Path(f"/proc/{self.leader}/task/{self.leader}/children").read_text().split():
                if "spawn_main" in Path(f"/proc/{child}/cmdline").read_text():
                    found.append(int(child))
        if not found:
            return False
        with suppress(ProcessLookupError):
            os.kill(random.choice(found), signal.SIGKILL)
        return True

    def close(self) -> None:
        if self.alive:
            self.kill()
        self.launcher.kill()
        self.launcher.communicate()
