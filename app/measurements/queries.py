"""Every SELECT about what was measured, but for what names mean (`book_queries`): batches, laps, everything about questions."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Float, Integer, Select, String, and_, cast, exists, func, literal, null, or_, select, union_all
from sqlalchemy.orm import aliased

from app.access.viewer import Viewer
from app.db import Db
from app.errors import NotFound
from app.measurements import rules
from app.measurements.models import Batch, Exposure, Kind, Lap, LapFlag, Preference, Reading
from app.parts.models import Piece, Revision
from app.people.models import Account, Membership
from app.questions.models import Question, Variant, VariantRevision
from app.sessions.models import AsRunBuild, BuildVariant, Run, Session

STANDS = Batch.withdrawn_at.is_(None)


# --- batches and what they hold
class BatchRow(NamedTuple):
    batch: Batch
    added_by: str
    withdrawn_by: str


def list_batches(db: Db, programme_id: int) -> Sequence[BatchRow]:
    """Newest first, withdrawn ones too."""
    adder, withdrawer = aliased(Account), aliased(Account)
    rows = db.execute(
        select(Batch, adder.name, withdrawer.name).join(adder, adder.id == Batch.added_by_id)
        .outerjoin(withdrawer, withdrawer.id == Batch.withdrawn_by_id)
        .where(Batch.programme_id == programme_id).order_by(Batch.id.desc())
    )  # fmt: skip
    return [BatchRow(batch, added, withdrawn or "") for batch, added, withdrawn in rows]


def get_batch(db: Db, programme_id: int, batch_id: int) -> Batch:
    """One batch, held until the transaction ends."""
    found = db.scalar(select(Batch).where(Batch.id == batch_id, Batch.programme_id == programme_id)
                      .with_for_update().execution_options(populate_existing=True))  # fmt: skip
    if found is None:
        raise NotFound("There is no such table in this programme")
    return found


def find_same_table(db: Db, programme_id: int, kind: Kind, digest: str) -> Batch | None:
    return db.scalar(select(Batch).where(Batch.programme_id == programme_id, Batch.kind == kind, Batch.digest == digest, STANDS))


def touched_by(db: Db, batch: Batch) -> tuple[dict[int, str], dict[int, str]]:
    """(session id -> label, question id -> label) of what a batch says something about."""
    of_runs = select(Run.session_id).join(Lap, Lap.run_id == Run.id).where(Lap.batch_id == batch.id)
    of_choices = select(Preference.session_id).where(Preference.batch_id == batch.id)
    sessions = db.execute(select(Session.id, Session.number).where(or_(Session.id.in_(of_runs), Session.id.in_(of_choices))))
    revisions: Any = union_all(select(Exposure.revision_id).where(Exposure.batch_id == batch.id),
                          select(Reading.revision_id).where(Reading.batch_id == batch.id))  # fmt: skip
    through = select(Variant.question_id).join(VariantRevision, VariantRevision.variant_id == Variant.id)
    used = select(Exposure.variant_id).where(Exposure.batch_id == batch.id, Exposure.variant_id.is_not(None))
    questions = db.execute(select(Question.id, Question.number).where(or_(
        Question.id.in_(through.where(VariantRevision.revision_id.in_(revisions))),
        Question.id.in_(select(Variant.question_id).where(Variant.id.in_(used))))))  # fmt: skip
    return {i: f"S-{number:02d}" for i, number in sessions}, {i: f"Q-{number:02d}" for i, number in questions}


# --- laps, with the flag that stands: what a person said last, else what came in with the lap
_flags = LapFlag.__table__.alias("newer")  # of the table: an alias of the class would set up every mapper while importing
SAID_LAST = and_(LapFlag.lap_id == Lap.id,
                 ~exists().where(_flags.c.lap_id == LapFlag.lap_id, _flags.c.version > LapFlag.version))  # fmt: skip
STANDING_FLAG = func.coalesce(LapFlag.flag, Lap.flag)


class LapRow(NamedTuple):
    """A lap as it came in with the flag that stands. version : how often a person said something of it; 0 = never."""

    id: int
    run_id: int
    number: int
    time_ms: int
    clock_ms: int | None
    flag: str
    flag_as_filed: str
    version: int
    said_by_id: int | None
    said_at: datetime | None


def _lap_rows(db: Db, *where: Any) -> Sequence[LapRow]:
    rows = db.execute(
        select(Lap.id, Lap.run_id, Lap.number, Lap.time_ms, Lap.clock_ms, STANDING_FLAG, Lap.flag, func.coalesce(LapFlag.version, 0),
               LapFlag.said_by_id, LapFlag.said_at)
        .select_from(Lap).join(Batch, Batch.id == Lap.batch_id).join(Run, Run.id == Lap.run_id).outerjoin(LapFlag, SAID_LAST)
        .where(STANDS, *where).order_by(Run.number, Lap.number)
    )  # fmt: skip
    return [LapRow(*tuple(row)) for row in rows]


def list_laps(db: Db, run_id: int) -> Sequence[LapRow]:
    """The standing laps of a run in their order."""
    return _lap_rows(db, Lap.run_id == run_id)


def list_session_laps(db: Db, session_id: int) -> Sequence[LapRow]:
    """The standing laps of a session's runs, by run and number."""
    return _lap_rows(db, Run.session_id == session_id)


