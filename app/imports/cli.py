"""`python -m app import-ratings FILE`: the import page's work at the command line, with no limit on the page's size."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from app.access.viewer import ProgrammeRef, Viewer
from app.db import Database, Db, transaction
from app.errors import Refused
from app.imports import commands, queries
from app.imports.forms import ImportForm
from app.imports.rules import Choices, Role, guess_columns
from app.people.models import Account, Membership
from app.programmes.models import Programme, ScaleKind
from app.programmes.queries import find_programme_by_name
from app.tables import MOST_BYTES, Table, TableRefused, read_table
from app.web.filters import listing, plural

Prepare = Callable[[argparse.Namespace], tuple[Any, Database]]
FLAGS = {Role.CLOCK: "--clock-min"}


def add_command(parsers: Any, prepare: Prepare) -> None:
    """Add `import-ratings`; `prepare` opens the installation."""
    parser = parsers.add_parser("import-ratings", help="bring in a plain table of ratings, whole or not at all")
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="CSV or tab-separated, one mark a row, with a header line"
    )
    parser.add_argument(
        "--data", type=Path, default=Path("data/own"), metavar="DIR", help="data folder (default data/own)"
    )
    parser.add_argument("--programme", required=True, metavar="NAME", help="an existing programme, or a new one's name")
    parser.add_argument("--question", required=True, metavar="TITLE", help="the question that the table answers")
    parser.add_argument(
        "--control", required=True, metavar="VARIANT", help="the variant that stands for what you have now"
    )
    parser.add_argument("--as", dest="login", metavar="LOGIN", help="whose import it is (default: the first who may)")
    for role in Role:
        flag = FLAGS.get(role, f"--{role.value}")
        parser.add_argument(
            flag, dest=f"column_{role.value}", metavar="COLUMN", help=f"column with the {role.value} (default: by name)"
        )
    parser.add_argument("--attribute-name", default="", metavar="NAME", help="what was rated, when no column says so")
    parser.add_argument("--goal", default="", metavar="NAME", help="the attribute that decides (default: the first)")
    parser.add_argument("--lowest", default="1", metavar="MARK", help="scale of attributes new there (default 1)")
    parser.add_argument("--highest", default="10", metavar="MARK", help="(default 10)")
    parser.add_argument("--step", default="0.5", metavar="STEP", help="(default 0.5)")
    parser.add_argument("--kind", choices=[kind.value for kind in ScaleKind], default=ScaleKind.QUALITY.value)
    parser.add_argument(
        "--worthwhile", default="", metavar="POINTS", help="smallest gain worth having (default: the scale's)"
    )
    parser.add_argument("--minutes-per-run", default="12", metavar="MINUTES", help="where run numbers tell the order")
    parser.add_argument("--dry-run", action="store_true", help="check everything, write nothing")
    parser.set_defaults(run=lambda arguments: import_ratings(arguments, prepare), host="127.0.0.1", port=8000)


def import_ratings(arguments: argparse.Namespace, prepare: Prepare) -> int:
    """0 when imported (or imported before), 2 with every error on a line of its own."""
    try:
        table = read_table(_content(arguments.file))
        choices = _choices(arguments, table)
        _, database = prepare(arguments)
        try:
            with database.session() as db:
                return _run(db, arguments, table, choices)
        finally:
            database.dispose()
    except TableRefused as refused:
        for error in refused.errors.lines:
            print(f"{arguments.file}:{error.line}: {error.sentence}", file=sys.stderr)
        if refused.errors.more:
            print(f"{arguments.file}: and {refused.errors.more} more", file=sys.stderr)
        print(f"{refused.title}. Nothing was imported.", file=sys.stderr)
    except Refused as refused:
        print(refused.sentence, file=sys.stderr)
    return 2


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except OSError as unreadable:
        raise Refused(f"{path} can't be read", unreadable.strerror or "") from unreadable


def _choices(arguments: argparse.Namespace, table: Table) -> Choices:
    """The same form as the page's reads what was typed, so that both refuse the same things in the same words."""
    columns = guess_columns(table.header)
    typed = {role.value: getattr(arguments, f"column_{role.value}") for role in Role}
    given = {role: name for role, name in typed.items() if name is not None}
    columns = {role: name for role, name in columns.items() if name not in given.values()} | given
    if arguments.attribute_name and Role.ATTRIBUTE not in given:
        columns.pop(Role.ATTRIBUTE, None)
    form = ImportForm()
    form.fields["programme_name"].required = True
    form.fill(title=arguments.question, programme_name=arguments.programme, attribute_name=arguments.attribute_name,
              goal=arguments.goal, kind=arguments.kind, lowest=arguments.lowest, highest=arguments.highest,
              step=arguments.step, worthwhile=arguments.worthwhile,
              minutes_per_run=arguments.minutes_per_run)  # fmt: skip
    choices = form.read_choices(columns, arguments.control)
    arguments.programme = form.values["programme_name"]
    return choices


def _run(db: Db, arguments: argparse.Namespace, table: Table, choices: Choices) -> int:
    programme = find_programme_by_name(db, arguments.programme)
    account, member = queries.find_importer(db, programme.id if programme else None, arguments.login)
    viewer = _viewer(account, member, programme)
    if programme is not None and (earlier := queries.find_import(db, programme.id, table.digest)):
        print(f"This file was imported on {earlier.at:%Y-%m-%d} as {earlier.label}. Nothing was added.")
        return 0
    if arguments.dry_run:
        checked = queries.check_import(db, programme.id if programme else None, table, choices, arguments.programme)
        print(_summary(checked))
        print("Nothing was written: this was a dry run.")
        return 0
    with transaction(db):
        name = arguments.file.name
        if programme is None:
            into = arguments.programme
            made = commands.import_into_new_programme(db, table, choices, by=viewer, name=into, file_name=name)
        else:
            made = commands.import_ratings(db, table, choices, by=viewer, file_name=name)
    if made.checked is not None:
        print(_summary(made.checked))
    print(f"Imported into {arguments.programme} as {made.label}.")
    return 0


def _viewer(account: Account, member: Membership | None, programme: Programme | None) -> Viewer:
    place = ProgrammeRef(programme.id, programme.name, programme.time_zone, programme.state) if programme else None
    initials, hats = (member.initials, member.hats) if member else ("", frozenset())
    return Viewer(account.id, account.name, initials, hats, place, starts_programmes=account.starts_programmes)


def _summary(checked: queries.Checked) -> str:
    plan = checked.plan
    known = sum(session.order_known for session in plan.sessions)
    lines = [
        f"{plural(plan.marks, 'mark')} in {plural(len(plan.runs), 'run')} of {plural(len(plan.sessions), 'session')}; "
        f"the order of runs is known in {known}",
        f"drivers: {len(checked.present)} found, {len(checked.new_drivers)} new, without sign-in",
        f"control {plan.control}, against {listing(plan.variants[1:])}",
    ]
    for name, scale in plan.scales.items():
        where = "as in the programme" if name in plan.known_attributes else "new"
        lines.append(f"attribute {name}: {scale.words} ({where})")
    return "\n".join(lines)
