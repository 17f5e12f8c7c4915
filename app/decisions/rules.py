"""Facts about rulings: when one needs its own sentence, and whether its evidence has moved."""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date

from app.decisions.models import Decision, Form, RulingState
from app.errors import Conflict, Refused

LEAST_SENTENCE = 10


def agrees(verdict: str, decision: str, form: str) -> bool:
    """Does the ruling say what the verdict says? A *setting* verdict is followed by adopting as a setting."""
    if verdict == "setting":
        return decision == Decision.ADOPT and form == Form.SETTING
    return verdict == decision and not (decision == Decision.ADOPT and form == Form.SETTING)


def check_ruling(*, verdict: str, decision: str, form: str, grounds: str, missing: str, missing_by: date | None,
                 against_verdict_why: str, today: date | None = None) -> None:  # fmt: skip
    """Refuse a ruling that could not be defended a year later, at the field where it can be mended."""
    if len(grounds.strip()) < LEAST_SENTENCE:
        raise Refused("The grounds are too short", f"At least {LEAST_SENTENCE} characters: they are read a year later", field="grounds")
    if decision == Decision.RETEST and not missing.strip():
        raise Refused("A retest names what is missing", "Such as a second session on warm turf", field="missing")
    if decision == Decision.RETEST and missing_by is None:
        raise Refused("A retest says by when", field="missing_by")
    if missing_by is not None and today is not None and missing_by < today:
        raise Refused(f"{missing_by:%-d %b %Y} is past", "A retest is due on a day to come", field="missing_by")
    if not agrees(verdict, decision, form) and len(against_verdict_why.strip()) < LEAST_SENTENCE:
        raise Refused(
            f"The verdict is {verdict}; this ruling says {decision}{' as a setting' if form == Form.SETTING else ''}",
            f"It needs its own sentence of at least {LEAST_SENTENCE} characters, printed with it", field="against_verdict_why",
        )  # fmt: skip


def check_can_sign(state: str, label: str) -> None:
    if state != RulingState.PROVISIONAL:
        raise Conflict(f"{label} is {state}", "Only a provisional ruling is signed")


def check_can_reopen(state: str, label: str) -> None:
    if state not in (RulingState.STANDING, RulingState.PROVISIONAL):
        raise Conflict(f"{label} is {state} already")


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What a sheet said of one variant, as far as a later one is compared with it."""

    verdict: str
    clause: str
    reading: str
    brackets: int


def what_changed(before: Mapping[str, "Snapshot"], after: Mapping[str, "Snapshot"]) -> list[str]:
    """In words, what differs between two sheets given as `variant -> Snapshot`."""
    found = []
    for variant in sorted(set(before) | set(after)):
        old, new = before.get(variant), after.get(variant)
        if old is None or new is None:
            found.append(f"{variant} is {'new' if old is None else 'gone'}")
            continue
        if new.brackets != old.brackets:
            count, word = abs(new.brackets - old.brackets), "more" if new.brackets > old.brackets else "fewer"
            found.append(f"{variant}: {count} bracket{'' if count == 1 else 's'} {word}")
        if new.verdict != old.verdict or new.clause != old.clause:
            found.append(f"{variant}: the verdict was {old.verdict} ({old.clause}) and is now {new.verdict} ({new.clause})")
        if new.reading != old.reading:
            found.append(f"{variant}: the panel reading was {words(old.reading)} and is now {words(new.reading)}")
    return found or ["Marks, builds or the rule changed, without changing verdict or reading"]


DEGREES = re.compile(r"([-−]?\d+(?:[.,]\d+)?)\s*°\s*C")


def tested_note(scope: str, temperatures: Collection[float]) -> str:
    """At which air temperatures was it tested, and which that the scope names were not? Never assumed in between."""
    if not temperatures:
        return ""
    named = [float(found.replace("−", "-").replace(",", ".")) for found in DEGREES.findall(scope)]
    untested = [value for value in dict.fromkeys(named) if value not in temperatures]
    listed = [f"{value:g} °C".replace("-", "−") for value in sorted(set(temperatures))]
    note = f"tested at {_and(listed)} only"
    return note + (f"; {_and([f'{value:g} °C'.replace('-', '−') for value in untested])} is untested" if untested else "")


def _and(words_: list[str]) -> str:
    return " and ".join([", ".join(words_[:-1]), words_[-1]] if len(words_) > 1 else words_)


READING_WORDS = {
    "blocked": "blocked", "not_enough": "not enough evidence", "drivers_conflict": "drivers conflict",
    "depends_on_conditions": "depends on conditions", "favours_adopt": "favours adopt", "favours_reject": "favours reject",
    "no_practical_difference": "no practical difference", "not_shown": "not shown", "mixed_retest": "mixed: retest",
}  # fmt: skip


def words(reading: str) -> str:
    """A panel reading's code in the words that are shown."""
    return READING_WORDS.get(reading, reading.replace("_", " "))
