"""Every write about concerns. The raiser's words and every event stay as they were filed."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.concerns import queries, rules
from app.concerns.models import CloseKind, Concern, ConcernEvent, ConcernState, Danger
from app.concerns.rules import Closing
from app.db import Db
from app.errors import Conflict, Refused
from app.history.commands import record
from app.parts import queries as parts
from app.parts.models import Revision, RevisionState
from app.people.queries import get_member

SENT_TWICE = timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class About:
    """What a concern is about; each by id, each optional. A piece brings its revision along."""

    question_id: int | None = None
    revision_id: int | None = None
    piece_id: int | None = None
    run_id: int | None = None


def raise_concern(db: Db, *, by: Viewer, words: str, danger: Danger, product_severity: int, about: About = About(),
                  stops_freeze: bool = False) -> Concern:  # fmt: skip
    """File a worry in the raiser's own words, under the next C-number.

    It stops the freeze by rule when it is a danger to people or severe; otherwise `stops_freeze` may say so, for
    whoever may triage. The same form sent twice within ten minutes answers the concern that is there already.
    """
    require(by, Action.RAISE_CONCERN)
    rules.check_words(words, field="words", label="What worries you")
    rules.check_severity(product_severity)
    by_rule = rules.blocks_by_rule(danger, product_severity)
    if stops_freeze and not by_rule:
        require(by, Action.TRIAGE_CONCERN)
    parts.lock_programme(db, by.programme_id)
    about = _checked(db, by, about)
    concern = Concern(
        programme_id=by.programme_id, number=queries.next_number(db, by.programme_id), words=words,
        raised_by_id=by.account_id, raised_at=clock.now(), danger=danger, product_severity=product_severity,
        blocker=by_rule or stops_freeze, state=ConcernState.RAISED, question_id=about.question_id,
        revision_id=about.revision_id, piece_id=about.piece_id, run_id=about.run_id,
    )  # fmt: skip
    if twin := queries.find_same_raised(db, concern, clock.now() - SENT_TWICE):
        return twin
    db.add(concern)
    db.flush()
    _add_event(
        db, concern, by, "raised", words, danger=danger, product_severity=product_severity, blocker=concern.blocker
    )
    return concern


def _checked(db: Db, by: Viewer, about: About) -> About:
    """The same, after every id was found in this programme; a piece fills in its revision."""
    if about.question_id is not None:
        queries.get_question_id(db, by.programme_id, about.question_id)
    if about.run_id is not None:
        queries.get_run_id(db, by.programme_id, about.run_id)
    if about.revision_id is not None:
        parts.get_revision(db, by.programme_id, about.revision_id)
    if about.piece_id is None:
        _check_tells_no_key(db, about)
        return about
    piece = parts.get_piece(db, by.programme_id, about.piece_id)
    if about.revision_id not in (None, piece.revision_id):
        raise Refused(f"{piece.revision.label} {piece.mark} was not made to the revision named beside it", "",
                      "Name one of the two, or a pair that belongs together.", field="piece_id")  # fmt: skip
    about = About(about.question_id, piece.revision_id, about.piece_id, about.run_id)
    _check_tells_no_key(db, about)
    return about


def _check_tells_no_key(db: Db, about: About) -> None:
    """A run under a sealed key and a part of its question in one concern would say what is behind the code, right or wrong."""
    if about.run_id is None or about.revision_id is None:
        return
    if sealed := queries.find_sealed_run(db, about.run_id, about.revision_id):
        raise Refused(f"{sealed} is under a sealed key", "A concern that names the part too would tell what is behind the code",
                      "Raise it on the run alone. If the part must be known now, whoever holds the key opens it early.",
                      field="run_id")  # fmt: skip


def _add_event(db: Db, concern: Concern, by: Viewer, kind: str, text: str, **detail: Any) -> None:
    """One step in the concern's life, and one line of the trail that raters of its session don't read too early."""
    plain = {name: str(value) if isinstance(value, Danger) else value for name, value in detail.items()}
    db.add(ConcernEvent(concern_id=concern.id, kind=kind, text=text, detail=plain, by_id=by.account_id, at=clock.now()))
    record(db, kind, "concern", concern.id, f"{concern.label} {concern.words[:120]}", by_id=by.account_id,
           programme_id=by.programme_id, why="" if kind == "raised" else text,
           session_id=queries.find_session_id(db, concern.run_id), **plain)  # fmt: skip


def add_remark(db: Db, concern_id: int, *, by: Viewer, text: str) -> None:
    """Add to what is known. The same remark sent twice adds one."""
    require(by, Action.RAISE_CONCERN)
    rules.check_words(text, field="text", label="Remark")
    parts.lock_programme(db, by.programme_id)
    concern = queries.get_concern(db, by.programme_id, concern_id)
    last = queries.list_events(db, by.programme_id, concern_id)[-1]
    sent_twice = (last.kind, last.text, last.by_id) == ("remark", text, by.account_id)
    if not (sent_twice and clock.now() - last.at < SENT_TWICE):
        _add_event(db, concern, by, "remark", text)


def triage_concern(db: Db, concern_id: int, *, by: Viewer, edition: int, danger: Danger, product_severity: int,
                   owner_id: int | None, blocker: bool, why: str = "") -> None:  # fmt: skip
    """Judge a concern: danger, severity, owner, whether it stops the freeze.

    What stops the freeze by rule does so whatever is ticked. Letting go of a blocker needs a reason, and is refused
    while the rule holds.
    """
    require(by, Action.TRIAGE_CONCERN)
    concern = queries.get_concern(db, by.programme_id, concern_id)
    if not concern.open:
        raise Conflict(f"{concern.label} is closed", "", "Open it again first, with the reason.")
    rules.check_severity(product_severity)
    _check_owner(db, by, concern, owner_id)
    by_rule = rules.blocks_by_rule(danger, product_severity)
    if by_rule and concern.blocker and not blocker:
        raise Refused(f"{concern.label} stops the freeze by rule", rules.RULE_WORDS, "Close it with its evidence instead.",
                      field="blocker")  # fmt: skip
    after = {"danger": str(danger), "product_severity": product_severity, "owner_id": owner_id, "blocker": blocker or by_rule}
    before = {name: getattr(concern, name) for name in after}
    if before["blocker"] and not after["blocker"]:
        rules.check_reason(why, field="why", what="No longer stopping the freeze")
    elif (
        rules.DANGER_RANK[danger] > rules.DANGER_RANK[Danger(before["danger"])]
        or product_severity < before["product_severity"]
    ):
        rules.check_reason(why, field="why", what="Judging it less severe")
    _update(db, concern, edition, **after)
    if changed := [name for name in after if before[name] != after[name]]:
        _add_event(db, concern, by, "triaged", why, before={name: before[name] for name in changed},
                   after={name: after[name] for name in changed})  # fmt: skip
    elif why:
        _add_event(db, concern, by, "triaged", why)


def _check_owner(db: Db, by: Viewer, concern: Concern, owner_id: int | None) -> None:
    if owner_id is None or owner_id == concern.owner_id:
        return
    member = get_member(db, by.programme_id, owner_id)
    if member.left_at is not None or member.account.disabled_at is not None:
        raise Refused(f"{member.account.name} has left", "", "Choose someone who can act on it.", field="owner_id")


def _update(db: Db, concern: Concern, edition: int, **values: Any) -> None:
    label = concern.label
    changed = db.execute(
        update(Concern)
        .where(Concern.id == concern.id, Concern.edition == edition)
        .values(edition=edition + 1, **values)
    )
    if changed.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict(
            f"Somebody else changed {label} while you were typing",
            "What stands now is beside what you chose",
            "Compare, then send it again.",
        )


def close_concern(db: Db, concern_id: int, *, by: Viewer, edition: int, closing: Closing) -> None:
    """Close with a kind, a reason, and what that kind must name. A new drawing alone closes nothing."""
    require(by, Action.TRIAGE_CONCERN)
    parts.lock_programme(db, by.programme_id)
    concern = queries.get_concern(db, by.programme_id, concern_id)
    if not concern.open:
        raise Conflict(
            f"{concern.label} is closed already, as “{concern.close_kind}”", "", "Open it again if that was wrong."
        )
    rules.check_closing(closing, today=clock.now().date())
    named = _named(db, by, concern, closing)
    _update(db, concern, edition, state=ConcernState.CLOSED, close_kind=closing.kind)
    _add_event(db, concern, by, "closed", closing.reason, close_kind=str(closing.kind), **named)


def _named(db: Db, by: Viewer, concern: Concern, closing: Closing) -> dict[str, Any]:
    """What the close names, by id and label, for the event; refuses what doesn't fit the concern."""
    if closing.kind == CloseKind.CURED and closing.later_revision_id is not None:
        later = parts.get_revision(db, by.programme_id, closing.later_revision_id)
        _check_later(db, by, concern, later)
        return {"later_revision_id": later.id, "named": later.label}
    if closing.kind == CloseKind.SAME_AS and closing.same_as_id is not None:
        other = queries.get_concern(db, by.programme_id, closing.same_as_id)
        _check_same(concern, other)
        return {"same_as_id": other.id, "named": other.label}
    if closing.kind == CloseKind.OTHER_PART and closing.other_part_id is not None:
        code = queries.get_part_label(db, by.programme_id, closing.other_part_id)
        _check_other_part(db, by, concern, closing.other_part_id, code)
        return {"other_part_id": closing.other_part_id, "named": code}
    if closing.kind == CloseKind.CONCESSION and closing.until is not None:
        return {"until": closing.until.isoformat(), "named": f"until {closing.until:%-d %b %Y}"}
    return {}


