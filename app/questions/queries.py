"""Every SELECT about questions, variants and declared rules."""

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import selectinload

from app.db import Db
from app.errors import NotFound
from app.parts.models import Revision
from app.questions.models import Question, QuestionState, Variant, VariantRevision

OPEN_STATES = (QuestionState.ASKED, QuestionState.RUNNING, QuestionState.READY, QuestionState.REOPENED)


def get_question(db: Db, programme_id: int, question_id: int, *, lock: bool = False) -> Question:
    """One question with variants (and their revisions) and rules; optionally holding its row."""
    query = (
        select(Question)
        .where(Question.id == question_id, Question.programme_id == programme_id)
        .options(selectinload(Question.variants).selectinload(Variant.revisions), selectinload(Question.rules))
    )
    if lock:
        query = query.with_for_update()
    found = db.scalar(query.execution_options(populate_existing=lock))
    if found is None:
        raise NotFound("There is no such question in this programme")
    return found


def list_questions(db: Db, programme_id: int) -> Sequence[Question]:
    """Every question in its number's order, with variants and rules."""
    return db.scalars(
        select(Question)
        .where(Question.programme_id == programme_id)
        .options(selectinload(Question.variants), selectinload(Question.rules))
        .order_by(Question.number)
    ).all()


def find_question_by_title(db: Db, programme_id: int, title: str) -> Question | None:
    return db.scalar(select(Question).where(Question.programme_id == programme_id, Question.title == title))


class VariantRow(NamedTuple):
    """A variant as pages name it."""

    id: int
    question_id: int
    question_label: str
    question_title: str
    code: str
    title: str
    is_control: bool
    whole_car: bool


def list_variants(db: Db, programme_id: int, *, open_only: bool = True) -> Sequence[VariantRow]:
    """Every variant of the programme's questions, for build forms."""
    query = (
        select(Variant, Question)
        .join(Question, Question.id == Variant.question_id)
        .where(Question.programme_id == programme_id)
        .order_by(Question.number, Variant.position)
    )
    if open_only:
        query = query.where(Question.state.in_(OPEN_STATES))
    return [
        VariantRow(v.id, q.id, q.label, q.title, v.code, v.title, v.is_control, v.whole_car) for v, q in db.execute(query)
    ]


def variants_of_revisions(db: Db, revision_ids: Sequence[int]) -> Sequence[tuple[int, int, int]]:
    """(question id, variant id, revision id) for every variant that one of these revisions answers."""
    if not revision_ids:
        return []
    rows = db.execute(
        select(Variant.question_id, Variant.id, VariantRevision.revision_id)
        .join(VariantRevision, VariantRevision.variant_id == Variant.id)
        .where(VariantRevision.revision_id.in_(revision_ids))
    )
    return [(question, variant, revision) for question, variant, revision in rows]


def revision_labels(db: Db, programme_id: int) -> dict[int, str]:
    rows = db.execute(select(Revision.id, Revision.label).where(Revision.programme_id == programme_id))
    return {row.id: row.label for row in rows}
