"""When was a piece out of tolerance? Its decisive readings in time bracket each of its runs.

A run is spoiled where the piece failed at the last decisive reading before it, or at the first one after it: then it went
out of tolerance at some unknown moment since it was last seen right. A pass on both sides, or on one with nothing on the
other, leaves the run alone. Inconclusive readings and those without a limit decide nothing. Common practice, no source.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple


class Judged(NamedTuple):
    """One reading set of one characteristic of one piece, judged. words : what it said, with its limits."""

    at: datetime
    set_id: int
    characteristic: str
    state: str
    words: str


def failed_for(judged: Iterable[Judged], driven_at: datetime | None) -> list[Judged]:
    """The failed readings that spoil a run driven at this moment (None: not known, so any failure spoils it)."""
    by_characteristic: dict[str, list[Judged]] = {}
    for one in sorted(judged):
        if one.state in ("pass", "fail"):
            by_characteristic.setdefault(one.characteristic, []).append(one)
    found = []
    for own in by_characteristic.values():
        for one in _around(own, driven_at):
            if one.state == "fail" and one not in found:
                found.append(one)
    return sorted(found)


def _around(own: Sequence[Judged], driven_at: datetime | None) -> list[Judged]:
    if driven_at is None:
        return list(own)
    before = [one for one in own if one.at <= driven_at]
    after = [one for one in own if one.at > driven_at]
    return [*before[-1:], *after[:1]]
