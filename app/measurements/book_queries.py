"""What the names in a table mean in a programme: every SELECT of it."""

from collections import defaultdict

from sqlalchemy import and_, select
from sqlalchemy.orm import aliased

from app.db import Db
from app.measurements import rules
from app.measurements.models import Batch, Kind, Lap, Preference
from app.parts.models import Part, Piece, Revision
from app.people.models import Membership
from app.people.queries import list_people
from app.people.rules import name_key
from app.questions.models import Question, Variant, VariantRevision
from app.sessions.models import AsRunBuild, BuildVariant, Run, Session

STANDS = Batch.withdrawn_at.is_(None)


def load_book(db: Db, programme_id: int, kind: Kind) -> rules.Book:
    """Everything that a table of this kind may name, in at most six queries."""
    book = rules.Book()
    if kind != Kind.READINGS:
        _note_sessions(db, programme_id, book)
    _note_variants(db, programme_id, book)
    if kind in (Kind.LAPS, Kind.PREFERENCES):
        _note_runs(db, programme_id, book)
    if kind in (Kind.EXPOSURES, Kind.READINGS):
        _note_revisions(db, programme_id, book)
    if kind == Kind.LAPS:
        laps = select(Lap.run_id, Lap.number).join(Batch, Batch.id == Lap.batch_id).where(Batch.programme_id == programme_id, STANDS)
        book.laps = {(run_id, number) for run_id, number in db.execute(laps)}
    if kind == Kind.PREFERENCES:
        book.people = {name_key(person.initials): person.account_id for person in list_people(db, programme_id)}
        book.preferences = {
            (p.session_id, p.rater_id, p.question_id, frozenset((p.first_variant_id, p.second_variant_id))): p.batch_id
            for p in db.scalars(select(Preference).join(Batch, Batch.id == Preference.batch_id)
                                .where(Batch.programme_id == programme_id, STANDS))
        }  # fmt: skip
    return book


def _note_sessions(db: Db, programme_id: int, book: rules.Book) -> None:
    rows = db.execute(select(Session.id, Session.number, Session.alias).where(Session.programme_id == programme_id)).all()
    for session_id, number, _ in rows:
        book.sessions[f"s-{number:02d}"] = [(session_id, f"S-{number:02d}")]
    labels = set(book.sessions)
    for session_id, number, alias in rows:
        if alias and name_key(alias) not in labels:  # a label is never taken for an alias
            book.sessions.setdefault(name_key(alias), []).append((session_id, f"S-{number:02d}"))


def _note_variants(db: Db, programme_id: int, book: rules.Book) -> None:
    rows = db.execute(
        select(Question.id, Question.number, Question.title, Variant.id, Variant.code, VariantRevision.revision_id)
        .join(Variant, Variant.question_id == Question.id)
        .outerjoin(VariantRevision, VariantRevision.variant_id == Variant.id)
        .where(Question.programme_id == programme_id).order_by(Question.number, Variant.id, VariantRevision.id)
    ).all()  # fmt: skip
    revisions: dict[int, list[int]] = defaultdict(list)
    for row in rows:
        if row.revision_id is not None:
            revisions[row[3]].append(row.revision_id)
    titles: dict[str, set[tuple[int, str]]] = defaultdict(set)
    for question_id, number, title, variant_id, code, _ in rows:
        label = f"Q-{number:02d}"
        book.questions[label.casefold()] = [(question_id, label)]
        titles[name_key(title)].add((question_id, label))
        fact = rules.VariantFact(variant_id, question_id, code, tuple(revisions[variant_id]))
        book.variants[question_id, name_key(code)] = fact
    for title, found in titles.items():
        book.questions.setdefault(title, sorted(found))


def _note_runs(db: Db, programme_id: int, book: rules.Book) -> None:
    """Runs with what their newest build carries, by label and by alias."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    rows = db.execute(
        select(Run.id, Run.session_id, Run.number, Run.alias, Run.driver_id, Membership.initials, Run.state,
               BuildVariant.question_id, BuildVariant.variant_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, Membership.programme_id == programme_id))
        .outerjoin(AsRunBuild, and_(AsRunBuild.run_id == Run.id, newest))
        .outerjoin(BuildVariant, BuildVariant.build_id == AsRunBuild.id)
        .where(Run.programme_id == programme_id).order_by(Run.id)
    ).all()  # fmt: skip
    carried: dict[int, dict[int, int]] = defaultdict(dict)
    for row in rows:
        if row.question_id is not None:
            carried[row[0]][row.question_id] = row.variant_id
    facts = {row[0]: (rules.RunFact(row[0], row[1], f"R-{row[2]:02d}", row[4], row[5], row[6], carried[row[0]]), row[3]) for row in rows}
    for fact, _ in facts.values():
        book.runs[fact.session_id, fact.label.casefold()] = [fact]
    labels = set(book.runs)
    for fact, alias in facts.values():
        if alias and (fact.session_id, name_key(alias)) not in labels:
            book.runs.setdefault((fact.session_id, name_key(alias)), []).append(fact)


def _note_revisions(db: Db, programme_id: int, book: rules.Book) -> None:
    rows = db.execute(
        select(Revision.id, Revision.label, Revision.alias, Part.code, Piece.mark, Piece.id)
        .join(Part, Part.id == Revision.part_id).outerjoin(Piece, Piece.revision_id == Revision.id)
        .where(Revision.programme_id == programme_id).order_by(Revision.id)
    ).all()  # fmt: skip
    facts = {row[0]: (rules.RevisionFact(row[0], row[1], row[3]), row[2]) for row in rows}
    for fact, _ in facts.values():
        book.revisions[name_key(fact.label)] = [fact]
    labels = set(book.revisions)
    for fact, alias in facts.values():
        if alias and name_key(alias) not in labels:
            book.revisions.setdefault(name_key(alias), []).append(fact)
    book.pieces = {(row[0], row.mark): row[5] for row in rows if row.mark is not None}
