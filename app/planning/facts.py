"""From the programme's rows to a `Day`: builds, pieces, what is lacking, what was driven before. No database."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from app.errors import Refused
from app.planning.day import (
    Before,
    Build,
    Chance,
    Day,
    Driver,
    Hours,
    Lack,
    LeftOut,
    OpenQuestion,
    Pack,
    Piece,
    TyreSet,
    Variant,
)

if TYPE_CHECKING:  # types only: evidence loads with the first plan, not with the app
    from app.evidence.design_rows import DesignRow

USABLE = ("on hand", "on car")


class RevisionRow(NamedTuple):
    """One revision of one variant of an open question; revision fields are empty for a variant without a part."""

    question_id: int
    question: str
    title: str
    decide_by: date | None
    variant_id: int
    variant: str
    is_control: bool
    revision: str = ""
    step: int = 0
    part: str = ""
    change_min: float | None = None
    whole_car: bool = False


class DrivenRow(NamedTuple):
    """One variant on the car of one run; question fields are empty for a run without a build."""

    session_id: int
    session: str
    run_id: int
    number: int
    state: str
    driver: str
    car: str
    started_at: datetime | None
    ended_at: datetime | None
    tyre_set: str
    tyre_runs: int | None
    question: str = ""
    variant: str = ""
    is_control: bool = False
    pack: str = ""


class Known(NamedTuple):
    """What the last look says of one question, for a plan. sessions: until it is settled, of each rival with a forecast."""

    verdicts: Mapping[str, str]
    chances: tuple[Chance, ...] = ()
    sessions: tuple[int | None, ...] = ()


class PieceRow(NamedTuple):
    id: int
    label: str
    revision: str
    part: str
    state: str


class KitRow(NamedTuple):
    kind: str
    name: str
    most_runs: int | None
    charging_min: float | None


class Asked(NamedTuple):
    """What the session's sheet says: who, what and how long. Names and labels, not ids."""

    hours: Hours
    run_min: float
    turnround_min: float
    cars: tuple[str, ...]
    drivers: tuple[Driver, ...]
    questions: tuple[str, ...]
    blind: tuple[str, ...] = ()
    fit_only: tuple[str, ...] = ()
    brackets: int = 1


@dataclass(frozen=True, slots=True)
class Made:
    """A day with what the page and the commands need beside it.

    left_out : rivals that can't or needn't be driven;  notes : what narrows the day
    driven : past runs by question, for the design check;  variant_ids : (question, variant) -> id
    """

    day: Day
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    driven: Mapping[str, Sequence[DesignRow]]
    variant_ids: Mapping[tuple[str, str], int]
    question_ids: Mapping[str, int]
    piece_ids: Mapping[str, int]
    whole_cars: frozenset[tuple[str, str]] = field(default_factory=frozenset)


def make_day(asked: Asked, revisions: Sequence[RevisionRow], pieces: Sequence[PieceRow], kit: Sequence[KitRow],
             driven: Sequence[DrivenRow], known: Mapping[int, Known], *, session_id: int) -> Made:  # fmt: skip
    """The day of one session; runs of the session itself are left to the re-plan."""
    rows = [r for r in revisions if r.question in asked.questions]
    tracked, usable = {p.part for p in pieces}, [p for p in pieces if p.state in USABLE]
    levels = _levels(rows, {p.revision for p in usable})
    left_out, notes = [], []
    base, scarce = _base(rows, levels, usable, tracked, len(asked.cars))
    notes += [f"Fewer pieces of {level} are on hand than cars: {label}'s part is on a car only while {label} is driven."
              for label, level in scarce]  # fmt: skip
    questions = []
    for label in dict.fromkeys(r.question for r in rows):
        own = [r for r in rows if r.question == label]
        found, refused = _question(own, asked, levels, base, usable, tracked, known.get(own[0].question_id))
        left_out += refused
        if found is not None:
            questions.append(found)
    parts = {part for q in questions for v in (q.control, *q.rivals) for part, _ in v.build}
    past = [row for row in driven if row.session_id != session_id]
    return Made(
        Day(
            asked.hours, asked.cars, asked.drivers, tuple(questions), asked.run_min, asked.turnround_min,
            {r.part: r.change_min for r in revisions if r.part and r.change_min},
            _tyres(kit, driven), tuple(Pack(k.name, k.charging_min or 0.0) for k in kit if k.kind == "pack"),
            tuple(Piece(p.label, p.part, p.revision) for p in usable if p.part in parts), _before(past),
        ),
        tuple(left_out), tuple(notes), _design_rows(past), {(r.question, r.variant): r.variant_id for r in rows},
        {r.question: r.question_id for r in rows}, {p.label: p.id for p in usable},
        frozenset((r.question, r.variant) for r in rows if not r.part),
    )  # fmt: skip