def count_laps(db: Db, session_id: int) -> Mapping[int, tuple[int, int]]:
    """Run id -> (laps, of them left out), for the runs of a session that have any."""
    rows = db.execute(
        select(Lap.run_id, func.count(Lap.id), func.count(Lap.id).filter(STANDING_FLAG != ""))
        .select_from(Lap).outerjoin(LapFlag, SAID_LAST).join(Batch, Batch.id == Lap.batch_id).join(Run, Run.id == Lap.run_id)
        .where(Run.session_id == session_id, STANDS).group_by(Lap.run_id)
    )  # fmt: skip
    return {run_id: (laps, out) for run_id, laps, out in rows}


class PreferenceRow(NamedTuple):
    rater_id: int
    initials: str
    question: str
    first: str
    second: str
    preferred: str | None


def list_preferences(db: Db, programme_id: int, session_id: int) -> Sequence[PreferenceRow]:
    first, second, kept = aliased(Variant), aliased(Variant), aliased(Variant)
    rows = db.execute(
        select(Preference.rater_id, Membership.initials, Question.number, first.code, second.code, kept.code)
        .join(Batch, Batch.id == Preference.batch_id).join(Question, Question.id == Preference.question_id)
        .join(first, first.id == Preference.first_variant_id).join(second, second.id == Preference.second_variant_id)
        .outerjoin(kept, kept.id == Preference.preferred_variant_id)
        .join(Membership, and_(Membership.account_id == Preference.rater_id, Membership.programme_id == programme_id))
        .where(Preference.session_id == session_id, Batch.programme_id == programme_id, STANDS)
        .order_by(Question.number, Membership.initials, Preference.id)
    )  # fmt: skip
    return [PreferenceRow(rater, initials, f"Q-{n:02d}", one, two, kept_code) for rater, initials, n, one, two, kept_code in rows]


class ExposureRow(NamedTuple):
    what: str
    laps: int
    minutes_hundredths: int
    impacts: int
    failures: int
    note: str


def list_exposures(db: Db, session_id: int) -> Sequence[ExposureRow]:
    """Use that was filed for one session."""
    rows = db.execute(
        select(Exposure, Revision.label, Variant.code).join(Batch, Batch.id == Exposure.batch_id)
        .outerjoin(Revision, Revision.id == Exposure.revision_id).outerjoin(Variant, Variant.id == Exposure.variant_id)
        .where(Exposure.session_id == session_id, STANDS).order_by(Exposure.id)
    )  # fmt: skip
    return [ExposureRow(label or code or "", e.laps, e.minutes_hundredths, e.impacts, e.failures, e.note) for e, label, code in rows]


def driven_variants(db: Db, viewer: Viewer, session_id: int) -> dict[tuple[int, str], dict[int, str]]:
    """(question id, label) -> variant id -> code, of what the viewer really drove in a session."""
    newer = aliased(AsRunBuild)
    newest = ~select(newer.id).where(newer.run_id == AsRunBuild.run_id, newer.version > AsRunBuild.version).exists()
    rows = db.execute(
        select(Question.id, Question.number, Variant.id, Variant.code)
        .join(Variant, Variant.question_id == Question.id).join(BuildVariant, BuildVariant.variant_id == Variant.id)
        .join(AsRunBuild, AsRunBuild.id == BuildVariant.build_id).join(Run, Run.id == AsRunBuild.run_id)
        .where(Run.session_id == session_id, Run.programme_id == viewer.programme_id, Run.driver_id == viewer.account_id,
               Run.state.in_(rules.DRIVEN), newest)
        .order_by(Question.number, Variant.id).distinct()
    )  # fmt: skip
    found: dict[tuple[int, str], dict[int, str]] = {}
    for question_id, number, variant_id, code in rows:
        found.setdefault((question_id, f"Q-{number:02d}"), {})[variant_id] = code
    return found


# --- everything measured about some questions, for their evidence
INTS, FLOATS, TEXTS = 8, 4, 4


