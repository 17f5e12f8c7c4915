"""`python -m app backup` and `restore`."""

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from app.backup import commands
from app.errors import Refused
from app.settings import settings_for
from app.web.filters import plural

ONE = {"programmes": "programme", "runs": "run", "slips": "slip", "concerns": "concern", "photos": "photo", "rulings": "ruling"}


def add_commands(parsers: Any) -> None:
    backup = parsers.add_parser("backup", help="copy a whole installation to one file, while people work")
    backup.add_argument("file", type=Path, metavar="FILE", help="a file that is not there yet")
    restore = parsers.add_parser("restore", help="bring such a file back into an installation that is empty")
    restore.add_argument("file", type=Path, metavar="FILE")
    for parser, command in ((backup, _backup), (restore, _restore)):
        parser.add_argument("--data", type=Path, default=Path("data/own"), metavar="DIR", help="data folder (default data/own)")
        parser.set_defaults(run=_answering(command))


def _answering(command: Callable[[argparse.Namespace, str], None]) -> Callable[[argparse.Namespace], int]:
    def run(arguments: argparse.Namespace) -> int:
        try:
            command(arguments, settings_for(arguments.data.resolve()).database_url)
        except Refused as refused:
            print(refused.sentence, file=sys.stderr)
            return 2
        except OSError as unreachable:
            print(f"{unreachable.filename or arguments.file}: {unreachable.strerror}.", file=sys.stderr)
            return 2
        return 0

    return run


def _backup(arguments: argparse.Namespace, database_url: str) -> None:
    made = commands.make_backup(database_url, arguments.file)
    print(f"Wrote {arguments.file}: {_words(made.held)}; {made.size / 1e6:.1f} MB, SHA-256 {made.sha256}.")
    print("It holds everything: password hashes, photos and the keys of blind blocks. Keep it as you keep the installation.")


def _restore(arguments: argparse.Namespace, database_url: str) -> None:
    held = commands.restore_backup(arguments.file, database_url)
    where = "the database of DATABASE_URL" if os.environ.get("DATABASE_URL") else arguments.data
    print(f"Brought back {arguments.file} into {where}: {_words(held)}.")


def _words(held: commands.Held) -> str:
    return ", ".join(plural(n, ONE[name]) for name, n in held.counts.items()) + f", schema {held.schema}"
