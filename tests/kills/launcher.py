"""python -m tests.kills.launcher PLANT serve ...: `python -m app serve ...` in a fresh process for each line on stdin.

Importing the app once and forking makes a start cheap; each child is the app's own command in a process of its own,
leader of its group, and is answered by its id. PLANT is "none" or the name of a planted fault.
"""

import os
import signal
import sys
import traceback

import app.main
import app.migrate
import app.server  # noqa: F401
from app import __main__ as command
from tests.kills.planted import PLANTS


def main(plant: str, words: list[str]) -> None:
    import alembic.command  # noqa: F401
    import uvicorn  # noqa: F401

    if plant != "none":
        PLANTS[plant].put_in()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    print("ready", flush=True)
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            _serve(words)
        print(child, flush=True)


def _serve(words: list[str]) -> None:
    """Never returns."""
    code = 1
    try:
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        os.setsid()
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(2, 1)
        code = command.main(words)
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
