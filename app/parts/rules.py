"""Facts about parts, revisions and pieces: marks that can't be mistaken, states that follow each other, labels."""

import hashlib
import re
import unicodedata
from collections.abc import Sequence
from typing import BinaryIO, NamedTuple

from app.errors import Conflict, Refused
from app.parts.models import Part, PieceState, Revision, RevisionState
from app.people.rules import check_one_script, name_key

SHORTEST_REASON = 10
MOST_PIECES_AT_ONCE = 50
CARBON_CAUTION = (
    "Dust of carbon plate and composites is harmful and conducts electricity.",
    "Wet cut, or extract at the source; wear a mask and cover the eyes.",
    "No dry sanding in the pit or near chargers. Seal the edges; mind splinters.",
    "Exposure limits are national: local codes, hall rules and the supplier's data sheet come first.",
)

NEXT_STATES: dict[str, tuple[RevisionState, ...]] = {
    RevisionState.DRAFT: (RevisionState.ISSUED, RevisionState.WITHDRAWN),
    RevisionState.ISSUED: (
        RevisionState.IN_TEST,
        RevisionState.CANDIDATE,
        RevisionState.SUPERSEDED,
        RevisionState.WITHDRAWN,
    ),
    RevisionState.IN_TEST: (RevisionState.CANDIDATE, RevisionState.SUPERSEDED, RevisionState.WITHDRAWN),
    RevisionState.CANDIDATE: (RevisionState.IN_TEST, RevisionState.SUPERSEDED, RevisionState.WITHDRAWN),
    RevisionState.FROZEN: (),
    RevisionState.SUPERSEDED: (RevisionState.IN_TEST,),
    RevisionState.WITHDRAWN: (RevisionState.ISSUED,),
}
FORWARD = (RevisionState.DRAFT, RevisionState.ISSUED, RevisionState.IN_TEST, RevisionState.CANDIDATE)
STARTING_STATES = (RevisionState.ISSUED, RevisionState.DRAFT)

USABLE_PIECES = (PieceState.ON_HAND, PieceState.ON_CAR)
GONE_PIECES = (PieceState.SCRAPPED, PieceState.LOST)
STATES_TO_CHOOSE = tuple(state for state in PieceState if state is not PieceState.MODIFIED)


class Drawing(NamedTuple):
    """What is kept of an uploaded drawing or CAD file: its name, SHA-256 and size in bytes; not the file."""

    name: str
    digest: str
    size_bytes: int


class Facts(NamedTuple):
    """What is known of a revision besides its identity. mass_g: grams; unit_cost: in the team's currency, each."""

    mass_g: float | None = None
    unit_cost: float | None = None
    lead_time_days: int | None = None
    change_note: str = ""


def read_drawing(name: str, file: BinaryIO) -> Drawing:
    """Digest and size of an uploaded file, read in pieces so that a large one does not fill the memory."""
    file.seek(0)
    digest, size = hashlib.sha256(), 0
    while block := file.read(1 << 20):
        digest.update(block)
        size += len(block)
    return Drawing(name, digest.hexdigest(), size)


def revision_label(code: str, line: str, step: int) -> str:
    """FST-t45 r2."""
    return f"{code}-{line} r{step}"


def mark_key(text: str, *, field: str, longest: int, extra: str) -> str:
    """The key of a mark (code, number, line), under which look-alike spellings meet.

    A mark is written on parts with a pen, so it takes plain Latin letters, figures and the signs in `extra`.
    Raises Refused when it holds anything else or nothing readable.
    """
    for character in text:
        base = unicodedata.normalize("NFD", character)[0]
        if not (base.isascii() and base.isalnum()) and character not in extra:
            allowed = " ".join("space" if sign == " " else sign for sign in extra)
            raise Refused(
                f"“{text}” holds “{character}”, which can't be told from others on a marked part",
                f"A mark takes Latin letters, figures and {allowed}",
                "Type it again in these.",
                field=field,
            )
    key = name_key(text)
    if not key or not any(character.isalnum() for character in key):
        raise Refused(f"“{text}” holds no letter or figure", "", "Type a mark such as FST.", field=field)
    if len(key) > longest:
        raise Refused(f"“{text}” is too long for a mark", "", "Shorten it.", field=field)
    return key


