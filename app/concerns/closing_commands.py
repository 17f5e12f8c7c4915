"""Closing a concern and opening it again: each kind with its condition."""

from typing import Any

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.concerns import loop_queries, queries, rules
from app.concerns.commands import About, add_event, raise_concern, update_concern
from app.concerns.models import CloseKind, Concern, ConcernState, Concession, Danger
from app.concerns.rules import Closing
from app.db import Db
from app.errors import Conflict, Refused
from app.parts import queries as parts
from app.parts.models import Revision, RevisionState


def close_concern(db: Db, concern_id: int, *, by: Viewer, edition: int, closing: Closing, shown: dict[str, Any] | None = None) -> None:
    """Close with a kind, a reason, and what that kind must name. A new drawing alone closes nothing.

    shown : the figures of the exposures that a proven kind stands on; `proving.commands` counts them. Without them a
    cured concern, or one that did not recur, is refused.
    """
    concern = check_may_close(db, concern_id, by=by, closing=closing)
    if closing.kind in rules.PROVEN and shown is None:
        raise Refused(f"{concern.label} can’t be closed as “{closing.kind}” on words", "Nothing was counted",
                      "Show it by exposures on the fixed revision.", field="kind")  # fmt: skip
    named = _named(db, by, concern, closing)
    if closing.kind == CloseKind.CONCESSION and closing.until is not None:
        db.add(Concession(concern_id=concern.id, scope=closing.scope, until=closing.until, granted_by_id=by.account_id, at=clock.now()))
    update_concern(db, concern, edition, state=ConcernState.CLOSED, close_kind=closing.kind)
    add_event(db, concern, by, "closed", closing.reason, close_kind=str(closing.kind), **named, **(shown or {}))


def check_may_close(db: Db, concern_id: int, *, by: Viewer, closing: Closing) -> Concern:
    """The open concern, after everything but its proof was asked; a concession is the manager's to grant."""
    require(by, Action.TRIAGE_CONCERN)
    if closing.kind == CloseKind.CONCESSION:
        require(by, Action.GRANT_CONCESSION)
    parts.lock_programme(db, by.programme_id)
    concern = queries.get_concern(db, by.programme_id, concern_id)
    if not concern.open:
        raise Conflict(
            f"{concern.label} is closed already, as “{concern.close_kind}”", "", "Open it again if that was wrong."
        )
    rules.check_closing(closing, today=clock.now().date())
    if closing.kind == CloseKind.CURED and closing.later_revision_id is not None:
        check_later(db, by, concern, parts.get_revision(db, by.programme_id, closing.later_revision_id), field="later_revision_id")
    return concern


def _named(db: Db, by: Viewer, concern: Concern, closing: Closing) -> dict[str, Any]:
    """What the close names, by id and label, for the event; refuses what doesn't fit the concern."""
    if closing.kind == CloseKind.CURED and closing.later_revision_id is not None:
        later = parts.get_revision(db, by.programme_id, closing.later_revision_id)
        return {"later_revision_id": later.id, "named": later.label}
    if closing.kind == CloseKind.SAME_AS and closing.same_as_id is not None:
        other = queries.get_concern(db, by.programme_id, closing.same_as_id)
        _check_same(db, concern, other)
        return {"same_as_id": other.id, "named": other.label}
    if closing.kind == CloseKind.OTHER_PART:
        other = _goes_on(db, by, concern, closing)
        return {"same_as_id": other.id, "named": other.label}
    if closing.kind == CloseKind.CONCESSION and closing.until is not None:
        return {"until": closing.until.isoformat(), "named": f"until {closing.until:%-d %b %Y}", "scope": closing.scope}
    return {}


def _goes_on(db: Db, by: Viewer, concern: Concern, closing: Closing) -> Concern:
    """The concern of the other part: the one named, or a new one in the same words, as severe, raised by who says so."""
    if closing.same_as_id is not None:
        other = queries.get_concern(db, by.programme_id, closing.same_as_id)
        _check_same(db, concern, other)
        return other
    assert closing.other_revision_id is not None  # check_closing asked for it
    revision = parts.get_revision(db, by.programme_id, closing.other_revision_id)
    if concern.revision_id is not None:
        worried = parts.get_revision(db, by.programme_id, concern.revision_id)
        if worried.part_id == revision.part_id:
            raise Refused(f"{concern.label} is about {worried.label} already, a revision of {worried.part.code}", "",
                          "Choose a revision of the other part.", field="other_revision_id")  # fmt: skip
    check_tells_no_key(db, concern, revision.id, field="other_revision_id")
    return raise_concern(db, by=by, words=f"Was {concern.label}: {concern.words}", danger=Danger(concern.danger),
                         product_severity=concern.product_severity, stops_freeze=concern.blocker,
                         about=About(revision_id=revision.id, run_id=concern.run_id))  # fmt: skip


