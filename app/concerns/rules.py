"""What stops a freeze by rule, what a close needs, and our own words for each step of the two scales."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from app.concerns.models import EXPOSURES, CloseKind, ConcernState, Danger
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
    other_revision_id: int | None = None
    until: date | None = None
    scope: str = ""


NEEDED: dict[CloseKind, tuple[tuple[str, str], ...]] = {
    CloseKind.CURED: (("later_revision_id", "Name the later revision on which it was shown cured"),),
    CloseKind.CONCESSION: (("until", "Give the day on which the concession runs out"),
                           ("scope", "Say what may be used, where and by whom")),
    CloseKind.SAME_AS: (("same_as_id", "Choose the concern it is the same as"),),
}  # fmt: skip
PROVEN = (CloseKind.CURED, CloseKind.DID_NOT_RECUR)  # closed on exposures, never on words


def check_closing(closing: Closing, *, today: date) -> None:
    """Refuse a close whose reason is too short or that does not name what its kind needs."""
    for field, sentence in NEEDED.get(closing.kind, ()):
        if not getattr(closing, field):
            raise Refused(f"Closing as “{closing.kind}” needs one more answer", "", sentence + ".", field=field)
    if closing.kind == CloseKind.OTHER_PART and closing.other_revision_id is None and closing.same_as_id is None:
        raise Refused(f"Closing as “{closing.kind}” needs one more answer", "The worry goes on under the other part",
                      "Choose the part’s revision, and a new concern is raised on it; or the concern that is there already.",
                      field="other_revision_id")  # fmt: skip
    if closing.kind == CloseKind.CONCESSION:
        if closing.until is not None and closing.until <= today:
            raise Refused(f"The concession would have run out on {closing.until:%-d %b %Y}", "",
                          "Give a day in the future.", field="until")  # fmt: skip
        check_reason(closing.scope, field="scope", what="The scope of a concession")
    check_reason(closing.reason, field="reason", what="Closing")


# --- what must be shown before it is closed
class ShowRule(NamedTuple):
    """A concern’s closing rule: the 95 % bound on failures is at most `most_per_100` in 100 exposures of one sort.

    Hits, runs and laps are counted (a share, exact binomial bound); minutes are a rate (exact Poisson bound).
    """

    exposure: str
    most_per_100: float

    @property
    def limit(self) -> float:
        """Failures per exposure."""
        return self.most_per_100 / 100

    @property
    def is_rate(self) -> bool:
        return self.exposure == "minute"

    @property
    def is_hit(self) -> bool:
        return self.exposure not in ("run", "lap", "minute")

    @property
    def nouns(self) -> str:
        return "impacts of any kind" if self.exposure == "any impact" else f"{self.exposure}s"

    @property
    def words(self) -> str:
        """“95 % bound ≤ 10 % per board hit”."""
        if self.is_rate:
            return f"95 % bound ≤ {self.most_per_100:g} in 100 minutes"
        return f"95 % bound ≤ {self.most_per_100:g} % per {'impact' if self.exposure == 'any impact' else self.exposure}"


USUAL_RULE = ShowRule("board hit", 10.0)  # offered, never taken by itself; common practice, no source


def check_rule(rule: ShowRule, before: ShowRule | None, reason: str) -> None:
    """Refuse a rule that nothing could show, and a change without its reason."""
    if rule.exposure not in EXPOSURES:
        raise Refused(f"“{rule.exposure[:40]}” is not on the list of exposures", field="exposure")
    if not 0.01 <= rule.most_per_100 <= 50:
        raise Refused(f"A bound of {rule.most_per_100:g} in 100 can’t be asked for", "Between 0.01 and 50 can", "Such as 10.",
                      field="most_per_100")  # fmt: skip
    if before is not None:
        if before == rule:
            raise Refused(f"The closing rule is “{rule.words}” already", "", "Change a figure, or leave it.", field="most_per_100")
        check_reason(reason, field="rule_reason", what="Changing the closing rule")


def check_in_force(from_at: datetime, until_at: datetime | None, now: datetime) -> None:
    """Refuse an instruction that could never be in force."""
    if until_at is not None and until_at <= max(from_at, now):
        raise Refused("The instruction would never be in force", "Its end comes before its start, or is over already",
                      "Give a later end, or none.", field="until_at")  # fmt: skip


# --- how far it has come
STAGES = ("raised", "reproduced", "contained", "cause known", "action fitted", "proving", "open again", "closed")


def stage_of(state: str, *, reproduced: bool, contained: bool, cause_known: bool, fitted: bool, exposed: bool) -> str:
    """The furthest step it has come to; one opened again says so until its new fix is being proved."""
    if state == ConcernState.CLOSED:
        return "closed"
    if fitted:
        return "proving" if exposed else "action fitted"
    if state == ConcernState.OPEN_AGAIN:
        return "open again"
    return "cause known" if cause_known else "contained" if contained else "reproduced" if reproduced else "raised"
