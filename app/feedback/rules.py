"""Facts about slips: on the scale or not, prompt or late, counted or not and why."""

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, NamedTuple

from app.errors import Conflict, Refused
from app.feedback.models import NotCounted
from app.programmes.models import Attribute, ScaleKind
from app.sessions.models import Run, RunState

PROMPT = timedelta(minutes=30)  # common practice, no source
LATE = timedelta(hours=24)
CLOCK_SLACK = timedelta(minutes=5)
LONGEST_REMARK = 4000
ENDS_WITH_A_MOVE = (NotCounted.WRONG_RUN, NotCounted.WRONG_PERSON)  # cured when the slip goes to its own run
PAIRING_ONLY = (NotCounted.NO_CLOSING_CONTROL, NotCounted.DRIFT)  # spoil the bracket, not the mark


LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ"  # 23, a prime: no I, O or Q, which are read as 1 and 0
CARD = re.compile(r"(?:S-?(\d{1,4})\s*/\s*)?R?-?(\d{1,4})[\s-]*([A-Z])?", re.IGNORECASE | re.ASCII)


def card_letter(session_number: int, run_number: int) -> str:
    """The letter on a run's paper card: it differs for runs less than 23 apart, and for sessions less than 23 apart."""
    return LETTERS[(5 * session_number + run_number) % len(LETTERS)]


def check_card(typed: str, run: Run, *, field: str = "paper_card") -> None:
    """Refuse a printed card's number with a wrong letter, of another run, or without its letter. Other words are an own card."""
    found = CARD.fullmatch(typed.strip())
    if found is None:
        return
    session, number, letter = found.groups()
    if letter is None:
        raise Refused(f"Card {typed} has no check letter", "A printed card has one behind its number; it shows that the run was read right",
                      "Type it too, such as R-12 K. A card of your own has none: write “own 14”.", field=field)  # fmt: skip
    right = card_letter(run.session.number, run.number)
    if int(number) != run.number or (session and int(session) != run.session.number):
        raise Refused(f"Card {typed} is not the card of {run.session.label}/{run.label}", "",
                      "Open the slip of the run that stands on the card.", field=field)  # fmt: skip
    if letter.upper() != right:
        raise Refused(f"Card {typed} has the letter of another session or run",
                      f"The card of {run.session.label}/{run.label} ends in {right}",
                      "Look at the card again: is it of this session?", field=field)  # fmt: skip


class Timeliness(StrEnum):
    PROMPT = "prompt"
    LATE = "late"
    VERY_LATE = "very late"
    UNKNOWN = "run end unknown"


def timeliness(run_ended_at: datetime | None, captured_at: datetime) -> Timeliness:
    """Prompt up to 30 min after the run's end, late up to 24 h, very late beyond."""
    if run_ended_at is None:
        return Timeliness.UNKNOWN
    waited = captured_at - run_ended_at
    if waited <= PROMPT:
        return Timeliness.PROMPT
    return Timeliness.LATE if waited <= LATE else Timeliness.VERY_LATE


def check_marks(marks: Mapping[int, int | None], attributes: Sequence[Attribute]) -> None:
    """Refuse a mark off its scale or for an attribute not known here; None is *could not judge*."""
    known = {attribute.id: attribute for attribute in attributes}
    if not marks:
        raise Refused("Nothing is marked", "Mark at least one attribute, or choose could not judge")
    for attribute_id, value in marks.items():
        attribute = known.get(attribute_id)
        if attribute is None:
            raise Refused("One of the marks is for an attribute that is not of this programme")
        if value is not None and not on_scale(value, attribute):
            raise Refused(
                f"{value / 100:g} is not a mark for {attribute.name}",
                f"The scale runs from {attribute.lowest_hundredths / 100:g} to {attribute.highest_hundredths / 100:g} "
                f"in steps of {attribute.step_hundredths / 100:g}",
                field=f"mark_{attribute_id}",
            )


def on_scale(hundredths: int, attribute: Attribute) -> bool:
    inside = attribute.lowest_hundredths <= hundredths <= attribute.highest_hundredths
    return inside and (hundredths - attribute.lowest_hundredths) % attribute.step_hundredths == 0


def scale_steps(attribute: Attribute) -> list[int]:
    return list(range(attribute.lowest_hundredths, attribute.highest_hundredths + 1, attribute.step_hundredths))


class ScaleShown(NamedTuple):
    """A rating attribute as the slip's row of buttons needs it."""

    id: int
    title: str
    kind: str
    steps: list[tuple[str, str]]
    anchors: dict[str, str]


def shown_scale(attribute: Attribute) -> ScaleShown:
    words = {f"{float(mark) * 100:.0f}": word for mark, word in (attribute.anchors or {}).items()}
    signed = attribute.kind == ScaleKind.IDEAL_ZERO
    steps = [(str(step), _label(step, signed)) for step in scale_steps(attribute)]
    return ScaleShown(attribute.id, attribute.name, attribute.kind, steps, words)


