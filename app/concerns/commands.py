"""Raise, remark, triage; closing is in `closing_commands`, the loop between in `loop_commands`.

The raiser's words and every event stay as they were filed.
"""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.concerns import queries, rules
from app.concerns.models import Concern, ConcernEvent, ConcernState, Danger
from app.db import Db
from app.errors import Conflict, Refused
from app.history.commands import record
from app.parts import queries as parts
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
    about = checked(db, by, about)
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
    add_event(
        db, concern, by, "raised", words, danger=danger, product_severity=product_severity, blocker=concern.blocker
    )
    return concern


def checked(db: Db, by: Viewer, about: About) -> About:
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


def add_event(db: Db, concern: Concern, by: Viewer, kind: str, text: str, **detail: Any) -> None:
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
        add_event(db, concern, by, "remark", text)


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
    update_concern(db, concern, edition, **after)
    if changed := [name for name in after if before[name] != after[name]]:
        add_event(db, concern, by, "triaged", why, before={name: before[name] for name in changed},
                   after={name: after[name] for name in changed})  # fmt: skip
    elif why:
        add_event(db, concern, by, "triaged", why)


def _check_owner(db: Db, by: Viewer, concern: Concern, owner_id: int | None) -> None:
    if owner_id is None or owner_id == concern.owner_id:
        return
    member = get_member(db, by.programme_id, owner_id)
    if member.left_at is not None or member.account.disabled_at is not None:
        raise Refused(f"{member.account.name} has left", "", "Choose someone who can act on it.", field="owner_id")


def update_concern(db: Db, concern: Concern, edition: int, **values: Any) -> None:
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
