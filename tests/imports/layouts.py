"""Ratings files of every layout that a team may write, with the marks that are in them; and files that somebody spoiled.

All figures are drawn by Hypothesis. What a file means is known from how it was written, never from reading it.
"""

from dataclasses import dataclass

from hypothesis import strategies as st

from app.imports.plan import Plan, make_plan
from app.imports.rules import Choices, Role, guess_columns
from app.tables import TableRefused, read_table
from tests.imports.tables import TEN

PEOPLE = ["AQ", "Marit Sandvoll", "Jörg", "Nadia Østby", "7", "O'Dell", "Łucja"]
DAYS = ["S1", "cold hall", "2", "Tuesday, late", "Überlingen"]
VARIANTS = ["t40", "t45", "5.5 mm", "ny-lon", "Größe 2"]
CRITERIA = ["steering", "rear grip", "Sprünge"]
REMARKS = ["", "washes out", "2 laps; then fine", 'said "never again"', "½ turn more", "ok, with toe"]
NOT_JUDGED = ["", "n/a", "could not judge", "-"]
USUAL = {Role.DRIVER: "Driver", Role.SESSION: "Test day", Role.RUN: "Run", Role.VARIANT: "Version", Role.RATING: "Mark",
         Role.ATTRIBUTE: "Criterion", Role.CLOCK: "Minute", Role.PLACE: "Venue", Role.CAR: "Chassis", Role.REMARK: "Comment",
         Role.CONFIDENCE: "Sure"}  # fmt: skip
Key = tuple[str, str, str]  # session, driver, run


@dataclass
class Rated:
    """What one driver gave in one run; `marks` in hundredths of a point."""

    variant: str
    marks: dict[str, int | None]
    remark: str = ""
    confidence: str = ""
    car: str = ""
    clock_min: float | None = None


@dataclass
class Written:
    """A file as bytes, the choices that fit it, and what a reader must find in it."""

    content: bytes
    choices: Choices
    runs: dict[Key, Rated]
    usual_names: bool


def mark_word(hundredths: int, decimal: str, tail: bool) -> str:
    whole, rest = divmod(hundredths, 100)
    return f"{whole}{decimal}{rest // 10}" if rest or tail else str(whole)


def cell(word: str, delimiter: str, always: bool) -> str:
    quoted = always or delimiter in word or '"' in word
    return '"' + word.replace('"', '""') + '"' if quoted else word


@st.composite
def rated_runs(draw: st.DrawFn) -> dict[Key, Rated]:
    """Two or more variants, each driver with runs of her own; the optional fields are there for all or for none."""
    variants = draw(st.lists(st.sampled_from(VARIANTS), min_size=2, max_size=3, unique=True))
    criteria = draw(st.lists(st.sampled_from(CRITERIA), min_size=1, max_size=2, unique=True))
    clocked, shape = draw(st.booleans()), draw(st.sampled_from(["shared", "own", "named"]))
    marks = st.none() | st.integers(2, 20).map(lambda half: half * 50)
    runs: dict[Key, Rated] = {}
    for day in draw(st.lists(st.sampled_from(DAYS), min_size=1, max_size=2, unique=True)):
        count = 0
        for person in draw(st.lists(st.sampled_from(PEOPLE), min_size=1, max_size=3, unique=True)):
            for number in range(1, draw(st.integers(1, 3)) + 1):
                count += 1
                name = {"shared": str(count), "own": str(number), "named": f"R-{count}"}[shape]
                rated = Rated(draw(st.sampled_from(variants)), {one: draw(marks) for one in criteria})
                rated.remark, rated.confidence = draw(st.sampled_from(REMARKS)), draw(st.sampled_from(["", "sure", "fairly", "guess"]))
                rated.car, rated.clock_min = draw(st.sampled_from(["", "car 1"])), 12.5 * count if clocked else None
                runs[day, person, name] = rated
    listed = list(runs.values())
    listed[0].variant, listed[-1].variant = variants[0], variants[1]
    if len(listed) == 1:
        runs["S9", "AQ", "9"] = Rated(variants[0], dict.fromkeys(criteria, 500), clock_min=12.5 if clocked else None)
    return runs


