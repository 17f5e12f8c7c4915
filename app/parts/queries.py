"""Every SELECT about parts, revisions and pieces."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import case, column, func, literal, select, table, union_all
from sqlalchemy.orm import joinedload

from app.db import Db
from app.errors import NotFound
from app.history.models import Happening
from app.parts import rules
from app.parts.models import Part, Piece, Revision, RevisionState
from app.people.models import Membership
from app.people.rules import name_key
from app.programmes.models import Programme


class RevisionRow(NamedTuple):
    """One revision as a list shows it."""

    id: int
    label: str
    alias: str
    part_id: int
    part_code: str
    part_title: str
    line: str
    step: int
    state: str


class PieceRow(NamedTuple):
    """One piece as a list shows it; `label` is such as FST-t45 r2 #1."""

    id: int
    mark: str
    label: str
    revision_id: int
    revision_label: str
    part_id: int
    part_code: str
    line: str
    state: str
    process: str
    place: str


class PieceCount(NamedTuple):
    usable: int = 0
    total: int = 0


class Happened(NamedTuple):
    """One line of the trail of one thing."""

    at: datetime
    initials: str
    what: str
    why: str
    detail: dict[str, Any]


def lock_programme(db: Db, programme_id: int) -> None:
    """Queue behind everyone else who numbers something in this programme; released at commit.

    Weaker than FOR UPDATE on purpose: rows that merely refer to the programme can still be added meanwhile.
    """
    db.execute(select(Programme.id).where(Programme.id == programme_id).with_for_update(key_share=True))


def get_part(db: Db, programme_id: int, part_id: int) -> Part:
    part = db.scalar(select(Part).where(Part.id == part_id, Part.programme_id == programme_id))
    if part is None:
        raise NotFound("There is no such part in this programme", "", "Look for it under Parts.")
    return part


def get_revision(db: Db, programme_id: int, revision_id: int) -> Revision:
    """A revision with its part loaded."""
    revision = db.scalar(
        select(Revision)
        .where(Revision.id == revision_id, Revision.programme_id == programme_id)
        .options(joinedload(Revision.part))
    )
    if revision is None:
        raise NotFound("There is no such revision in this programme", "", "Look for it under Parts.")
    return revision


def get_piece(db: Db, programme_id: int, piece_id: int) -> Piece:
    """A piece with its revision and part loaded."""
    piece = db.scalar(
        select(Piece)
        .where(Piece.id == piece_id, Piece.programme_id == programme_id)
        .options(joinedload(Piece.revision).joinedload(Revision.part))
    )
    if piece is None:
        raise NotFound("There is no such piece in this programme", "", "Look for it under Parts.")
    return piece


def list_parts(db: Db, programme_id: int) -> Sequence[Part]:
    return db.scalars(select(Part).where(Part.programme_id == programme_id).order_by(Part.code_key)).all()


def list_revisions(db: Db, programme_id: int) -> Sequence[RevisionRow]:
    """Every revision of the programme, by part, line and step."""
    rows = db.execute(
        select(
            Revision.id,
            Revision.label,
            Revision.alias,
            Part.id,
            Part.code,
            Part.title,
            Revision.line,
            Revision.step,
            Revision.state,
        )
        .join(Part, Part.id == Revision.part_id)
        .where(Revision.programme_id == programme_id)
        .order_by(Part.code_key, Revision.line_key, Revision.step)
    )
    return [RevisionRow(*row) for row in rows]


def list_revisions_of_part(db: Db, programme_id: int, part_id: int) -> Sequence[Revision]:
    """The revisions of one part, by line and step."""
    return db.scalars(
        select(Revision)
        .where(Revision.programme_id == programme_id, Revision.part_id == part_id)
        .order_by(Revision.line_key, Revision.step)
    ).all()


def list_pieces(
    db: Db, programme_id: int, usable_only: bool = False, *, revision_id: int | None = None
) -> Sequence[PieceRow]:
    """The pieces of the programme or one revision; `usable_only`: on hand or on a car, revision not withdrawn."""
    query = (
        select(
            Piece.id,
            Piece.mark,
            Revision.label,
            Revision.id,
            Part.id,
            Part.code,
            Revision.line,
            Piece.state,
            Piece.process,
            Piece.place,
        )
        .join(Revision, Revision.id == Piece.revision_id)
        .join(Part, Part.id == Revision.part_id)
        .where(Piece.programme_id == programme_id)
    )
    if revision_id is not None:
        query = query.where(Piece.revision_id == revision_id)
    if usable_only:
        query = query.where(Piece.state.in_(rules.USABLE_PIECES), Revision.state != RevisionState.WITHDRAWN)
    rows = db.execute(query.order_by(Part.code_key, Revision.line_key, Revision.step, Piece.id))
    return [
        PieceRow(id_, mark, f"{label} {mark}", revision, label, part, code, line, state, process, place)
        for id_, mark, label, revision, part, code, line, state, process, place in rows
    ]


def list_marks(db: Db, revision_id: int) -> list[str]:
    """The marks of one revision's pieces."""
    return list(db.scalars(select(Piece.mark).where(Piece.revision_id == revision_id).order_by(Piece.id)))