def seen_key(key: str) -> str:
    """How a mark reads at arm's length: O and 0, I, l and 1 are one sign."""
    return re.sub(r"[il|]", "1", key.replace("o", "0"))


def check_code_apart(other: Part, code: str, code_key: str) -> None:
    if seen_key(other.code_key) == seen_key(code_key):
        raise Conflict(f"The code “{code}” reads like that of {other.code}, {other.title}", "",
                       "Open that part, or choose another code.", field="code")  # fmt: skip


def check_number_apart(other: Part, number: str) -> None:
    if seen_key(name_key(other.number)) == seen_key(name_key(number)):
        raise Conflict(f"The number “{number}” reads like that of {other.code}: {other.number}", "",
                       "Open that part, or choose another number.", field="number")  # fmt: skip


def place_in_line(present: Sequence[Revision], line: str, line_key: str) -> tuple[str, int]:
    """How the line is spelled and its next step, among the part's revisions; refuses one that reads like another."""
    own = [revision for revision in present if revision.line_key == line_key]
    for other in present:
        if other.line_key != line_key and seen_key(other.line_key) == seen_key(line_key):
            raise Conflict(f"The line “{line}” reads like {other.line}, which this part has", "",
                           f"Type {other.line}, or choose another mark.", field="line")  # fmt: skip
    return (own[0].line if own else line), max((revision.step for revision in own), default=0) + 1


def check_change_note(label: str, step: int, change_note: str) -> None:
    if step > 1 and not name_key(change_note):
        raise Refused(f"{label} needs a change note", f"r{step - 1} stands before it", "Say what is different from it.",
                      field="change_note")  # fmt: skip


def check_title(title: str) -> None:
    check_visible(title, field="title", label="Title")
    check_one_script(title, field="title")


def check_alias(alias: str) -> None:
    if alias:
        check_visible(alias, field="alias", label="Alias")
        check_one_script(alias, field="alias")


def check_visible(text: str, *, field: str, label: str) -> None:
    """Refuse a name of which nothing can be seen, such as one of zero-width spaces."""
    if not name_key(text):
        raise Refused(f"{label}: nothing readable was typed", "", "Type it in letters.", field=field)


def check_reason(text: str, *, field: str, what: str) -> None:
    """A reason that someone can read a year later: at least ten characters."""
    if len(name_key(text)) < SHORTEST_REASON:
        raise Refused(f"{what} needs a reason of at least {SHORTEST_REASON} characters; this has {len(name_key(text))}",
                      "It is read a year later", "Say it in a sentence.", field=field)  # fmt: skip


def state_needs_reason(before: str, after: str) -> bool:
    """A step back, an end or a revival is explained; the ordinary way forward is not."""
    if before in FORWARD and after in FORWARD:
        return FORWARD.index(RevisionState(after)) < FORWARD.index(RevisionState(before))
    return True


def check_piece_count(count: int) -> None:
    if not 1 <= count <= MOST_PIECES_AT_ONCE:
        raise Refused(f"{count} pieces at once can't be added", f"1 to {MOST_PIECES_AT_ONCE} can",
                      "Type another number.", field="count")  # fmt: skip


def next_piece_marks(marks: list[str], count: int) -> list[str]:
    """The next `count` marks after those present: #1, #2, ...; sub-marks (#2m) don't count."""
    numbers = [int(found.group(1)) for mark in marks if (found := re.match(r"#(\d+)", mark))]
    first = max(numbers, default=0) + 1
    return [f"#{number}" for number in range(first, first + count)]


def modified_mark(mark: str, marks: list[str]) -> str:
    """The sub-mark of a piece modified by hand: #2 -> #2m, and #2m -> #2m2, #2m3, ..."""
    stem = f"{mark.partition('m')[0]}m"
    if stem not in marks:
        return stem
    again = [int(found.group(1)) for other in marks if (found := re.fullmatch(re.escape(stem) + r"(\d+)", other))]
    return f"{stem}{max(again, default=1) + 1}"
