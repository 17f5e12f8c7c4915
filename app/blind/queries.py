"""Every SELECT about blind blocks. What a sealed key holds leaves this file for its holder only."""

from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

from sqlalchemy import and_, exists, func, select
from sqlalchemy.orm import aliased

from app.access.viewer import Viewer
from app.blind.models import BlindBlock, BlindBuild, BlindChoice, BlindCode, BlindGuess, BlindPiece, BlindRun, KeyState
from app.blind.rules import BlockFacts, RunInBlock
from app.db import Db
from app.errors import NotFound
from app.feedback.models import Slip
from app.people.models import Account, Membership
from app.questions.models import Question, Variant
from app.sessions.models import AsRunBuild, Car, Run, RunState, Session
from app.sessions.queries import list_runs


def sealed_runs(db: Db, viewer: Viewer) -> frozenset[int]:
    """Runs of this programme whose car the viewer may not know yet: under a sealed key that somebody else holds. One query."""
    return frozenset(db.scalars(
        select(BlindRun.run_id).join(BlindBlock, BlindBlock.id == BlindRun.block_id)
        .where(BlindBlock.programme_id == viewer.programme_id, BlindBlock.state == KeyState.SEALED,
               BlindBlock.holder_id != viewer.account_id)
    ))  # fmt: skip


def sealed_keys(db: Db, programme_id: int | None = None) -> Sequence[str]:
    """Blocks whose key is sealed, as “S-03/B1”; of every programme without one."""
    query = select(Session.number, BlindBlock.number).join(Session, Session.id == BlindBlock.session_id)
    query = query.where(BlindBlock.state == KeyState.SEALED).order_by(Session.number, BlindBlock.number)
    if programme_id is not None:
        query = query.where(BlindBlock.programme_id == programme_id)
    return [f"S-{session:02d}/B{block}" for session, block in db.execute(query)]


def get_block(db: Db, programme_id: int, block_id: int, *, lock: bool = False) -> BlindBlock:
    query = select(BlindBlock).where(BlindBlock.id == block_id, BlindBlock.programme_id == programme_id)
    if lock:
        query = query.with_for_update().execution_options(populate_existing=True)
    found = db.scalar(query)
    if found is None:
        raise NotFound("There is no such blind block in this programme")
    return found


def load_block(db: Db, viewer: Viewer, block_id: int) -> BlockFacts:
    found = load_blocks(db, viewer.programme_id, viewer=viewer, block_id=block_id)
    if not found:
        raise NotFound("There is no such blind block in this programme")
    return found[0]


def load_blocks(db: Db, programme_id: int, *, viewer: Viewer | None = None, block_id: int | None = None,
                session_id: int | None = None, question_ids: Collection[int] | None = None) -> list[BlockFacts]:  # fmt: skip
    """Blocks with their runs, one query. The key of a sealed one is left out, but for a viewer who holds it."""
    query = _blocks_query(programme_id)
    if block_id is not None:
        query = query.where(BlindBlock.id == block_id)
    if session_id is not None:
        query = query.where(BlindBlock.session_id == session_id)
    if question_ids is not None:
        query = query.where(BlindBlock.question_id.in_(question_ids))
    grouped: dict[int, list[Any]] = {}
    for row in db.execute(query):
        grouped.setdefault(row.BlindBlock.id, []).append(row)
    return [_facts(rows, viewer) for rows in grouped.values()]


def _blocks_query(programme_id: int) -> Any:
    holder, opener, holder_account = aliased(Membership), aliased(Membership), aliased(Account)
    expected, guessed, code = aliased(Variant), aliased(BlindGuess), aliased(BlindCode)
    guesses = (
        select(func.count(guessed.id)).join(code, code.id == guessed.code_id).where(code.block_id == BlindBlock.id)
        .correlate(BlindBlock)
    )  # fmt: skip
    rated = exists().where(Slip.run_id == Run.id, Slip.rater_id == Run.driver_id, Slip.withdrawn_at.is_(None))
    here = Membership.programme_id == programme_id
    return (
        select(BlindBlock, Session, Question.number.label("asked"), holder.initials.label("holder"), holder_account.name.label("name"),
               opener.initials.label("opener"), expected.code.label("expected"), Run, Car.name.label("car"),
               Membership.initials.label("driver"), BlindCode, Variant, BlindChoice.chosen_run_id.label("chosen"), rated.label("rated"),
               guesses.scalar_subquery().label("guesses"),
               guesses.where(guessed.variant_id == code.variant_id).scalar_subquery().label("right"))
        .join(Session, Session.id == BlindBlock.session_id).join(Question, Question.id == BlindBlock.question_id)
        .join(BlindRun, BlindRun.block_id == BlindBlock.id).join(Run, Run.id == BlindRun.run_id).join(Car, Car.id == Run.car_id)
        .join(BlindCode, BlindCode.id == BlindRun.code_id).join(Variant, Variant.id == BlindCode.variant_id)
        .join(Membership, and_(Membership.account_id == Run.driver_id, here))
        .join(holder, and_(holder.account_id == BlindBlock.holder_id, holder.programme_id == programme_id))
        .join(holder_account, holder_account.id == BlindBlock.holder_id)
        .outerjoin(opener, and_(opener.account_id == BlindBlock.opened_by_id, opener.programme_id == programme_id))
        .outerjoin(expected, expected.id == BlindBlock.expected_id)
        .outerjoin(BlindChoice, BlindChoice.first_run_id == Run.id)
        .where(BlindBlock.programme_id == programme_id)
        .order_by(Session.number, BlindBlock.number, Run.number)
    )  # fmt: skip


