"""What stops a freeze by rule, what a close needs, and our own words for each step of the two scales."""

from dataclasses import dataclass
from datetime import date

from app.concerns.models import CloseKind, Danger
from app.errors import Refused
from app.people.rules import name_key

BLOCKING_DANGER = (Danger.CATASTROPHIC, Danger.CRITICAL)
BLOCKING_SEVERITY = 7
SHORTEST_REASON = 10
SAFETY_FIRST = "Stop, make safe, tell people first, record second."
SAFETY_LINES = (
    SAFETY_FIRST,
    "Local codes, hall rules and qualified people come before anything written here.",
    "This tool certifies nothing as safe and gives no approval to run or to sell.",
)
RULE_WORDS = (
    "A concern that is catastrophic or critical for people and property, or 7 or more of 10 for the product, "
    "stops the freeze until it is closed"
)

DANGER_RANK = {danger: rank for rank, danger in enumerate(Danger)}  # the worst first

DANGER_WORDS = {
    Danger.CATASTROPHIC: "could kill or maim somebody, or burn the place down",
    Danger.CRITICAL: "could injure somebody seriously, or ruin others' property",
    Danger.MARGINAL: "could hurt somebody slightly, or spoil something small",
    Danger.NEGLIGIBLE: "no harm to people or property in sight",
}
SEVERITY_WORDS = {
    10: "unsafe, with no warning",
    9: "unsafe with some warning, or illegal at scrutineering",
    8: "the car stops",
    7: "the car loses its main function but rolls on",
    6: "an adjustment or comfort function is lost",
    5: "an adjustment or comfort function works poorly",
    4: "most owners notice and mind",
    3: "most owners notice",
    2: "only experts notice",
    1: "no effect",
}


def blocks_by_rule(danger: str, product_severity: int) -> bool:
    """Whether a concern stops the freeze whatever anybody says."""
    return danger in BLOCKING_DANGER or product_severity >= BLOCKING_SEVERITY


def is_withheld(*, danger: str, session_hidden: bool, viewer_raised_it: bool) -> bool:
    """Whether a rater must not read these words yet: they were raised on a run of a session whose slips the rater
    still owes. A danger to people is never withheld, and nobody's own words are."""
    return session_hidden and not viewer_raised_it and danger not in BLOCKING_DANGER


def check_severity(product_severity: int) -> None:
    if product_severity not in SEVERITY_WORDS:
        raise Refused(f"A severity of {product_severity} is not on the scale", "It runs from 1 to 10", "Choose one.",
                      field="product_severity")  # fmt: skip


def check_words(text: str, *, field: str, label: str) -> None:
    if not name_key(text):
        raise Refused(f"{label}: nothing readable was typed", "", "Say it in a sentence.", field=field)


def check_reason(text: str, *, field: str, what: str) -> None:
    """A reason that someone can read a year later: at least ten characters."""
    length = len(name_key(text))
    if length < SHORTEST_REASON:
        raise Refused(f"{what} needs a reason of at least {SHORTEST_REASON} characters; this has {length}",
                      "It is read a year later", "Say it in a sentence.", field=field)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Closing:
    """How a concern is closed: the kind, the reason in words, and what that kind must name."""

    kind: CloseKind
    reason: str
    later_revision_id: int | None = None
    same_as_id: int | None = None
    other_part_id: int | None = None
    until: date | None = None


NEEDED: dict[CloseKind, tuple[str, str]] = {
    CloseKind.CURED: ("later_revision_id", "Name the later revision on which it was shown cured"),
    CloseKind.CONCESSION: ("until", "Give the day on which the concession runs out"),
    CloseKind.SAME_AS: ("same_as_id", "Choose the concern it is the same as"),
    CloseKind.OTHER_PART: ("other_part_id", "Choose the part it belongs to"),
}


def check_closing(closing: Closing, *, today: date) -> None:
    """Refuse a close whose reason is too short or that does not name what its kind needs."""
    if closing.kind in NEEDED:
        field, sentence = NEEDED[closing.kind]
        if getattr(closing, field) is None:
            raise Refused(f"Closing as “{closing.kind}” needs one more answer", "", sentence + ".", field=field)
    if closing.kind == CloseKind.CONCESSION and closing.until is not None and closing.until <= today:
        raise Refused(f"The concession would have run out on {closing.until:%-d %b %Y}", "",
                      "Give a day in the future.", field="until")  # fmt: skip
    check_reason(closing.reason, field="reason", what="Closing")
