"""The one reader of the wall clock, and the conversions between venue time and UTC."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_shift: ContextVar[datetime | None] = ContextVar("frozen_clock", default=None)


def now() -> datetime:
    """The present moment in UTC, or the moment set by `at` (demo data and tests)."""
    return _shift.get() or datetime.now(UTC)


@contextmanager
def at(moment: datetime) -> Iterator[None]:
    """Let commands inside the block believe that it is `moment`; used to make believable demo data."""
    token = _shift.set(moment.astimezone(UTC))
    try:
        yield
    finally:
        _shift.reset(token)


def zone(name: str) -> ZoneInfo:
    """The IANA zone called `name`; raises ValueError for an unknown one."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as unknown:
        raise ValueError(f"“{name}” is not an IANA time zone such as Europe/Berlin") from unknown


def venue_to_utc(local: datetime, zone_name: str) -> datetime:
    """A venue's wall time as UTC; raises ValueError where that time did not exist or existed twice."""
    there = zone(zone_name)
    early, late = local.replace(tzinfo=there, fold=0), local.replace(tzinfo=there, fold=1)
    shown = local.strftime("%H:%M")
    if early.utcoffset() != late.utcoffset():
        if early.astimezone(UTC).astimezone(there).replace(tzinfo=None) != local:
            raise ValueError(f"{shown} did not exist there on {local:%-d %B %Y}: clocks went forward")
        raise ValueError(f"{shown} existed twice there on {local:%-d %B %Y}: clocks went back; give a time outside it")
    return early.astimezone(UTC)


def to_venue(moment: datetime, zone_name: str) -> datetime:
    return moment.astimezone(zone(zone_name))


def minutes_between(earlier: datetime, later: datetime) -> float:
    return (later - earlier) / timedelta(minutes=1)