def check_later(db: Db, by: Viewer, concern: Concern, later: Revision, *, field: str) -> None:
    """Refuse a revision that can't hold the cure: a draft, of another part, or not later than the worried one."""
    if later.state in (RevisionState.DRAFT, RevisionState.WITHDRAWN):
        raise Refused(
            f"{later.label} is {later.state}: nothing can have been shown on it",
            "",
            "Name a revision that was run.",
            field=field,
        )
    check_tells_no_key(db, concern, later.id, field=field)
    if concern.revision_id is None:
        return
    worried = parts.get_revision(db, by.programme_id, concern.revision_id)
    if later.part_id != worried.part_id:
        raise Refused(f"{later.label} is a revision of another part than {worried.label}", "",
                      f"Name a later revision of {worried.part.code}.", field=field)  # fmt: skip
    if later.id == worried.id or (later.line_key == worried.line_key and later.step < worried.step):
        raise Refused(f"{later.label} is not later than {worried.label}, on which the concern was raised", "",
                      "Name the revision that holds the cure.", field=field)  # fmt: skip


def check_tells_no_key(db: Db, concern: Concern, revision_id: int, *, field: str) -> None:
    """What is said of a concern on a run under a sealed key must name no part of its question either."""
    if concern.run_id is not None and (sealed := queries.find_sealed_run(db, concern.run_id, revision_id)):
        raise Refused(f"{concern.label} was raised on {sealed}, which is under a sealed key", "Naming the part would tell what is behind "
                      "the code", "Wait until the key is open; whoever holds it can open it early.", field=field)  # fmt: skip


def _check_same(db: Db, concern: Concern, other: Concern) -> None:
    """The other one is open, or closed on its own account: so links never run in a circle, and no worry is lost on the way."""
    if other.id == concern.id:
        raise Refused(f"{concern.label} can't be the same as itself", "", "Choose another concern.", field="same_as_id")
    if other.close_kind in (CloseKind.SAME_AS, CloseKind.OTHER_PART) and not other.open:
        went = loop_queries.find_named(db, other.id)
        raise Refused(
            f"{other.label} was itself closed as the {other.close_kind.removesuffix(' concern')}" if other.close_kind == CloseKind.SAME_AS
            else f"{other.label} was itself closed because it {other.close_kind}",
            "It would lead in a circle or nowhere", f"Choose {went or 'the one it leads to'}.", field="same_as_id",
        )  # fmt: skip
    if not other.open and loop_queries.concession_ran_out(db, other.id):
        raise Refused(f"The concession of {other.label} has run out", "It stands open again", f"Settle {other.label} first.",
                      field="same_as_id")  # fmt: skip
    if concern.blocker and other.open and not other.blocker:
        raise Refused(
            f"{concern.label} stops the freeze and {other.label} does not",
            "The worry would slip through the gate",
            f"Triage {other.label} first.",
            field="same_as_id",
        )


def reopen_concern(db: Db, concern_id: int, *, by: Viewer, edition: int, reason: str) -> None:
    """Open a closed concern again; whether it stops the freeze is as before, or by rule."""
    require(by, Action.TRIAGE_CONCERN)
    concern = queries.get_concern(db, by.programme_id, concern_id)
    if concern.open:
        raise Conflict(f"{concern.label} is open", "", "Add a remark instead.")
    rules.check_reason(reason, field="reason", what="Opening it again")
    was = concern.close_kind
    blocker = concern.blocker or rules.blocks_by_rule(concern.danger, concern.product_severity)
    update_concern(db, concern, edition, state=ConcernState.OPEN_AGAIN, close_kind="", blocker=blocker)
    add_event(db, concern, by, "opened again", reason, was=was)
