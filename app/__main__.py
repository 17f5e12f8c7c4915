"""The commands: serve, demo, assess, import-ratings, export, import-archive, reset-password, backup, restore, campaign."""

import argparse
import os
import sys
from pathlib import Path


def main(words: list[str] | None = None) -> int:
    words = sys.argv[1:] if words is None else words
    arguments = _parser(light=words[:1] == ["assess"]).parse_args(words)
    return arguments.run(arguments)


def _parser(*, light: bool = False) -> argparse.ArgumentParser:
    """All commands; `light` leaves out those that load the database and the pages, most of a second to start."""
    parser = argparse.ArgumentParser(prog="python -m app", description="Proveout: from open questions to signed rulings.")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    serve = commands.add_parser("serve", help="start an installation; an empty one prints a one-time link")
    _address(serve)
    serve.set_defaults(run=_serve)
    demo = commands.add_parser("demo", help="start with a believable programme of an invented team")
    _address(demo, data="data/demo")
    demo.add_argument("--prepare-only", action="store_true", help="make the demo data, print the sign-ins and stop")
    demo.set_defaults(run=_demo)
    from app.assess.cli import add_command as add_assess

    add_assess(commands)
    if light:
        return parser
    from app.archive.cli import add_commands as add_archive_commands
    from app.backup.cli import add_commands as add_backup_commands
    from app.imports.cli import add_command as add_import_ratings
    from app.trials.cli import add_command as add_campaign

    add_import_ratings(commands, _prepare)
    add_archive_commands(commands, _prepare)
    add_backup_commands(commands)
    add_campaign(commands)
    return parser


def _address(parser: argparse.ArgumentParser, data: str = "data/own") -> None:
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default 127.0.0.1)")
    parser.add_argument("--port", type=int, default=8000, help="port to listen on (default 8000)")
    parser.add_argument("--data", type=Path, default=Path(data), metavar="DIR", help=f"data folder (default {data})")
    parser.add_argument("--workers", type=int, default=1, help="processes; more than one needs PostgreSQL")


def _prepare(arguments: argparse.Namespace):
    """The settings of this installation, with its database migrated and checked."""
    from app.db import Database
    from app.migrate import upgrade
    from app.settings import settings_for

    arguments.data.mkdir(parents=True, exist_ok=True)
    settings = settings_for(arguments.data.resolve(), host=arguments.host, port=arguments.port)
    upgrade(settings.database_url)
    database = Database(settings.database_url)
    database.check_durable()
    return settings, database


def _serve(arguments: argparse.Namespace) -> int:
    from app.db import transaction
    from app.people.commands import invite_first_manager
    from app.people.queries import count_accounts

    if arguments.workers > 1 and not os.environ.get("DATABASE_URL", "").startswith("postgres"):
        print("Several workers need PostgreSQL: set DATABASE_URL, or leave --workers at 1.", file=sys.stderr)
        return 2
    settings, database = _prepare(arguments)
    with database.session() as db:
        empty = count_accounts(db) == 0
        if empty:
            with transaction(db):
                token = invite_first_manager(db)
            print(f"This installation is empty. The first manager's one-time link:\n  {settings.base_url}/join/{token}")
    database.dispose()
    return _listen(settings, arguments)


def _demo(arguments: argparse.Namespace) -> int:
    from app.demo import SIGN_INS, make_demo

    made = False
    finished = arguments.data / "proveout.sqlite3"
    if not os.environ.get("DATABASE_URL") and not finished.exists():
        made = _make_beside(arguments, finished)  # so that a half-made demo is never taken for a whole one
    settings, database = _prepare(arguments)
    made = make_demo(database, settings) or made
    database.dispose()
    print("The demo programme is ready." if made else "The demo programme was here already.")
    print(f"Open {settings.base_url} and sign in as one of (password in brackets):")
    for login, password, who in SIGN_INS:
        print(f"  {login:<4} ({password})  {who}")
    return 0 if arguments.prepare_only else _listen(settings, arguments)


def _make_beside(arguments: argparse.Namespace, finished: Path) -> bool:
    """Make the demo in a file of another name, then give it its own."""
    from dataclasses import replace

    from app.db import Database
    from app.demo import make_demo
    from app.migrate import upgrade
    from app.settings import settings_for

    arguments.data.mkdir(parents=True, exist_ok=True)
    making = finished.with_suffix(".making")
    for leftover in arguments.data.glob(making.name + "*"):
        leftover.unlink()
    print("Making the demo programme, about half a minute ...", flush=True)
    settings = settings_for(arguments.data.resolve(), host=arguments.host, port=arguments.port)
    settings = replace(settings, database_url=f"sqlite:///{making.resolve()}")
    upgrade(settings.database_url)
    database = Database(settings.database_url)
    made = make_demo(database, settings)
    database.dispose()  # the last connection folds the write-ahead log into the file
    making.rename(finished)
    return made


def _listen(settings, arguments: argparse.Namespace) -> int:
    import uvicorn

    os.environ["PROVEOUT_DATA"] = str(settings.data_dir)
    os.environ["PROVEOUT_LISTEN"] = f"{arguments.host}:{arguments.port}"
    print(f"Listening on {settings.base_url}  (stop with Ctrl-C)", flush=True)
    uvicorn.run("app.server:build", factory=True, host=arguments.host, port=arguments.port, workers=arguments.workers,
                log_level="warning", access_log=False, server_header=False, date_header=True)  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
