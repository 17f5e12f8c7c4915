"""The loop between triage and close: contained, reproduced, cause, tries, fitted, closing rule. Every write is added to what is there."""

from datetime import datetime
from typing import Any

from sqlalchemy import func, select

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.concerns import loop_queries, queries, rules
from app.concerns.closing_commands import check_later, check_tells_no_key
from app.concerns.commands import About, add_event, checked
from app.concerns.models import (
    CauseClass,
    ClosingRule,
    Concern,
    ConcernCause,
    ConcernFix,
    ConcernTry,
    Containment,
    TryOutcome,
    TryResult,
)
from app.concerns.rules import ShowRule
from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.parts import queries as parts


def _open(db: Db, by: Viewer, concern_id: int, action: Action) -> Concern:
    """The open concern, with everybody else who writes waiting."""
    require(by, action)
    parts.lock_programme(db, by.programme_id)
    concern = queries.get_concern(db, by.programme_id, concern_id)
    if not concern.open:
        raise Conflict(f"{concern.label} is closed", "", "Open it again first, with the reason.")
    return concern


def _next(db: Db, model: Any, counted: Any, key: Any, value: int) -> int:
    return (db.scalar(select(func.max(counted)).select_from(model).where(key == value)) or 0) + 1


def name_subject(db: Db, concern_id: int, *, by: Viewer, about: About) -> None:
    """Say what it is about where nothing was said yet: question, revision, piece or run. What was said is not changed."""
    concern = _open(db, by, concern_id, Action.TRIAGE_CONCERN)
    given = {name: value for name, value in vars_of(about).items() if value is not None}
    if taken := [name for name in given if getattr(concern, name) is not None]:
        raise Conflict(f"{concern.label} names its {taken[0].removesuffix('_id')} already", "What was said of it stays",
                       "If it was wrong, close it as belonging to another part, and the worry goes on there.")  # fmt: skip
    if not given:
        raise Refused("Nothing is named", "", "Choose at least one of them.", field="revision_id")
    whole = About(**{name: given.get(name, getattr(concern, name)) for name in vars_of(about)})
    found = vars_of(checked(db, by, whole))
    new = {name: value for name, value in found.items() if value is not None and getattr(concern, name) is None}
    for name, value in new.items():
        setattr(concern, name, value)
    concern.edition += 1
    add_event(db, concern, by, "named", "", **new)


def vars_of(about: About) -> dict[str, int | None]:
    return {"question_id": about.question_id, "revision_id": about.revision_id, "piece_id": about.piece_id, "run_id": about.run_id}


def note_reproduced(db: Db, concern_id: int, *, by: Viewer, text: str) -> None:
    """Somebody saw it happen again on purpose: how."""
    concern = _open(db, by, concern_id, Action.CONTAIN_CONCERN)
    rules.check_reason(text, field="text", what="Reproduced")
    add_event(db, concern, by, "reproduced", text)


def contain(db: Db, concern_id: int, *, by: Viewer, words: str, revision_id: int | None, piece_id: int | None = None,
            from_at: datetime | None = None, until_at: datetime | None = None) -> Containment:  # fmt: skip
    """An instruction in force on a revision or a piece: “no flat landings on r2”. Without a start it holds from now on."""
    concern = _open(db, by, concern_id, Action.CONTAIN_CONCERN)
    rules.check_words(words, field="words", label="Instruction")
    now = clock.now()
    rules.check_in_force(from_at or now, until_at, now)
    revision_id, piece_id = _on(db, by, concern, revision_id, piece_id)
    if revision_id is None:
        raise Refused("An instruction needs what it is about", "It is shown where that goes out on a car", "Choose a revision or a piece.",
                      field="revision_id")  # fmt: skip
    made = Containment(programme_id=by.programme_id, concern_id=concern.id, revision_id=revision_id, piece_id=piece_id, words=words,
                       from_at=from_at or now, until_at=until_at, by_id=by.account_id, at=now)  # fmt: skip
    db.add(made)
    db.flush()
    add_event(db, concern, by, "contained", words, containment_id=made.id, revision_id=revision_id, piece_id=piece_id)
    return made


def _on(db: Db, by: Viewer, concern: Concern, revision_id: int | None, piece_id: int | None) -> tuple[int | None, int | None]:
    """Revision and piece, found and fitting each other; a piece brings its revision; none of them tells a sealed key."""
    about = checked(db, by, About(revision_id=revision_id, piece_id=piece_id))
    if about.revision_id is not None:
        check_tells_no_key(db, concern, about.revision_id, field="piece_id" if piece_id is not None else "revision_id")
    return about.revision_id, about.piece_id


def lift_containment(db: Db, containment_id: int, *, by: Viewer, why: str) -> None:
    """Take an instruction out of force, with the reason."""
    require(by, Action.CONTAIN_CONCERN)
    parts.lock_programme(db, by.programme_id)
    found = db.scalar(select(Containment).where(Containment.id == containment_id, Containment.programme_id == by.programme_id))
    if found is None:
        raise NotFound("There is no such instruction in this programme", "", "Look for it on its concern's page.")
    if found.lifted_at is not None:
        raise Conflict("This instruction is lifted already", found.lifted_why, "Nothing is left to lift.")
    rules.check_reason(why, field="why", what="Lifting an instruction")
    found.lifted_at, found.lifted_by_id, found.lifted_why = clock.now(), by.account_id, why
    concern = queries.get_concern(db, by.programme_id, found.concern_id)
    add_event(db, concern, by, "lifted", why, containment_id=found.id, words=found.words)


