"""A table of measurements with what is known of the programme -> a plan: each line's fate, and all that is wrong. No database."""

from typing import Any

from app.measurements import cells
from app.measurements.models import Kind
from app.measurements.names import NamedRows
from app.measurements.rules import (
    FLAG_COLUMNS,
    NEEDED,
    NO_PREFERENCE,
    OPTIONAL,
    Book,
    Plan,
    PlannedRow,
    RunFact,
    VariantFact,
    digest_of,
)
from app.people.rules import name_key
from app.tables import WHOLE, Row, Table, read_table

GOES_IN, LEFT_OUT = "goes in", "goes in, left out of every figure"
Found = tuple[dict[str, Any], int | None, tuple[int, ...]]  # columns of the row, session id, question ids


def plan_table(kind: Kind, text: str, flags: str, book: Book) -> Plan:
    """Read a table; wrong lines are in the plan's `errors`. Raises TableRefused only where no table can be seen."""
    table = read_table(text.encode())
    reading = Reading(kind, table, book)
    if flags.strip() and kind != Kind.LAPS:
        reading.errors.add(1, WHOLE, "", "has flags of laps beside it, and is no table of laps")
    elif flags.strip():
        reading.read_flags(flags)
    rows = [reading.plan_row(row) for row in table.rows] if not reading.errors else []
    reading.check_flags_used()
    reading.errors.lines.sort(key=lambda error: error.line)
    return Plan(kind, table.header, tuple(rows), reading.errors, digest_of(text, flags), reading.not_read)


