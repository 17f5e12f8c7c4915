"""When something was captured on a phone whose clock may be wrong: pure, no database.

Two ways lead to the moment. The phone's reading less the offset that was seen at its last contact; and the time of
receipt less the age that the phone itself counts (its clock at sending less its clock at capture), which is right
however wrong the clock is, as long as nobody set it in between. Where both agree the moment is sure.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

SLACK = timedelta(minutes=5)  # two clocks that agree this far agree; common practice, no source
DOUBT = "phone clock could not be checked"
MOST_MS = 2**53  # the largest whole number that a phone's script can count


@dataclass(frozen=True, slots=True)
class PhoneClock:
    """What the phone said, all in milliseconds: its clock at capture and at sending (since 1970), and how far it was
    ahead of the server when they last spoke. None: not said, or no number."""

    captured_ms: int | None = None
    offset_ms: int | None = None
    sent_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Captured:
    """The moment in UTC; `doubt` is "" or the words to show with it."""

    at: datetime
    doubt: str = ""


def whole_ms(typed: object) -> int | None:
    """A whole number of milliseconds as a phone writes it; None for anything else."""
    text = str(typed or "").strip()
    digits = text[1:] if text.startswith("-") else text
    if not (digits.isascii() and digits.isdigit() and len(digits) < 17) or abs(int(text)) > MOST_MS:
        return None
    return int(text)


def captured(phone: PhoneClock, *, received: datetime, not_before: datetime | None = None) -> Captured:
    """When it was captured, never after `received` and never before `not_before` (less the slack).

    A clock that makes no sense is not refused. Where no way leads to a moment that can be, the time of receipt stands:
    the latest that is possible, so that nothing looks more prompt than it was.
    """
    return _captured(phone, received, not_before, max, received)


def captured_early(phone: PhoneClock, *, received: datetime, not_before: datetime) -> Captured:
    """The same, but the earliest that is possible, down to `not_before`: for what ends a protection, such as opening a key."""
    return _captured(phone, received, not_before, min, not_before)


def _captured(phone: PhoneClock, received: datetime, not_before: datetime | None, of_two: Callable[[list[datetime]], datetime],
              otherwise: datetime) -> Captured:  # fmt: skip
    if phone.captured_ms is None:
        return Captured(otherwise, DOUBT)
    ways = []
    if phone.offset_ms is not None:
        ways.append(_earlier(received, _ms(received) - (phone.captured_ms - phone.offset_ms)))
    if phone.sent_ms is not None:
        ways.append(_earlier(received, phone.sent_ms - phone.captured_ms))
    possible = [way for way in ways if way is not None and _can_be(way, received, not_before)]
    if not possible:
        return Captured(otherwise, DOUBT)
    if len(possible) == len(ways) and max(possible) - min(possible) <= SLACK:
        return Captured(min(possible[0], received))
    return Captured(min(of_two(possible), received), DOUBT)


def _ms(moment: datetime) -> int:
    return round(moment.timestamp() * 1000)


def _earlier(received: datetime, by_ms: int) -> datetime | None:
    try:
        return received - timedelta(milliseconds=by_ms)
    except OverflowError:  # beyond every calendar
        return None


def _can_be(moment: datetime, received: datetime, not_before: datetime | None) -> bool:
    return moment <= received + SLACK and (not_before is None or moment >= not_before - SLACK)
