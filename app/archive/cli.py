"""`python -m app export`, `import-archive` and `reset-password`."""

import argparse
import getpass
import os
import secrets
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from app.archive import commands, queries
from app.archive.format import LEFT_OUT, Manifest
from app.db import Database, transaction
from app.errors import Refused
from app.people.passwords import Hasher
from app.people.queries import count_accounts
from app.web.filters import plural

Prepare = Callable[[argparse.Namespace], tuple[Any, Database]]


def add_commands(parsers: Any, prepare: Prepare) -> None:
    """Add the three commands; `prepare` opens the installation."""
    export = parsers.add_parser("export", help="write everything in an installation to one zip of plain tables")
    export.add_argument("file", type=Path, metavar="FILE.zip", help="a file that is not there yet")
    importing = parsers.add_parser("import-archive", help="bring such a zip into an empty installation")
    importing.add_argument("file", type=Path, metavar="FILE.zip")
    reset = parsers.add_parser(
        "reset-password", help="give an account a new password, asked for or read from the input"
    )
    reset.add_argument("login", metavar="LOGIN")
    reset.add_argument("--generate", action="store_true", help="make one and print it")
    for parser, command in ((export, export_archive), (importing, import_archive), (reset, reset_password)):
        parser.add_argument(
            "--data", type=Path, default=Path("data/own"), metavar="DIR", help="data folder (default data/own)"
        )
        parser.set_defaults(run=_answering(command, prepare), host="127.0.0.1", port=8000)


def _answering(command: Callable[..., int], prepare: Prepare) -> Callable[[argparse.Namespace], int]:
    def run(arguments: argparse.Namespace) -> int:
        try:
            return command(arguments, prepare)
        except Refused as refused:
            print(refused.sentence, file=sys.stderr)
        except OSError as unreachable:
            print(f"{unreachable.filename or arguments.file}: {unreachable.strerror}.", file=sys.stderr)
        return 2

    return run


def export_archive(arguments: argparse.Namespace, prepare: Prepare) -> int:
    _check_there(arguments.data)
    if arguments.file.exists():
        raise Refused(f"{arguments.file} is there already", "", "Name another file, or move it away.")
    _, database = prepare(arguments)
    unfinished = arguments.file.with_name(arguments.file.name + ".part")
    try:
        with database.session() as db, unfinished.open("wb") as target:
            if count_accounts(db) == 0:
                raise Refused("This installation is empty", "There is nothing to export")
            manifest = queries.write_archive(db, target)
        os.replace(unfinished, arguments.file)
    finally:
        unfinished.unlink(missing_ok=True)
        database.dispose()
    print(f"Wrote {arguments.file}: {_counted(manifest)}.")
    print(f"Left out: {', '.join(LEFT_OUT)}. They are secrets, or of no use elsewhere.")
    return 0


def _check_there(data: Path) -> None:
    """An export must not make an empty installation by a mistyped folder."""
    if not os.environ.get("DATABASE_URL") and not (data / "proveout.sqlite3").exists():
        raise Refused(f"There is no installation in {data}", "", "Name its data folder with --data.")


def import_archive(arguments: argparse.Namespace, prepare: Prepare) -> int:
    with arguments.file.open("rb") as source:
        _, database = prepare(arguments)
        try:
            with database.session() as db, transaction(db):
                manifest = commands.import_archive(db, source)
                managers = queries.list_founders(db)
        finally:
            database.dispose()
    print(f"Imported {arguments.file}: {_counted(manifest)}, exported {manifest.exported_at}.")
    print("An archive holds no passwords. Each person needs a new one; begin with:")
    for login in managers:
        print(f"  python -m app reset-password {shlex.quote(login)} --data {shlex.quote(str(arguments.data))}")
    return 0


def _counted(manifest: Manifest) -> str:
    return f"{plural(sum(table.rows for table in manifest.tables), 'row')} in {plural(len(manifest.tables), 'table')}"


def reset_password(arguments: argparse.Namespace, prepare: Prepare) -> int:
    _check_there(arguments.data)
    settings, database = prepare(arguments)
    try:
        password = secrets.token_urlsafe(12) if arguments.generate else _asked()
        hasher = Hasher(time_cost=settings.argon2_time, memory_kib=settings.argon2_memory_kib)
        with database.session() as db, transaction(db):
            name = commands.reset_password(db, hasher, arguments.login, password).name
    finally:
        database.dispose()
    print(f"{name} has a new password, and every sign-in of that account was ended.")
    if arguments.generate:
        print(f"The password: {password}")
    return 0


def _asked() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    password = getpass.getpass("New password: ")
    if getpass.getpass("Once more: ") != password:
        raise Refused("The two passwords differ")
    return password