def _levels(rows: Sequence[RevisionRow], usable: set[str]) -> dict[tuple[str, str], Build]:
    """What is on the car for each variant: of every part its newest step with a usable piece, else its newest."""
    found: dict[tuple[str, str], dict[str, tuple[tuple[bool, int], str]]] = {}
    for r in rows:
        own = found.setdefault((r.question, r.variant), {})
        part, level = (r.part, r.revision) if r.part else (r.question, r.variant)
        key = (level in usable, r.step)
        if part not in own or key > own[part][0]:
            own[part] = (key, level)
    return {key: tuple(sorted((part, level) for part, (_, level) in own.items())) for key, own in found.items()}


def _base(rows: Sequence[RevisionRow], levels: Mapping[tuple[str, str], Build], usable: Sequence[PieceRow], tracked: set[str], cars: int
          ) -> tuple[dict[str, str], list[tuple[str, str]]]:  # fmt: skip
    """Every question's control on every car, but for parts with fewer pieces than cars: (base, [(question, level)])."""
    base: dict[str, str] = {}
    scarce = []
    for r in rows:
        if not r.is_control:
            continue
        for part, level in levels[r.question, r.variant]:
            on_hand = sum(p.revision == level for p in usable)
            if part not in tracked or on_hand >= cars:
                base.setdefault(part, level)
            elif on_hand and (r.question, level) not in scarce:
                scarce.append((r.question, level))
    return base, scarce


def _question(own: Sequence[RevisionRow], asked: Asked, levels: Mapping[tuple[str, str], Build], base: Mapping[str, str],
              usable: Sequence[PieceRow], tracked: set[str], known: Known | None) -> tuple[OpenQuestion | None, list[LeftOut]]:  # fmt: skip
    label = own[0].question
    codes = dict.fromkeys(r.variant for r in own)
    control = next((r.variant for r in own if r.is_control), None)
    verdicts = known.verdicts if known else {}
    if control is None:
        return None, [LeftOut(label, "", "", "It has no control yet.")]
    lacking = {code: _lacking(levels[label, code], usable, tracked) for code in codes}
    if lacking[control]:
        return None, [LeftOut(label, control, "", f"No usable piece of {lacking[control]}, its control, is on hand.")]
    rivals, refused = [], []
    for code in codes:
        if code == control:
            continue
        if lacking[code]:
            refused.append(LeftOut(label, code, "", f"No usable piece of {lacking[code]} is on hand."))
        elif verdicts.get(code, "retest") != "retest":
            refused.append(LeftOut(label, code, "", f"Its verdict is {verdicts[code]}: it waits for a ruling, not for runs."))
        else:
            rivals.append(Variant(code, _with(base, levels[label, code])))
    if not rivals:
        return None, refused
    lacks = tuple(Lack(d.name, v.code, asked.brackets) for v in rivals for d in asked.drivers)
    first = own[0]
    return OpenQuestion(label, Variant(control, _with(base, levels[label, control])), tuple(rivals), lacks, first.decide_by,
                        label in asked.blind, label in asked.fit_only, known.chances if known else ()), refused  # fmt: skip


def _lacking(build: Build, usable: Sequence[PieceRow], tracked: set[str]) -> str:
    return next((level for part, level in build if part in tracked and all(p.revision != level for p in usable)), "")


def _with(base: Mapping[str, str], build: Build) -> Build:
    return tuple(sorted({**base, **dict(build)}.items()))


