"""Rules of the policy table. A rule answers None for allowed, or the reason why not.

At the door of a route the subject is not known yet (None): a rule that depends on it lets the person
through to the command, which asks again with the subject.
"""

from collections.abc import Callable
from typing import Any, Protocol


class Asker(Protocol):
    @property
    def account_id(self) -> int: ...


Rule = Callable[[Any, Any], str | None]


def always(viewer: Asker, subject: Any) -> str | None:
    return None


def is_own(viewer: Asker, subject: Any) -> str | None:
    """Allowed for what the viewer rated, drove or raised; subject gives `rater_id` or `driver_id`."""
    if subject is None:
        return None
    owner = getattr(subject, "rater_id", None) or getattr(subject, "driver_id", None)
    return None if owner == viewer.account_id else "only the rater may do this"


def is_own_driving(viewer: Asker, subject: Any) -> str | None:
    """Allowed for a run the viewer drives."""
    if subject is None or getattr(subject, "driver_id", None) == viewer.account_id:
        return None
    return "only its driver or the conductor may do this"


def holds_key(viewer: Asker, subject: Any) -> str | None:
    """Allowed for the blind block whose key the viewer holds."""
    if subject is None or getattr(subject, "holder_id", None) == viewer.account_id:
        return None
    return "only who holds the key may do this"


def owns(viewer: Asker, subject: Any) -> str | None:
    """Allowed for what the viewer is the owner of."""
    if subject is None or getattr(subject, "owner_id", None) == viewer.account_id:
        return None
    return "only its owner or the manager may do this"


def may_found(viewer: Any, subject: Any) -> str | None:
    return None if getattr(viewer, "starts_programmes", False) else "only who set up this installation may do this"