def _check_later(db: Db, by: Viewer, concern: Concern, later: Revision) -> None:
    if later.state in (RevisionState.DRAFT, RevisionState.WITHDRAWN):
        raise Refused(
            f"{later.label} is {later.state}: nothing can have been shown on it",
            "",
            "Name a revision that was run.",
            field="later_revision_id",
        )
    if concern.revision_id is None:
        return
    worried = parts.get_revision(db, by.programme_id, concern.revision_id)
    if later.part_id != worried.part_id:
        raise Refused(f"{later.label} is a revision of another part than {worried.label}", "",
                      f"Name a later revision of {worried.part.code}.", field="later_revision_id")  # fmt: skip
    if later.id == worried.id or (later.line_key == worried.line_key and later.step < worried.step):
        raise Refused(f"{later.label} is not later than {worried.label}, on which the concern was raised", "",
                      "Name the revision that holds the cure.", field="later_revision_id")  # fmt: skip


def _check_same(concern: Concern, other: Concern) -> None:
    if other.id == concern.id:
        raise Refused(f"{concern.label} can't be the same as itself", "", "Choose another concern.", field="same_as_id")
    if other.close_kind == CloseKind.SAME_AS and not other.open:
        raise Refused(
            f"{other.label} was itself closed as the same as another", "", "Choose that other one.", field="same_as_id"
        )
    if concern.blocker and other.open and not other.blocker:
        raise Refused(
            f"{concern.label} stops the freeze and {other.label} does not",
            "The worry would slip through the gate",
            f"Triage {other.label} first.",
            field="same_as_id",
        )


def _check_other_part(db: Db, by: Viewer, concern: Concern, part_id: int, code: str) -> None:
    if concern.revision_id is None:
        return
    worried = parts.get_revision(db, by.programme_id, concern.revision_id)
    if worried.part_id == part_id:
        raise Refused(
            f"{concern.label} is about {worried.label} already, a revision of {code}",
            "",
            "Choose the other part.",
            field="other_part_id",
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
    _update(db, concern, edition, state=ConcernState.OPEN_AGAIN, close_kind="", blocker=blocker)
    _add_event(db, concern, by, "opened again", reason, was=was)
