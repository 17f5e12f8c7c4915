"""One folder, read and checked as a whole, and the evidence of any set of its sessions."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from app.assess.clocks import Clocks, read_clocks
from app.assess.keys import FILE
from app.assess.rows import Choice, Driven, Rated, Rows, rated_or_driven, read_rows
from app.assess.settings_file import Settings, read_settings
from app.assess.tables import FolderRefused, Line, naturally, shown, whole
from app.evidence.inputs import Evidence, Mark, Question
from app.evidence.refusals import EvidenceError
from app.evidence.rows import Lap, Preference

KINDS = ("marks", "laps", "preferences", "exposures")
Kinds = Mapping[str, list[tuple[Line, Any]]]
"""The rows of evidence by kind, each with the line it was read from."""


@dataclass(frozen=True, slots=True)
class Folder:
    """name : as given on the command line;  sessions : in natural order;  question : with the variants of all sessions

    pair : what a preference compares where its line names no pair
    """

    name: str
    settings: Settings
    question: Question
    rows: Rows
    clocks: Clocks
    sessions: tuple[str, ...]
    pair: tuple[str, str]

    def evidence(self, sessions: Sequence[str] | None = None) -> Evidence:
        """What was filed in these sessions (None = all). Exposure without a session counts in every set."""
        wanted = set(self.sessions if sessions is None else sessions)
        marks = [(r.line, self._mark(r)) for r in self.rows.ratings if self._used(r) and r.seat[1] in wanted]
        laps = [(r.line, self._lap(r)) for r in self.rows.laps if r.seat[1] in wanted]
        choices = [(r.line, self._preference(r)) for r in self.rows.preferences if r.session in wanted]
        uses = [(r.line, r.exposure) for r in self.rows.exposures if r.exposure.session in {None, *wanted}]
        kinds: Kinds = {"marks": marks, "laps": laps, "preferences": choices, "exposures": uses}
        try:
            return _built(self.question, kinds)
        except EvidenceError as wrong:
            raise _blamed(self.question, kinds, wrong) from wrong

    def not_used(self, sessions: Sequence[str]) -> dict[str, int]:
        """Marks of attributes that question.toml does not name, in these sessions."""
        counted = Counter(r.attribute for r in self.rows.ratings if not self._used(r) and r.seat[1] in sessions)
        return dict(sorted(counted.items()))

    def order_unknown(self, sessions: Sequence[str]) -> list[str]:
        """A sentence for each of these sessions whose runs have no known order."""
        return [self.clocks.unknown[name] for name in sessions if name in self.clocks.unknown]

    def _used(self, row: Rated) -> bool:
        return row.attribute in self.settings.scales

    def _mark(self, row: Rated) -> Mark:
        driver, session, run = row.seat
        return Mark(
            driver=driver, session=session, run=run, variant=row.variant, attribute=row.attribute, rating=row.rating,
            clock_min=self.clocks.minutes[row.seat], car=driver, order=whole(run),
            condition=self.rows.conditions.get(session), others=self.rows.parts.get(row.seat, ()),
        )  # fmt: skip

    def _lap(self, row: Driven) -> Lap:
        driver, session, run = row.seat
        return Lap(
            driver=driver, session=session, run=run, variant=row.variant, lap=row.lap, time_s=row.time_s,
            clock_s=row.clock_s, flag=row.flag,
            condition=self.rows.conditions.get(session), others=self.rows.parts.get(row.seat, ()),
        )  # fmt: skip

    def _preference(self, row: Choice) -> Preference:
        first, second = (row.first, row.second) if row.first else self.pair
        condition = self.rows.conditions.get(row.session)
        return Preference(row.driver, row.session, first, second, row.preferred, condition)


def read_folder(name: str) -> Folder:
    """Raises FolderRefused for whatever makes no sense anywhere in the folder."""
    path = _directory(name)
    settings = read_settings(path)
    rows = read_rows(path, settings)
    question = _question(settings, _variants(settings, rows))
    clocks = read_clocks(rows.ratings, rows.laps, settings.minutes_per_run)
    folder = Folder(name, settings, question, rows, clocks, naturally(rows.sessions), _pair(question, rows))
    folder.evidence()  # so that a fault in a late session refuses the folder before its first line is printed
    return folder


def _directory(name: str) -> Path:
    path = Path(name)
    try:
        if path.is_dir():
            return path
        told = "It is not a folder." if path.exists() else "There is no such folder."
    except (OSError, ValueError) as unreachable:  # a name too long, or with a null byte
        told = f"It can't be reached: {getattr(unreachable, 'strerror', None) or 'this is no name of a folder'}."
    raise FolderRefused(name, None, None, told)


def _variants(settings: Settings, rows: Rows) -> tuple[str, ...]:
    """Every variant in any table or in the fact's values, and the control. Refused: a control nowhere, no rival."""
    seen = {row.variant: row.line for row in reversed(rated_or_driven(rows.ratings, rows.laps))}
    seen |= {row.exposure.variant: row.line for row in rows.exposures if row.exposure.variant not in seen}
    for choice in rows.preferences:
        for variant in (choice.first, choice.second):
            if variant:
                seen.setdefault(variant, choice.line)
    open_pairs = [row for row in rows.preferences if not row.first]
    if open_pairs and not seen:  # nothing but preferences without pairs: they compare the control with the one rival
        seen = {row.preferred: row.line for row in open_pairs if row.preferred}
        if len(set(seen) | {settings.control}) == 2:
            seen.setdefault(settings.control, open_pairs[0].line)
    if settings.control not in seen:
        there = ", ".join(shown(variant) for variant in naturally(seen)[:6]) or "none"
        told = f"The control {shown(settings.control)} has no row in any table; variants there: {there}."
        raise settings.keys.refuse("control", told)
    fact = settings.rule.fact
    variants = naturally({*seen, *(fact.values if fact else ())})
    if len(variants) < 2:
        line = seen[settings.control]
        raise line.refuse("variant", f"{shown(variants[0])} is the only variant in all tables; there is nothing to compare.")
    return variants


