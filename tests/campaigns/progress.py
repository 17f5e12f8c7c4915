"""A campaign that may stop at any moment: one line of JSON for each piece of work done, read again by the next start."""

import json
from pathlib import Path
from typing import Any


def noted(progress: Path, heading: dict[str, Any]) -> list[dict[str, Any]]:
    """What an earlier start of the same heading did; a torn last line is dropped. Raises SystemExit for another heading."""
    if not progress.exists():
        progress.write_text(json.dumps(heading) + "\n")
        return []
    whole = [line for line in progress.read_text().splitlines(keepends=True) if line.endswith("\n")]
    if not whole or json.loads(whole[0]) != heading:
        raise SystemExit(f"{progress} is of another seed or size; remove it or name another file.")
    progress.write_text("".join(whole))
    return [json.loads(line) for line in whole[1:]]


def note(progress: Path, row: dict[str, Any]) -> None:
    with progress.open("a") as lines:
        lines.write(json.dumps(row) + "\n")