def _label(hundredths: int, signed: bool) -> str:
    text = f"{hundredths / 100:+g}" if signed and hundredths else f"{hundredths / 100:g}"
    return text.replace("-", "−")


def content_hash(run_id: int, rater_id: int, marks: Mapping[int, int | None], *, confidence: str, heard_others: bool,
                 remark: str) -> str:  # fmt: skip
    """SHA-256 over what was said; the same content sent again has the same hash."""
    lines = [f"{attribute}={'-' if value is None else value}" for attribute, value in sorted(marks.items())]
    text = "\n".join([str(run_id), str(rater_id), confidence, str(bool(heard_others)), remark, *lines])
    return hashlib.sha256(text.encode()).hexdigest()


class Answers(NamedTuple):
    """What one rater says of one run. marks: attribute id -> hundredths of a point, None = could not judge."""

    marks: Mapping[int, int | None]
    confidence: str = ""
    heard_others: bool = False
    remark: str = ""

    def hash(self, run_id: int, rater_id: int) -> str:
        return content_hash(run_id, rater_id, self.marks, confidence=self.confidence, heard_others=self.heard_others,
                                  remark=self.remark)  # fmt: skip


def check_can_rate(run: Run, *, late: bool = False) -> None:
    """`late`: a driver's slip that waited on the phone; the run's start and end may still be under way."""
    if run.state == RunState.VOID:
        raise Conflict(f"{run.label} is void", "It was no run, so there is nothing to rate")
    if run.state in (RunState.PLANNED, RunState.NOT_DRIVEN) and not late:
        raise Conflict(f"{run.label} has not been driven", "", "Pick the run you drove, or have it started and ended first.")


def check_capture(captured_at: datetime, run: Run, received_at: datetime, *, field: str = "captured_at") -> None:
    """Refuse a slip from the future, or one older than its run; the conductor can mend a run's wrong times."""
    if captured_at > received_at + CLOCK_SLACK:
        raise Refused("The slip would be from the future", "", "Check the time on the card.", field=field)
    if run.started_at is not None and captured_at < run.started_at - CLOCK_SLACK:
        raise Refused(f"The slip would be older than {run.label} itself", "",
                      "Check the run and the time; if the run's start is wrong, ask the conductor to correct it.",
                      field=field)  # fmt: skip


def changes_a_value(before: Mapping[int, int | None], after: Mapping[int, int | None]) -> bool:
    """Is a mark another one, or gone? A remark or a confidence may change; the response, once the key is open, may not."""
    return dict(before) != dict(after)


def moves_freely(run: Run, other: Run) -> bool:
    """May a rater move their slip between these runs alone? Not when a key is open: then the conductor confirms it."""
    return not (run.key_opened or other.key_opened)


class Note(NamedTuple):
    """A counting note as rules need it: for one slip, or (slip_id None) for its whole run; `id` orders them."""

    id: int
    run_id: int
    slip_id: int | None
    counts: bool
    reason: str
    text: str


class Counting(NamedTuple):
    """Whether a slip counts, and why not. `after_all` is the conductor's sentence where it counts all the same."""

    reasons: tuple[str, ...]
    after_all: str = ""

    @property
    def counts(self) -> bool:
        return not self.reasons


def counting(slip_id: int, run_id: int, derived: Iterable[str], notes: Sequence[Note]) -> Counting:
    """Reason by reason the latest word holds: a note on the slip before one on its run, a note before what follows by itself."""
    reasons, after_all = {str(reason): None for reason in derived}, ""
    holding: dict[str, Note] = {}
    for note in sorted(notes, key=lambda note: (note.slip_id is not None, note.id)):
        of_slip = note.slip_id == slip_id and (note.run_id == run_id or note.reason not in ENDS_WITH_A_MOVE)
        if of_slip or (note.slip_id is None and note.run_id == run_id):
            holding[note.reason] = note
    for note in sorted(holding.values(), key=lambda note: note.id):
        if note.counts:
            reasons.pop(note.reason, None)
            after_all = f"{note.reason}: {note.text}"
        else:
            reasons[note.reason] = None
    return Counting(tuple(reasons), "" if reasons else after_all)


def derived_reasons(run: Any, captured_at: datetime | None) -> list[str]:
    """What follows by itself from the run and the time of capture (None: of the run alone). `run` has state and ended_at."""
    reasons: list[str] = []
    if run.state == RunState.SHORT:
        reasons.append(NotCounted.TOO_FEW_LAPS)
    if run.state == RunState.VOID:
        reasons.append(NotCounted.TEST_ENTRY)
    if captured_at is not None and timeliness(run.ended_at, captured_at) == Timeliness.VERY_LATE:
        reasons.append(NotCounted.VERY_LATE)
    return reasons
