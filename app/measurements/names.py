"""The rows of one table with the names in them found in the programme. No database."""

from collections.abc import Callable, Sequence
from typing import Any

from app.measurements import cells
from app.measurements.rules import DRIVEN, Book, RevisionFact, RunFact, VariantFact, numbered
from app.people.rules import name_key
from app.sessions.models import RunState
from app.tables import Cells, Errors, Row, Table


class NamedRows:
    """Reads cells by our name of their column; what can't be found is added to `errors` with its line and column."""

    def __init__(self, table: Table, needed: Sequence[str], book: Book) -> None:
        self.table, self.book = table, book
        self.errors = Errors()
        self.names = {name.casefold(): name for name in table.header if name}
        self.seen: dict[Any, int] = {}
        self._readers: dict[str, Cells] = {}
        for name in needed:
            if name not in self.names:
                listed = ", ".join(name for name in table.header if name)
                self.errors.add(table.header_line, name, "", f"is missing; the table has: {listed}")

    def at(self, row: Row, name: str, read: Callable[[str, int], Any], absent: Any = "") -> Any:
        if name not in self._readers:
            self._readers[name] = Cells(self.table, self.names.get(name, ""), read, self.errors, absent)
        return self._readers[name].at(row)

    def raw(self, row: Row, name: str) -> str:
        return row.cells[self.table.header.index(self.names[name])] if name in self.names else ""

    def wrong(self, row: Row, name: str, reason: str) -> None:
        self.errors.add(row.line, self.names.get(name, name), self.raw(row, name), reason)

    def once(self, row: Row, name: str, what: Any, words: str) -> None:
        if what in self.seen:
            self.wrong(row, name, f"{words} in line {self.seen[what]} too")
        self.seen.setdefault(what, row.line)

    def session(self, row: Row) -> tuple[int, str] | None:
        name = self.at(row, "session", cells.read_words(60))
        if name is None:
            return None
        found = self.book.sessions.get(name_key(name)) or self.book.sessions.get(numbered(name, "s"), [])
        if len(found) != 1:
            what = "is the name of several sessions" if found else "is no session of this programme"
            self.wrong(row, "session", f"{what}; write it like S-03")
            return None
        return found[0]

    def run(self, row: Row) -> RunFact | None:
        """A run that was driven, by the driver whom the row may name."""
        session, name = self.session(row), self.at(row, "run", cells.read_words(60))
        driver = self.at(row, "driver", cells.read_words(80, required=False))
        if session is None or name is None or driver is None:
            return None
        at = self.book.runs
        found = at.get((session[0], name_key(name))) or at.get((session[0], numbered(name, "r")), [])
        his = [run for run in found if not driver or name_key(run.driver) == name_key(driver)]
        if not found:
            self.wrong(row, "run", f"is no run of {session[1]}; write it like R-07")
        elif not his:
            who = ", ".join(sorted({run.driver for run in found}))
            self.wrong(row, "driver", f"did not drive {session[1]}/{found[0].label}; {who} did")
        elif len(his) > 1:
            self.wrong(row, "run", f"is the name of several runs of {session[1]}; write it like R-07")
        elif his[0].state not in DRIVEN:
            what = "is void: it was no run" if his[0].state == RunState.VOID else "has not been driven"
            self.wrong(row, "run", f"{what}, so it has no laps")
        else:
            return his[0]
        return None

    def question(self, row: Row) -> tuple[int, str] | None:
        name = self.at(row, "question", cells.read_words(120))
        if name is None:
            return None
        found = self.book.questions.get(name_key(name)) or self.book.questions.get(numbered(name, "q"), [])
        if len(found) != 1:
            self.wrong(row, "question", "is no question of this programme; write it like Q-01")
            return None
        return found[0]

    def variant(self, row: Row, name: str, question: tuple[int, str] | None) -> VariantFact | None:
        code = self.at(row, name, cells.read_words(24))
        if not code or question is None:
            return None
        found = self.book.variants.get((question[0], name_key(code)))
        if found is None:
            self.wrong(row, name, f"is no variant of {question[1]}")
        return found

    def revision(self, row: Row) -> RevisionFact | None:
        """FST-t45 r2 in one cell, or FST in the column part and t45 r2 here; an alias where it is that of one revision."""
        name = self.at(row, "revision", cells.read_words(60))
        part = self.at(row, "part", cells.read_words(24, required=False))
        if not name or part is None:
            return None
        candidates = self.book.revisions.get(name_key(f"{part}-{name}"), []) if part else []
        candidates = candidates or self.book.revisions.get(name_key(name), [])
        found = [fact for fact in candidates if not part or name_key(fact.part) == name_key(part)]
        if len(found) == 1:
            return found[0]
        if candidates and not found:
            self.wrong(row, "part", f"is not the part of {candidates[0].label}")
        else:
            self.wrong(row, "revision", "is no revision of this programme; write it like FST-t45 r2")
        return None