def note_cause(db: Db, concern_id: int, *, by: Viewer, version: int, cause: CauseClass, words: str) -> None:
    """What lies behind it. version : the newest that was seen, 0 for none."""
    concern = _open(db, by, concern_id, Action.TRIAGE_CONCERN)
    rules.check_reason(words, field="words", what="The cause")
    standing = _next(db, ConcernCause, ConcernCause.version, ConcernCause.concern_id, concern.id) - 1
    if standing != version:
        raise Conflict(f"Somebody else named the cause of {concern.label} while you were typing", "What stands now is above",
                       "Compare, then send it again.")  # fmt: skip
    db.add(ConcernCause(concern_id=concern.id, version=standing + 1, cause=cause, words=words, by_id=by.account_id, at=clock.now()))
    add_event(db, concern, by, "cause", words, cause=str(cause))


def add_try(db: Db, concern_id: int, *, by: Viewer, words: str, revision_id: int | None = None, piece_id: int | None = None,
            result: TryResult | None = None, result_words: str = "") -> ConcernTry:  # fmt: skip
    """Something tried against it: what, on what, and its result where that is known already."""
    concern = _open(db, by, concern_id, Action.CONTAIN_CONCERN)
    rules.check_words(words, field="words", label="What was tried")
    revision_id, piece_id = _on(db, by, concern, revision_id, piece_id)
    number = _next(db, ConcernTry, ConcernTry.number, ConcernTry.concern_id, concern.id)
    made = ConcernTry(concern_id=concern.id, number=number, words=words, revision_id=revision_id, piece_id=piece_id,
                      by_id=by.account_id, at=clock.now())  # fmt: skip
    db.add(made)
    db.flush()
    add_event(db, concern, by, "tried", words, number=number)
    if result is not None:
        _add_outcome(db, concern, made, by, result, result_words)
    return made


def note_outcome(db: Db, concern_id: int, try_id: int, *, by: Viewer, result: TryResult, words: str = "") -> None:
    """What came of a try; an earlier result stays readable."""
    concern = _open(db, by, concern_id, Action.CONTAIN_CONCERN)
    found = db.scalar(select(ConcernTry).where(ConcernTry.id == try_id, ConcernTry.concern_id == concern.id))
    if found is None:
        raise NotFound(f"There is no such try of {concern.label}", "", "Look for it on the concern's page.")
    _add_outcome(db, concern, found, by, result, words)


def _add_outcome(db: Db, concern: Concern, of: ConcernTry, by: Viewer, result: TryResult, words: str) -> None:
    version = _next(db, TryOutcome, TryOutcome.version, TryOutcome.try_id, of.id)
    db.add(TryOutcome(try_id=of.id, version=version, result=result, words=words, by_id=by.account_id, at=clock.now()))
    add_event(db, concern, by, "result", words, number=of.number, result=str(result))


def fit(db: Db, concern_id: int, *, by: Viewer, revision_id: int, words: str = "") -> None:
    """The cure went into this later revision. From here on the concern is proved by exposures on it alone."""
    concern = _open(db, by, concern_id, Action.TRIAGE_CONCERN)
    revision = parts.get_revision(db, by.programme_id, revision_id)
    check_later(db, by, concern, revision, field="fixed_revision_id")
    version = _next(db, ConcernFix, ConcernFix.version, ConcernFix.concern_id, concern.id)
    standing = loop_queries.find_fix(db, concern.id)
    if standing is not None and standing.revision_id == revision.id:
        raise Refused(f"{concern.label} is fitted in {revision.label} already", "", "Choose the revision that holds the new cure.",
                      field="fixed_revision_id")  # fmt: skip
    db.add(ConcernFix(concern_id=concern.id, version=version, revision_id=revision.id, words=words, by_id=by.account_id, at=clock.now()))
    add_event(db, concern, by, "fitted", words, revision_id=revision.id, named=revision.label)


def declare_rule(db: Db, concern_id: int, *, by: Viewer, rule: ShowRule, version: int, reason: str = "") -> None:
    """What must be shown before it is closed. A change is a new version with its reason. version : the newest seen, 0 for none."""
    concern = _open(db, by, concern_id, Action.TRIAGE_CONCERN)
    standing = loop_queries.find_rule(db, concern.id)
    if (standing.version if standing else 0) != version:
        raise Conflict(f"Somebody else set the closing rule of {concern.label} while you were typing", "What stands now is above",
                       "Compare, then send it again.")  # fmt: skip
    before = ShowRule(standing.exposure, standing.most_per_100) if standing else None
    rules.check_rule(rule, before, reason)
    db.add(ClosingRule(concern_id=concern.id, version=version + 1, exposure=rule.exposure, most_per_100=rule.most_per_100, reason=reason,
                       by_id=by.account_id, at=clock.now()))  # fmt: skip
    add_event(db, concern, by, "rule", reason, rule=rule.words, before=before.words if before else "")
