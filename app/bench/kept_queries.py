"""Every SELECT about gauge studies, fits, chains and expected effects."""

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import func, select

from app.bench.models import Chain, Characteristic, ExpectedEffect, Fit, Gauge, GaugeStudy, StudyReading
from app.db import Db
from app.errors import NotFound
from app.gauging.study import Trial
from app.parts.models import Part
from app.people.models import Account
from app.questions.models import Question, Variant


def next_number(db: Db, model: type[Gauge] | type[GaugeStudy] | type[Fit] | type[Chain], programme_id: int) -> int:
    """Call after `lock_programme`."""
    return (db.scalar(select(func.max(model.number)).where(model.programme_id == programme_id)) or 0) + 1


class StudyRow(NamedTuple):
    study: GaugeStudy
    gauge: str
    characteristic: str
    kind: str
    part_id: int
    part_code: str
    by: str


def list_studies(db: Db, programme_id: int, *, study_id: int | None = None) -> list[StudyRow]:
    query = (
        select(GaugeStudy, Gauge.number, Gauge.name, Characteristic.name, Characteristic.kind, Part.id, Part.code, Account.name)
        .join(Gauge, Gauge.id == GaugeStudy.gauge_id).join(Characteristic, Characteristic.id == GaugeStudy.characteristic_id)
        .join(Part, Part.id == Characteristic.part_id).join(Account, Account.id == GaugeStudy.noted_by_id)
        .where(GaugeStudy.programme_id == programme_id).order_by(GaugeStudy.number.desc())
    )  # fmt: skip
    if study_id is not None:
        query = query.where(GaugeStudy.id == study_id)
    return [StudyRow(study, f"G-{n:02d} {gauge}", name, kind, part_id, code, by)
            for study, n, gauge, name, kind, part_id, code, by in db.execute(query)]  # fmt: skip


def get_study(db: Db, programme_id: int, study_id: int) -> StudyRow:
    found = list_studies(db, programme_id, study_id=study_id)
    if not found:
        raise NotFound("There is no such gauge study in this programme", "", "Look for it in the gauge log.")
    return found[0]


def list_trials(db: Db, study_id: int) -> list[Trial]:
    rows = db.scalars(select(StudyReading).where(StudyReading.gauge_study_id == study_id).order_by(StudyReading.id))
    return [Trial(row.operator, row.piece, row.trial, row.value) for row in rows]


def list_fits(db: Db, programme_id: int) -> Sequence[Fit]:
    return db.scalars(select(Fit).where(Fit.programme_id == programme_id).order_by(Fit.number.desc())).all()


def list_chains(db: Db, programme_id: int) -> Sequence[Chain]:
    return db.scalars(select(Chain).where(Chain.programme_id == programme_id).order_by(Chain.number.desc())).all()


def get_fit(db: Db, programme_id: int, mating_fit_id: int) -> Fit:
    found = db.scalar(select(Fit).where(Fit.id == mating_fit_id, Fit.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such fit in this programme", "", "Look for it under Fits.")
    return found


def get_chain(db: Db, programme_id: int, chain_id: int) -> Chain:
    found = db.scalar(select(Chain).where(Chain.id == chain_id, Chain.programme_id == programme_id))
    if found is None:
        raise NotFound("There is no such chain in this programme", "", "Look for it under Fits.")
    return found


class EffectRow(NamedTuple):
    effect: ExpectedEffect
    question_id: int
    question: str
    variant: str
    by: str


def list_effects(db: Db, programme_id: int, *, question_id: int | None = None) -> list[EffectRow]:
    """The newest first, withdrawn ones too; of one question's variants, or of all."""
    query = (
        select(ExpectedEffect, Question, Variant.code, Account.name)
        .join(Variant, Variant.id == ExpectedEffect.variant_id).join(Question, Question.id == Variant.question_id)
        .join(Account, Account.id == ExpectedEffect.noted_by_id)
        .where(ExpectedEffect.programme_id == programme_id).order_by(ExpectedEffect.id.desc())
    )  # fmt: skip
    if question_id is not None:
        query = query.where(Question.id == question_id)
    rows = db.execute(query)
    return [EffectRow(effect, question.id, question.label, code, by) for effect, question, code, by in rows]


def list_variants(db: Db, programme_id: int, *, question_id: int | None = None) -> list[tuple[int, str]]:
    """(id, “Q-01 t45, 4.5 mm”) of every variant, or of one question's."""
    query = (
        select(Variant.id, Question.number, Variant.code, Variant.title).join(Question, Question.id == Variant.question_id)
        .where(Question.programme_id == programme_id).order_by(Question.number, Variant.position, Variant.id)
    )  # fmt: skip
    if question_id is not None:
        query = query.where(Question.id == question_id)
    rows = db.execute(query)
    return [(variant_id, f"Q-{number:02d} {code}{f', {title}' if title else ''}") for variant_id, number, code, title in rows]