def wide(kind: str, *, ints: Sequence[Any] = (), floats: Sequence[Any] = (), texts: Sequence[Any] = ()) -> Select[Any]:
    """A row of one kind as wide as the widest, so that all kinds fit one union."""
    filled: list[Any] = [cast(literal(str(kind)), String)]
    for given, of, wide in ((ints, Integer, INTS), (floats, Float, FLOATS), (texts, String, TEXTS)):
        filled += [*given, *(cast(null(), of) for _ in range(wide - len(given)))]
    return select(*(column.label(f"c{n}") for n, column in enumerate(filled)))


class OtherRow(NamedTuple):
    """A row that another feature added to the union, for it to read back."""

    kind: str
    ints: Sequence[Any]
    floats: Sequence[Any]
    texts: Sequence[Any]


def load_measured(db: Db, programme_id: int, question_ids: Sequence[int], carrying: Select[Any], *,
                  also: Sequence[Select[Any]] = ()) -> tuple[rules.Measured, list[OtherRow]]:  # fmt: skip
    """What was measured about these questions; `carrying` selects the ids of their runs. One query: a page has twelve.

    also : `wide` rows of later features, answered beside it.
    """
    variants = select(Variant.id).where(Variant.question_id.in_(question_ids))
    revisions = select(VariantRevision.revision_id).where(VariantRevision.variant_id.in_(variants))

    def standing(row: Select[Any], model: Any) -> Select[Any]:
        return row.select_from(model).join(Batch, Batch.id == model.batch_id).where(Batch.programme_id == programme_id, STANDS)

    laps = standing(wide(Kind.LAPS, ints=[Lap.run_id, Lap.number, Lap.time_ms, Lap.clock_ms], texts=[STANDING_FLAG]), Lap)
    laps = laps.outerjoin(LapFlag, SAID_LAST)
    choices = standing(wide(Kind.PREFERENCES, ints=[Session.id, Session.number, Preference.question_id, Preference.first_variant_id,
                                                     Preference.second_variant_id, Preference.preferred_variant_id],
                             texts=[Session.state, Membership.initials]), Preference)  # fmt: skip
    used = standing(wide(Kind.EXPOSURES, ints=[Session.id, Session.number, Exposure.revision_id, Exposure.variant_id, Exposure.laps,
                                                Exposure.minutes_hundredths, Exposure.failures, Exposure.impacts],
                          texts=[Session.state]), Exposure)  # fmt: skip
    read = standing(wide(Kind.READINGS, ints=[Reading.revision_id], floats=[Reading.value, Reading.lower, Reading.upper,
                                                                            Reading.uncertainty],
                          texts=[Reading.characteristic, Reading.unit, Revision.label, Piece.mark]), Reading)  # fmt: skip
    rows = db.execute(union_all(
        laps.where(Lap.run_id.in_(carrying)),
        choices.join(Session, Session.id == Preference.session_id)
        .join(Membership, and_(Membership.account_id == Preference.rater_id, Membership.programme_id == programme_id))
        .where(Preference.question_id.in_(question_ids)),
        used.outerjoin(Session, Session.id == Exposure.session_id)
        .where(or_(Exposure.revision_id.in_(revisions), Exposure.variant_id.in_(variants))),
        read.join(Revision, Revision.id == Reading.revision_id).outerjoin(Piece, Piece.id == Reading.piece_id)
        .where(Reading.revision_id.in_(revisions)),
        *also,
    )).all()  # fmt: skip
    ours = tuple(Kind)
    others = [OtherRow(kind, values[:INTS], values[INTS : INTS + FLOATS], values[INTS + FLOATS :])
              for kind, *values in rows if kind not in ours]  # fmt: skip
    return _measured([row for row in rows if row[0] in ours]), others


def _measured(rows: Sequence[Any]) -> rules.Measured:
    laps, choices, used, read = [], [], [], []
    for kind, *values in rows:
        i, f, t = values[:INTS], values[INTS : INTS + FLOATS], values[INTS + FLOATS :]
        if kind == Kind.LAPS:
            laps.append(rules.LapFact(i[0], i[1], i[2], i[3], t[0]))
        elif kind == Kind.PREFERENCES:
            choices.append(rules.PreferenceFact(i[2], rules.SessionFact(i[0], f"S-{i[1]:02d}", t[0]), t[1], i[3], i[4], i[5]))
        elif kind == Kind.EXPOSURES:
            session = rules.SessionFact(i[0], f"S-{i[1]:02d}", t[0]) if i[0] is not None else None
            used.append(rules.ExposureFact(session, i[2], i[3], i[4], i[5] / 100, i[6], i[7]))
        else:
            piece = f"{t[2]} {t[3]}" if t[3] else ""
            read.append(rules.ReadingFact(i[0], piece, t[0], f[0], t[1], f[1], f[2], f[3]))
    return rules.Measured(tuple(laps), tuple(choices), tuple(used), tuple(read))