def find_modified(db: Db, piece_id: int) -> Piece | None:
    """What this piece became when it was modified by hand, if it was."""
    return db.scalar(select(Piece).where(Piece.modified_from_id == piece_id))


def count_pieces(db: Db, programme_id: int, part_id: int | None = None) -> dict[int, PieceCount]:
    """Revision id -> its pieces: usable and all (a piece that became a sub-mark counts once)."""
    usable = func.sum(case((Piece.state.in_(rules.USABLE_PIECES), 1), else_=0))
    there = func.sum(case((Piece.state == "modified", 0), else_=1))
    query = select(Piece.revision_id, usable, there).where(Piece.programme_id == programme_id)
    if part_id is not None:
        query = query.join(Revision, Revision.id == Piece.revision_id).where(Revision.part_id == part_id)
    return {
        revision_id: PieceCount(int(fit), int(all_))
        for revision_id, fit, all_ in db.execute(query.group_by(Piece.revision_id))
    }


def part_has_piece(db: Db, part_id: int) -> bool:
    found = select(Piece.id).join(Revision, Revision.id == Piece.revision_id).where(Revision.part_id == part_id)
    return db.scalar(found.limit(1)) is not None


def revision_was_run(db: Db, revision_id: int, *, lock: bool = False) -> bool:
    """Whether a piece of this revision was ever on a car in a recorded build, or may have been in a blind block.

    Under a sealed key nobody may learn which variant was driven, so every revision of the block's question counts as run.

    As-run builds and blocks belong to later features, which this one may not import: their tables are named
    as strings, the way foreign keys name it. `lock` holds the pieces, so that no build can be added meanwhile.
    """
    if lock:
        db.execute(select(Piece.id).where(Piece.revision_id == revision_id).with_for_update())
    builds = table("build_pieces", column("piece_id"))
    run = select(literal(1)).join_from(Piece, builds, builds.c.piece_id == Piece.id).where(Piece.revision_id == revision_id)
    links = table("variant_revisions", column("variant_id"), column("revision_id"))
    variants, blocks = table("variants", column("id"), column("question_id")), table("blind_blocks", column("question_id"))
    blind = (
        select(literal(1)).select_from(links).join(variants, variants.c.id == links.c.variant_id)
        .join(blocks, blocks.c.question_id == variants.c.question_id).where(links.c.revision_id == revision_id)
    )  # fmt: skip
    return db.scalar(union_all(run, blind).limit(1)) is not None


def list_happened(db: Db, programme_id: int, thing: str, thing_id: int) -> Sequence[Happened]:
    """What happened to one part, revision or piece, newest first; nothing from a session's block."""
    rows = db.execute(
        select(Happening.at, Membership.initials, Happening.what, Happening.why, Happening.detail)
        .outerjoin(Membership, (Membership.account_id == Happening.by_id) & (Membership.programme_id == programme_id))
        .where(Happening.programme_id == programme_id, Happening.thing == thing, Happening.thing_id == thing_id,
               Happening.session_id.is_(None))
        .order_by(Happening.id.desc()).limit(100)
    )  # fmt: skip
    return [Happened(at, initials or "–", what, why, detail or {}) for at, initials, what, why, detail in rows]


def past_aliases(db: Db, programme_id: int) -> dict[int, set[str]]:
    """Revision id -> every alias it once had, read from the trail."""
    rows = db.execute(
        select(Happening.thing_id, Happening.detail).where(
            Happening.programme_id == programme_id, Happening.thing == "revision", Happening.what == "renamed"
        )
    )
    found: dict[int, set[str]] = {}
    for revision_id, detail in rows:
        found.setdefault(revision_id, set()).update(
            name for name in (detail.get("before"), detail.get("after")) if name
        )
    return found


class PartBlock(NamedTuple):
    """One part as the list shows it: its revisions, and for a search which old alias led to one."""

    part: Part
    revisions: list[RevisionRow]
    old_aliases: dict[int, str]


def search_parts(db: Db, programme_id: int, words: str) -> list[PartBlock]:
    """The parts whose number, code, title, revisions, aliases or past aliases hold `words`; all for no words."""
    key = name_key(words)
    by_part: dict[int, list[RevisionRow]] = {}
    for row in list_revisions(db, programme_id):
        by_part.setdefault(row.part_id, []).append(row)
    old = past_aliases(db, programme_id) if key else {}
    blocks = []
    for part in list_parts(db, programme_id):
        own = by_part.get(part.id, [])
        if not key or any(key in name_key(text) for text in (part.number, part.code, part.title)):
            blocks.append(PartBlock(part, own, {}))
            continue
        named = {row.id for row in own if key in name_key(row.label) or key in name_key(row.alias)}
        led = {row.id: alias for row in own for alias in sorted(old.get(row.id, ())) if key in name_key(alias)}
        hits = [row for row in own if row.id in named or row.id in led]
        if hits:
            blocks.append(PartBlock(part, hits, {id_: alias for id_, alias in led.items() if id_ not in named}))
    return blocks
