"""`python -m app assess FOLDER...`: the command, its output line by line, and its exit status."""

import argparse
import json
import os
import sys
from typing import Any, TextIO

from app.assess.answer import Answer, answers
from app.assess.printing import printed

EPILOG = """Each FOLDER holds question.toml and tables in CSV: ratings.csv, laps.csv, lap_flags.csv, preferences.csv,
sessions.csv, exposure.csv, parts.csv. Folders are judged apart; nothing is learned from one for another.
Exit status 2 when a folder was refused, else 0."""


def add_command(parsers: Any) -> None:
    """Add `assess`; it needs no installation and no database."""
    parser = parsers.add_parser(
        "assess", help="judge plain tables in folders: adopt, reject or retest, without a database", epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("folders", nargs="+", metavar="FOLDER", help="a folder with question.toml and its tables")
    parser.add_argument("--json", action="store_true", help="one JSON object a line instead of text")
    parser.add_argument("--after-each-session", action="store_true", help="judge each prefix of sessions by itself")
    parser.add_argument("--outlook", action="store_true", help="add what a next test session is expected to settle")
    parser.set_defaults(run=assess)


def assess(arguments: argparse.Namespace) -> int:
    """0, or 2 when any folder was refused. The others are judged all the same, in the order given."""
    status = 0
    out = _utf8(sys.stdout)
    try:
        for name in arguments.folders:
            for answer in answers(name, after_each_session=arguments.after_each_session, outlook=arguments.outlook):
                status = 2 if "error" in answer else status
                print(_line(answer) if arguments.json else printed(answer), file=out, flush=True)
    except BrokenPipeError:  # whoever read our lines has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return status


def _line(answer: Answer) -> str:
    return json.dumps(answer, ensure_ascii=False, allow_nan=False)


def _utf8(stream: TextIO) -> TextIO:
    """Output is UTF-8 wherever we run; bytes of a file's name that are no text are written as escapes."""
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    return stream