@st.composite
def written(draw: st.DrawFn) -> Written:
    runs = draw(rated_runs())
    delimiter, decimal = draw(st.sampled_from([",", ";", "\t"])), draw(st.sampled_from([".", ","]))
    first = next(iter(runs.values()))
    long = len(first.marks) > 1 or draw(st.booleans())
    roles = [Role.DRIVER, Role.SESSION, Role.RUN, Role.VARIANT, Role.RATING, *([Role.ATTRIBUTE] if long else []),
             *([Role.CLOCK] if first.clock_min is not None else [])]  # fmt: skip
    roles += draw(st.lists(st.sampled_from([Role.REMARK, Role.CONFIDENCE, Role.CAR]), unique=True))
    for rated in runs.values():  # what has no column is in no file
        rated.remark = rated.remark if Role.REMARK in roles else ""
        rated.confidence = rated.confidence if Role.CONFIDENCE in roles else ""
        rated.car = rated.car if Role.CAR in roles else ""
    usual, extra = draw(st.booleans()), draw(st.booleans())
    columns: list[Role | None] = draw(st.permutations([*roles, *([None] if extra else [])]))
    names = {role: USUAL[role] if usual else f"c{at}" for at, role in enumerate(roles)}
    always, tail = draw(st.booleans()), draw(st.booleans())
    lines = [[names[role] if role else "not read" for role in columns]]
    for key, rated in runs.items():
        for one, mark in rated.marks.items():
            word = draw(st.sampled_from(NOT_JUDGED)) if mark is None else mark_word(mark, decimal, tail)
            lines.append(_line(columns, key, rated, one, decimal, word))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    text = end.join(delimiter.join(cell(word, delimiter, always) for word in line) for line in lines)
    text += draw(st.sampled_from(["", end, end + end]))
    content = text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])))
    named = "" if long else next(iter(first.marks))
    choices = Choices({str(role): name for role, name in names.items()}, "Which one?", first.variant, TEN, attribute_name=named)
    return Written(content, choices, runs, usual)


def _line(columns: list[Role | None], key: Key, rated: Rated, criterion: str, decimal: str, mark: str) -> list[str]:
    day, person, run = key
    clock = "" if rated.clock_min is None else f"{rated.clock_min:g}".replace(".", decimal)
    words = {Role.DRIVER: person, Role.SESSION: day, Role.RUN: run, Role.VARIANT: rated.variant, Role.RATING: mark,
             Role.ATTRIBUTE: criterion,
             Role.CLOCK: clock, Role.REMARK: rated.remark, Role.CONFIDENCE: rated.confidence, Role.CAR: rated.car}  # fmt: skip
    return ["x" if role is None else words[role] for role in columns]


WRITTEN = written()


def planned(plan: Plan) -> dict[Key, Rated]:
    """A plan in the form in which a file's content is known."""
    return {(day.name, run.driver, run.name): Rated(run.variant, run.marks, run.remark, run.confidence, run.car, run.clock_min)
            for day in plan.sessions for run in day.runs.values()}  # fmt: skip


def check_round_trip(given: Written) -> Plan:
    """Every mark comes back, under its driver, session, run and variant; the usual names are seen without being told."""
    table = read_table(given.content)
    if given.usual_names:
        assert guess_columns(table.header) == given.choices.columns
    plan = make_plan(table, given.choices, {})
    found = planned(plan)
    for key, rated in given.runs.items():
        rated.car = rated.car or "imported"
        if rated.clock_min is None and key in found:
            found[key].clock_min = None  # the reader spaces numbered runs out by itself
    assert found == given.runs
    return plan


@st.composite
def spoiled(draw: st.DrawFn) -> tuple[bytes, Choices]:
    """A good file with a few bytes changed, put in or taken out, or lines twice; and the choices that fitted it."""
    good = draw(WRITTEN)
    content = bytearray(good.content)
    for _ in range(draw(st.integers(1, 6))):
        place = draw(st.integers(0, max(len(content) - 1, 0)))
        way = draw(st.sampled_from(["put", "take", "swap", "twice"]))
        sign = draw(st.sampled_from([*'",;.:- \t\n0x9', "\x00", "é", "\u202e", "о", "11", "n/a", "\ufeff", "é".encode("latin-1")]))
        sign = sign.encode() if isinstance(sign, str) else sign
        if way == "put":
            content[place:place] = sign
        elif way == "take":
            del content[place : place + 1]
        elif way == "swap":
            content[place : place + 1] = sign
        else:
            content += b"\n" + content[: place + 1]
    return bytes(content), good.choices


TEXTS = st.text(max_size=200) | st.text(alphabet='driver,sessionunvatg0123456789.;\n"', max_size=200)
ANYTHING = st.tuples(st.binary(max_size=200) | TEXTS.map(str.encode), WRITTEN.map(lambda good: good.choices))


def lines_of(content: bytes) -> int:
    """Line ends in the file, by the widest count: every one that any reader may see."""
    text = content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8", "replace")
    return text.replace("\r\n", "\n").replace("\r", "\n").count("\n") + 1


def check_refusal(refused: TableRefused, content: bytes) -> None:
    """Each line of a refusal names a line of the file, a column, and a reason with words."""
    told = refused.errors.lines
    assert told
    for error in told:
        assert 1 <= error.line <= lines_of(content), error
        assert error.column.strip(), error
        assert len(error.reason) > 10, error