def _tyres(kit: Sequence[KitRow], driven: Sequence[DrivenRow]) -> tuple[TyreSet, ...]:
    """Sets with their runs so far: as noted with a run, or counted where nobody noted."""
    runs: dict[int, DrivenRow] = {row.run_id: row for row in driven if row.state in ("driven", "short", "driving")}
    used: dict[str, int] = {}
    for row in sorted(runs.values(), key=lambda r: r.run_id):
        if row.tyre_set:
            name = row.tyre_set.casefold()
            used[name] = max(used.get(name, 0), row.tyre_runs or 0) + 1
    return tuple(TyreSet(k.name, used.get(k.name.casefold(), 0), k.most_runs or 99) for k in kit if k.kind == "tyre set")


def _outings(driven: Sequence[DrivenRow]) -> dict[int, list[DrivenRow]]:
    """Run id -> its rows, of runs that were driven whole, in the order driven."""
    found: dict[int, list[DrivenRow]] = {}
    for row in sorted(driven, key=lambda r: (r.session_id, r.started_at is None, r.started_at or 0, r.number)):
        if row.state == "driven":
            found.setdefault(row.run_id, []).append(row)
    return found


def _before(past: Sequence[DrivenRow]) -> tuple[Before, ...]:
    orders: dict[tuple[str, str], list[str]] = {}
    for rows in _outings(past).values():
        tests = [f"{r.question} {r.variant}" for r in rows if r.question and not r.is_control]
        orders.setdefault((rows[0].driver, rows[0].session), []).extend(tests)
    return tuple(Before(driver, session, tuple(tests)) for (driver, session), tests in orders.items() if tests)


def _design_rows(past: Sequence[DrivenRow]) -> dict[str, list[DesignRow]]:
    from app.evidence.design_rows import DesignRow

    first: dict[int, datetime] = {}
    found: dict[str, list[DesignRow]] = {}
    for rows in _outings(past).values():
        head = rows[0]
        if head.started_at is not None:
            first.setdefault(head.session_id, head.started_at)
        clock = (head.started_at - first[head.session_id]).total_seconds() / 60 if head.started_at else None
        for r in rows:
            if r.question:
                others = tuple((o.question, o.variant) for o in rows if o.question not in ("", r.question))
                found.setdefault(r.question, []).append(DesignRow(r.driver, r.session, str(r.run_id), r.variant, clock, others))
    return found


LIMIT = re.compile(r"^(rest (?P<rest>\d{1,3})|most (?P<most>\d{1,2})|cars (?P<cars>.+))$", re.I)
EXAMPLE = "Write such as: DH: rest 10; most 6; cars car 1, car 2"


def read_limits(text: str, drivers: Sequence[str], cars: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Lines such as 'DH: rest 10; most 6; cars car 1, car 2' -> values of `Driver` by initials; refuses what it can't read."""
    found: dict[str, dict[str, Any]] = {}
    for line in filter(None, (line.strip() for line in text.splitlines())):
        name, colon, rest = line.partition(":")
        who = next((d for d in drivers if d.casefold() == name.strip().casefold()), None)
        if not colon or who is None:
            raise Refused(f"“{line[:60]}”: no driver of this session stands before a colon", EXAMPLE, field="limits")
        for wish in filter(None, (w.strip() for w in rest.split(";"))):
            match = LIMIT.match(wish)
            if match is None:
                raise Refused(f"“{wish[:60]}” is not a limit of {who}", EXAMPLE, field="limits")
            found.setdefault(who, {}).update(_limit(match, who, cars))
    return found


def _limit(match: re.Match[str], who: str, cars: Sequence[str]) -> dict[str, Any]:
    if match["rest"]:
        return {"rest_min": float(match["rest"])}
    if match["most"]:
        return {"most_runs": int(match["most"])}
    named = [name.strip() for name in match["cars"].split(",")]
    known = {car.casefold(): car for car in cars}
    wrong = [name for name in named if name.casefold() not in known]
    if wrong:
        raise Refused(f"“{wrong[0][:40]}” is not a car of this session, for {who}", f"Cars: {', '.join(cars)}", field="limits")
    return {"cars": tuple(known[name.casefold()] for name in named)}