class Reading(NamedRows):
    """One table being read as its kind says."""

    def __init__(self, kind: Kind, table: Table, book: Book) -> None:
        super().__init__(table, NEEDED[kind], book)
        self.kind = kind
        self.flags: dict[tuple[int, int], tuple[str, int]] = {}  # (run id, lap) -> (flag, line)
        known = {*NEEDED[kind], *OPTIONAL[kind]}
        self.not_read = tuple(name for name in table.header if name and name.casefold() not in known)
        if kind == Kind.EXPOSURES and not ("revision" in self.names or {"question", "variant"} <= set(self.names)):
            self.errors.add(table.header_line, "revision", "", "is missing, or question and variant in its place")

    def plan_row(self, row: Row) -> PlannedRow:
        before, told = self.errors.count, len(self.errors.lines)
        read = {Kind.LAPS: self._lap, Kind.PREFERENCES: self._preference, Kind.EXPOSURES: self._exposure,
                Kind.READINGS: self._reading}[self.kind]  # fmt: skip
        found = read(row)
        if self.errors.count > before or found is None:
            why = "; ".join(error.sentence for error in self.errors.lines[told:]) or "see the lines above"
            return PlannedRow(row.line, row.cells, why, wrong=True)
        values, session_id, questions = found
        fate = f"{LEFT_OUT}: {values['flag']}" if values.get("flag") else GOES_IN
        return PlannedRow(row.line, row.cells, fate, False, values, session_id, questions)

    def _lap(self, row: Row) -> Found | None:
        run = self.run(row)
        number = self.at(row, "lap", cells.read_lap_number)
        time_ms = self.at(row, "lap_time_s", cells.read_lap_time)
        clock_ms = self.at(row, "clock_s", cells.read_clock, None)
        flag = self.at(row, "flag", cells.read_flag)
        if run is None or number is None or time_ms is None or flag is None:
            return None
        self._check_on_car(row, run)
        self.once(row, "lap", (run.id, number), f"of {run.label} stands")
        if (run.id, number) in self.book.laps:
            self.wrong(row, "lap", f"of {run.label} is here already, from an earlier table")
        beside, _ = self.flags.get((run.id, number), ("", 0))
        if beside and flag and beside != flag:
            self.wrong(row, "flag", f"is “{beside}” in the table of flags")
        values = {"run_id": run.id, "number": number, "time_ms": time_ms, "clock_ms": clock_ms, "flag": flag or beside}
        return values, run.session_id, ()

    def _check_on_car(self, row: Row, run: RunFact) -> None:
        code = self.at(row, "variant", cells.read_words(24, required=False))
        carried = {fact.code for fact in self.book.variants.values() if fact.id in run.variants.values()}
        if code and name_key(code) not in {name_key(known) for known in carried}:
            there = ", ".join(sorted(carried)) or "no variant"
            self.wrong(row, "variant", f"was not on the car in {run.label}; {there} was")

    def _preference(self, row: Row) -> Found | None:
        question, session = self.question(row), self.session(row)
        initials = self.at(row, "driver", cells.read_words(80))
        driver = self.book.people.get(name_key(initials)) if initials else None
        if initials and driver is None:
            self.wrong(row, "driver", "is nobody's initials in this programme")
        first, second = self.variant(row, "first", question), self.variant(row, "second", question)
        word = self.raw(row, "preferred")
        preferred = None if name_key(word) in NO_PREFERENCE else self.variant(row, "preferred", question)
        if question is None or session is None or driver is None or first is None or second is None:
            return None
        if preferred is None and name_key(word) not in NO_PREFERENCE:
            return None
        if preferred is not None and preferred.id not in (first.id, second.id):
            self.wrong(row, "preferred", f"is neither {first.code} nor {second.code}; write one of them, or “none”")
        problem = preference_problem(self.book, question[0], session, driver, first, second)
        if problem:
            self.wrong(row, "second" if first.id == second.id else "driver", problem)
        pair = (session[0], driver, question[0], frozenset((first.id, second.id)))
        self.once(row, "driver", pair, f"on {first.code} and {second.code} stands")
        if pair in self.book.preferences:
            self.wrong(row, "driver", f"has said this of {first.code} and {second.code} already, in {session[1]}")
        values = {"session_id": session[0], "rater_id": driver, "question_id": question[0], "first_variant_id": first.id,
                  "second_variant_id": second.id, "preferred_variant_id": preferred.id if preferred else None}  # fmt: skip
        return values, session[0], (question[0],)

    def _exposure(self, row: Row) -> Found | None:
        session = self.session(row) if self.raw(row, "session") else None
        if self.raw(row, "session") and session is None:
            return None
        used = self._used(row)
        values = {"laps": self.at(row, "laps", cells.read_count, 0), "impacts": self.at(row, "impacts", cells.read_count, 0),
                  "minutes_hundredths": self.at(row, "minutes", cells.read_minutes, 0),
                  "failures": self.at(row, "failures", cells.read_count, 0),
                  "note": self.at(row, "note", cells.read_words(300, required=False))}  # fmt: skip
        if used is None or None in values.values():
            return None
        if not (values["laps"] or values["minutes_hundredths"] or values["impacts"]):
            said = "has failures and no use" if values["failures"] else "says nothing"
            self.wrong(row, "laps", f"{said}; give laps, minutes or impacts of more than 0")
        of, questions = used
        return {**of, **values, "session_id": session[0] if session else None}, session[0] if session else None, questions

    def _used(self, row: Row) -> tuple[dict[str, int | None], tuple[int, ...]] | None:
        """What was used: a revision, or a variant (its revision where it has exactly one)."""
        if self.raw(row, "revision"):
            revision = self.revision(row)
            if revision is None:
                return None
            return {"revision_id": revision.id, "variant_id": None}, self._asking(revision.id)
        question = self.question(row)
        variant = self.variant(row, "variant", question)
        if question is None or variant is None:
            if not self.raw(row, "variant"):
                self.wrong(row, "revision", "is empty; name a revision, or a question and its variant")
            return None
        if len(variant.revision_ids) == 1:
            return {"revision_id": variant.revision_ids[0], "variant_id": None}, self._asking(variant.revision_ids[0])
        return {"revision_id": None, "variant_id": variant.id}, (variant.question_id,)

    def _asking(self, revision_id: int) -> tuple[int, ...]:
        return tuple(sorted({fact.question_id for fact in self.book.variants.values() if revision_id in fact.revision_ids}))

    def _reading(self, row: Row) -> Found | None:
        revision = self.revision(row)
        mark = self.at(row, "piece", cells.read_words(12, required=False))
        lower, upper = self.at(row, "lower", cells.read_limit, None), self.at(row, "upper", cells.read_limit, None)
        if lower is not None and upper is not None and lower >= upper:
            self.wrong(row, "lower", f"must lie below the upper limit {upper:g}")
        values = {"characteristic": self.at(row, "characteristic", cells.read_words(60)),
                  "value": self.at(row, "value", cells.read_figure), "unit": self.at(row, "unit", cells.read_words(12, required=False)),
                  "lower": lower, "upper": upper,
                  "uncertainty": self.at(row, "uncertainty", cells.read_uncertainty, None)}  # fmt: skip
        if revision is None or mark is None:
            return None
        piece_id = None
        if mark:
            piece_id = self.book.pieces.get((revision.id, f"#{mark.removeprefix('#')}"))
            if piece_id is None:
                self.wrong(row, "piece", f"is no piece of {revision.label}; write it like #1")
        of = {"revision_id": revision.id, "piece_id": piece_id, "raw": self.raw(row, "value")[:40]}
        return {**of, **values}, None, self._asking(revision.id)

    # --- flags of laps in a table of their own
    def read_flags(self, text: str) -> None:
        """Keep them by run and lap; what is wrong in their table is said with `flags` before the column."""
        table = read_table(text.encode())
        beside = NamedRows(table, FLAG_COLUMNS, self.book)
        for row in table.rows if not beside.errors else ():
            run, number = beside.run(row), beside.at(row, "lap", cells.read_lap_number)
            flag = beside.at(row, "flag", cells.read_words(60))
            if run is None or number is None or not flag:
                continue
            beside.once(row, "lap", (run.id, number), f"of {run.label} is flagged")
            self.flags[run.id, number] = (flag, row.line)
        for error in beside.errors.lines:
            self.errors.add(error.line, f"flags: {error.column}", error.value, error.reason)

    def check_flags_used(self) -> None:
        """A flag of a lap that is not in the table would be lost in silence."""
        for (run_id, number), (_, line) in self.flags.items() if not self.errors else ():
            if (run_id, number) not in self.seen:
                self.errors.add(line, "flags: lap", str(number), "is flagged, and the table of laps has no such lap")


def preference_problem(book: Book, question_id: int, session: tuple[int, str], driver_id: int, first: VariantFact,
                       second: VariantFact) -> str:  # fmt: skip
    """Why this driver can't choose between the two; empty when they can."""
    if first.id == second.id:
        return "is the first one too; a preference is between two different variants"
    drove = book.drove(session[0], driver_id, question_id)
    missing = [variant.code for variant in (first, second) if variant.id not in drove]
    return f"did not drive {' and '.join(missing)} in {session[1]}; a preference needs both" if missing else ""