def _pair(question: Question, rows: Rows) -> tuple[str, str]:
    """The pair of a preference that names none: the two variants there are, or the only two that were driven."""
    driven = {row.variant for row in rated_or_driven(rows.ratings, rows.laps)}
    there = [v for v in question.variants if v in driven] if len(driven) == 2 else question.variants
    left_open = [row for row in rows.preferences if not row.first]
    if left_open and len(there) > 2:
        told = f"With {len(there)} variants each preference needs its pair: the columns first and second are missing."
        raise FolderRefused(left_open[0].line.file, 1, "first", told)
    for row in left_open:
        if row.preferred not in (None, *there):
            told = f"{shown(str(row.preferred))} is neither {shown(there[0])} nor {shown(there[1])}; write one of them, or none."
            raise row.line.refuse("preferred", told)
    return there[0], there[1]


def _question(settings: Settings, variants: tuple[str, ...]) -> Question:
    try:
        return Question(settings.control, variants, settings.scales, settings.rule)
    except EvidenceError as wrong:
        key = wrong.field.removeprefix("rule.").split(".")[0]
        key = {"must": "musts", "rule": "goal", "variants": "control"}.get(key, key)
        raise settings.keys.refuse(key, wrong.reason) from wrong


def _built(question: Question, kinds: Kinds) -> Evidence:
    marks, laps, choices, uses = (tuple(row for _, row in kinds[name]) for name in KINDS)
    return Evidence(question, marks, laps=laps, preferences=choices, exposures=uses)


def _blamed(question: Question, kinds: Kinds, wrong: EvidenceError) -> FolderRefused:
    """The first line with which the evidence no longer makes sense, found by halving."""
    flat = [(name, line, row) for name, rows in kinds.items() for line, row in rows]

    def fails(n: int) -> bool:
        try:
            _built(question, {name: [(line, row) for kind, line, row in flat[:n] if kind == name] for name in kinds})
        except EvidenceError:
            return True
        return False

    if not fails(len(flat)) or fails(0):
        return FolderRefused(FILE, 1, wrong.field, wrong.reason)
    return _line_at(flat, _first(len(flat), fails), wrong)


def _line_at(flat: Sequence[tuple[str, Line, Any]], at: int, wrong: EvidenceError) -> FolderRefused:
    line = flat[at - 1][1]
    column = wrong.field.split(" ")[0].split(".")[-1]
    return line.refuse({"time_s": "lap_time_s", "preference": "preferred"}.get(column, column), wrong.reason)


def _first(n: int, fails: Callable[[int], bool]) -> int:
    """The smallest number of rows that fails, given that all n do and none does not."""
    low, high = 0, n
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fails(middle) else (middle, high)
    return high
