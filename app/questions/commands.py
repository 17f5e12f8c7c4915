"""Every write about questions: asking, variants, the declared rule and its lock."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, Frozen, NotFound, Refused
from app.history.commands import record
from app.parts.queries import get_revision
from app.people.queries import get_member
from app.people.rules import check_one_script, name_key
from app.programmes.queries import list_attributes, next_number
from app.questions import queries, rules
from app.questions.models import (
    Ground,
    Question,
    QuestionState,
    RuleVersion,
    Variant,
    VariantRevision,
    VariantState,
)


def add_question(db: Db, *, by: Viewer, title: str, asked_ground: str, text: str = "", owner_id: int | None = None,
                 decide_by: date | None = None) -> Question:  # fmt: skip
    """A draft question with the next number."""
    require(by, Action.ASK_QUESTION)
    _check_owner(db, by, owner_id)
    if asked_ground not in list(Ground):
        raise Refused(f"“{asked_ground}” is not a ground", field="asked_ground")
    question = Question(
        programme_id=by.programme_id, number=next_number(db, Question, by.programme_id), title=title, text=text,
        asked_ground=asked_ground, owner_id=owner_id or by.account_id, decide_by=decide_by, created_by_id=by.account_id,
        created_at=clock.now(), state=QuestionState.DRAFT,
    )  # fmt: skip
    db.add(question)
    db.flush()
    _record(db, by, "added", question)
    return question


def edit_question(db: Db, question_id: int, *, by: Viewer, edition: int, title: str, text: str, asked_ground: str,
                  deciding_ground: str, owner_id: int | None, decide_by: date | None) -> None:  # fmt: skip
    """Text, owner and dates; grounds too, since ground drift is itself a finding."""
    require(by, Action.ASK_QUESTION)
    _check_owner(db, by, owner_id)
    changed = db.execute(
        update(Question)
        .where(Question.id == question_id, Question.programme_id == by.programme_id, Question.edition == edition)
        .values(title=title, text=text, asked_ground=asked_ground, deciding_ground=deciding_ground,
                owner_id=owner_id or by.account_id, decide_by=decide_by, edition=edition + 1)
    )  # fmt: skip
    question = queries.get_question(db, by.programme_id, question_id)
    if changed.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict(f"Somebody else changed {question.label} while you were typing", "Both texts are shown below",
                       "Compare, then save again.")  # fmt: skip
    _record(db, by, "edited", question)


def add_variant(db: Db, question_id: int, *, by: Viewer, code: str, title: str = "", is_control: bool = False,
                revision_ids: Sequence[int] = (), whole_car: bool = False) -> Variant:  # fmt: skip
    """One more answer. A part variant names its revisions; a whole-car variant is declared on each build."""
    require(by, Action.ASK_QUESTION)
    check_one_script(code, field="code")
    question = queries.get_question(db, by.programme_id, question_id, lock=True)
    if question.state in (QuestionState.RULED, QuestionState.DROPPED):
        raise Frozen(f"{question.label} is {question.state}", "", "Take it up again or reopen its ruling first.")
    if any(variant.code_key == name_key(code) for variant in question.variants):
        raise Conflict(f"{question.label} has a variant {code} already", "", "Choose another code.", field="code")
    if is_control and any(variant.is_control for variant in question.variants):
        raise Conflict(f"{question.label} has its control already", "Every variant is compared with one control",
                       field="is_control")  # fmt: skip
    if len(question.variants) >= rules.MOST_VARIANTS:
        raise Refused(f"{question.label} has {rules.MOST_VARIANTS} variants, the most one question takes", "", "Ask a second question.")
    variant = Variant(question_id=question.id, code=code, code_key=name_key(code), title=title, is_control=is_control,
                      position=len(question.variants), whole_car=whole_car, created_at=clock.now(), state=VariantState.LIVE)  # fmt: skip
    db.add(variant)
    db.flush()
    for revision_id in revision_ids:
        _add_revision(db, by, question, variant, revision_id)
    _record(db, by, "added variant", question, variant=code)
    return variant


def add_variant_revision(db: Db, question_id: int, variant_id: int, *, by: Viewer, revision_id: int) -> None:
    """A later step of the part now answers as this variant too; earlier runs keep theirs."""
    require(by, Action.ASK_QUESTION)
    question = queries.get_question(db, by.programme_id, question_id, lock=True)
    variant = _variant_of(question, variant_id)
    label = _add_revision(db, by, question, variant, revision_id)
    _record(db, by, "added revision to variant", question, variant=variant.code, revision=label)


def _add_revision(db: Db, by: Viewer, question: Question, variant: Variant, revision_id: int) -> str:
    revision = get_revision(db, by.programme_id, revision_id)
    taken = {found: other for _, other, found in queries.variants_of_revisions(db, [revision_id])
             if other in {v.id for v in question.variants}}  # fmt: skip
    if revision_id in taken:
        raise Conflict(f"{revision.label} answers {question.label} already", "One revision is one variant", field="revision_ids")
    db.add(VariantRevision(variant_id=variant.id, revision_id=revision_id, added_at=clock.now()))
    db.flush()
    return revision.label


def set_variant_state(db: Db, question_id: int, variant_id: int, *, by: Viewer, state: str, why: str) -> None:
    require(by, Action.ASK_QUESTION)
    question = queries.get_question(db, by.programme_id, question_id, lock=True)
    variant = _variant_of(question, variant_id)
    if variant.is_control and state != VariantState.LIVE:
        raise Refused("The control stays live", "Everything is compared with it")
    if state not in list(VariantState):
        raise Refused(f"“{state}” is not a state of a variant", field="state")
    variant.state = state
    _record(db, by, f"set variant {state}", question, why=why, variant=variant.code)


def _variant_of(question: Question, variant_id: int) -> Variant:
    found = next((variant for variant in question.variants if variant.id == variant_id), None)
    if found is None:
        raise NotFound(f"{question.label} has no such variant")
    return found


def declare_rule(db: Db, question_id: int, *, by: Viewer, rule: rules.DeclaredRule, reason: str = "") -> RuleVersion:
    """Declare or change the rule. After the lock a change is a new version and needs its reason."""
    require(by, Action.ASK_QUESTION)
    question = queries.get_question(db, by.programme_id, question_id, lock=True)
    codes = [variant.code for variant in question.variants]
    rules.check_rule(rule, [item.id for item in list_attributes(db, by.programme_id)], codes)
    present = rules.current_rule(question)
    if present is not None and present.locked_at is not None and len(reason.strip()) < 10:
        raise Refused(f"The rule of {question.label} is locked since its first counted run",
                      "A change is a new version and says why in at least 10 characters", field="reason")  # fmt: skip
    if present is not None and rules.DeclaredRule.read(present.declared) == rule:
        raise Refused("The rule reads the same as before", "Nothing was changed", field="goal")
    version = RuleVersion(
        question_id=question.id, version=(present.version + 1) if present else 1, kind=rule.kind, declared=rule.stored(),
        reason=reason, made_by_id=by.account_id, made_at=clock.now(),
        locked_at=clock.now() if present is not None and present.locked_at is not None else None,
    )  # fmt: skip
    db.add(version)
    db.flush()
    _record(db, by, f"declared rule version {version.version}", question, why=reason)
    return version


def ask_question(db: Db, question_id: int, *, by: Viewer) -> None:
    """Draft -> asked: from now on runs may answer it."""
    require(by, Action.ASK_QUESTION)
    question = queries.get_question(db, by.programme_id, question_id, lock=True)
    rules.check_ready_to_ask(question)
    question.state = QuestionState.ASKED
    _record(db, by, "asked", question)


def drop_question(db: Db, question_id: int, *, by: Viewer, why: str) -> None:
    require(by, Action.ASK_QUESTION)
    question = queries.get_question(db, by.programme_id, question_id, lock=True)
    if question.state == QuestionState.RULED:
        raise Frozen(f"{question.label} is ruled", "A ruled question is reopened, not dropped")
    question.state = QuestionState.DROPPED
    _record(db, by, "dropped", question, why=why)


def take_up_again(db: Db, question_id: int, *, by: Viewer, why: str) -> None:
    """A dropped question is open again, where it was: running if its rule is locked, else a draft."""
    require(by, Action.ASK_QUESTION)
    question = queries.get_question(db, by.programme_id, question_id, lock=True)
    if question.state != QuestionState.DROPPED:
        raise Conflict(f"{question.label} is {question.state}", "Only a dropped question is taken up again")
    present = rules.current_rule(question)
    question.state = QuestionState.RUNNING if present is not None and present.locked_at else QuestionState.DRAFT
    _record(db, by, "took up again", question, why=why)


def lock_rules(db: Db, question_ids: Sequence[int]) -> None:
    """Called at a counted run: the newest rule of each question is locked, the question is running."""
    for question_id in sorted(set(question_ids)):
        newest = db.scalars(
            RuleVersion.__table__.select().with_only_columns(RuleVersion.id).where(RuleVersion.question_id == question_id)
            .order_by(RuleVersion.version.desc()).limit(1)
        ).first()  # fmt: skip
        db.execute(update(RuleVersion).where(RuleVersion.id == newest, RuleVersion.locked_at.is_(None))
                   .values(locked_at=clock.now()))  # fmt: skip
        db.execute(update(Question).where(Question.id == question_id, Question.state == QuestionState.ASKED)
                   .values(state=QuestionState.RUNNING))  # fmt: skip


def fix_panel_noise(db: Db, learned: Mapping[int, Mapping[str, Any]]) -> None:
    """What the panel had taught at each question's first look; the first to say so is right. Follows from what was filed."""
    for question_id, noise in sorted(learned.items()):
        db.execute(update(Question).where(Question.id == question_id, Question.panel_noise.is_(None)).values(panel_noise=dict(noise)))


def set_question_state(db: Db, question: Question, state: QuestionState, *, by: Viewer, why: str = "") -> None:
    """For decisions: ruled, reopened, running again."""
    if question.state != state:
        question.state = state
        _record(db, by, f"now {state}", question, why=why)


def _check_owner(db: Db, by: Viewer, owner_id: int | None) -> None:
    if owner_id is not None:
        get_member(db, by.programme_id, owner_id)


def _record(db: Db, by: Viewer, what: str, question: Question, *, why: str = "", **detail: Any) -> None:
    record(db, what, "question", question.id, f"{question.label} {question.title}", by_id=by.account_id,
           programme_id=by.programme_id, why=why, **detail)  # fmt: skip