def _facts(rows: Sequence[Any], viewer: Viewer | None) -> BlockFacts:
    block, session = rows[0].BlindBlock, rows[0].Session
    told = not block.sealed or (viewer is not None and viewer.account_id == block.holder_id)
    variants = sorted({(row.Variant.position, row.Variant.id, row.Variant.code, row.Variant.is_control) for row in rows})
    runs = tuple(
        RunInBlock(row.Run.id, row.Run.label, row.Run.number, row.Run.driver_id, row.driver, row.car, row.Run.state, row.BlindCode.code,
                   row.rated, row.chosen, row.Variant.id if told else None, row.Variant.code if told else "",
                   row.BlindCode.repeat if told else False)
        for row in rows
    )  # fmt: skip
    return BlockFacts(
        id=block.id, label=f"{session.label}/{block.label}", session_id=session.id, question_id=block.question_id,
        question=f"Q-{rows[0].asked:02d}", kind=block.kind, asked=block.asked, expected=rows[0].expected or "", state=block.state,
        holder_id=block.holder_id, holder=rows[0].holder, holder_name=rows[0].name, opened_by=rows[0].opener or "",
        opened_at=block.opened_at, opened_why=block.opened_why, missing=block.missing, time_zone=session.time_zone,
        guesses=rows[0].guesses, guesses_right=0 if block.sealed else rows[0].right,
        variants=tuple((number, code) for _, number, code, _ in variants),
        control=next((code for *_, code, is_control in variants if is_control), ""), runs=runs,
    )  # fmt: skip


def next_block_number(db: Db, session_id: int) -> int:
    return (db.scalar(select(func.max(BlindBlock.number)).where(BlindBlock.session_id == session_id)) or 0) + 1


def taken_codes(db: Db, session_id: int) -> Sequence[int]:
    return db.scalars(select(BlindCode.code).where(BlindCode.session_id == session_id)).all()


def list_free_runs(db: Db, programme_id: int, session_id: int) -> list[Any]:
    """Runs that can still go under a code: planned, and without a build that people could have read."""
    built = set(db.scalars(select(AsRunBuild.run_id).join(Run, Run.id == AsRunBuild.run_id).where(Run.session_id == session_id)))
    return [run for run in list_runs(db, programme_id, session_id)
            if run.state == RunState.PLANNED and run.blind_code is None and run.id not in built]  # fmt: skip


class SealedBuild(NamedTuple):
    """The newest version of what the holder noted; `pieces` as (id, label)."""

    build: BlindBuild
    pieces: tuple[int, ...]


def load_builds(db: Db, run_ids: Collection[int]) -> dict[int, SealedBuild]:
    """run id -> its newest sealed build. For the holder of the key, and for its opening."""
    rows = db.execute(
        select(BlindBuild, BlindPiece.piece_id).outerjoin(BlindPiece, BlindPiece.build_id == BlindBuild.id)
        .where(BlindBuild.run_id.in_(run_ids)).order_by(BlindBuild.run_id, BlindBuild.version, BlindPiece.piece_id)
    )  # fmt: skip
    found: dict[int, tuple[BlindBuild, list[int]]] = {}
    for build, piece_id in rows:
        if build.run_id not in found or found[build.run_id][0].id != build.id:
            found[build.run_id] = (build, [])
        if piece_id is not None:
            found[build.run_id][1].append(piece_id)
    return {run_id: SealedBuild(build, tuple(pieces)) for run_id, (build, pieces) in found.items()}


def code_ids(db: Db, block_id: int) -> dict[int, int]:
    """code -> its row's id, for what is filed about it."""
    return {row.code: row.id for row in db.execute(select(BlindCode.code, BlindCode.id).where(BlindCode.block_id == block_id))}


def has_guessed(db: Db, block_id: int, rater_id: int) -> bool:
    query = select(BlindGuess.id).join(BlindCode, BlindCode.id == BlindGuess.code_id)
    return db.scalar(query.where(BlindCode.block_id == block_id, BlindGuess.rater_id == rater_id).limit(1)) is not None
