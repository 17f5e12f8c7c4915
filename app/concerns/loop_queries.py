"""Every SELECT about the loop of a concern: what is in force, what was tried, where it was fitted, what must be shown."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import (
    Date,
    Float,
    Integer,
    String,
    and_,
    cast,
    column,
    exists,
    literal,
    null,
    or_,
    select,
    table,
    union_all,
)
from sqlalchemy.orm import aliased

from app import clock
from app.concerns import rules
from app.concerns.models import (
    CloseKind,
    ClosingRule,
    Concern,
    ConcernCause,
    ConcernEvent,
    ConcernFix,
    ConcernState,
    ConcernTry,
    Concession,
    Containment,
    TryOutcome,
)
from app.concerns.rules import ShowRule
from app.db import Db, UtcDateTime
from app.parts.models import Piece, Revision
from app.sessions.models import AsRunBuild, BuildPiece, Run, RunState


def in_force() -> Any:
    """The condition that an instruction holds now."""
    now = clock.now()
    not_over = or_(Containment.until_at.is_(None), Containment.until_at > now)
    return and_(Containment.lifted_at.is_(None), Containment.from_at <= now, not_over)


def stands_open() -> Any:
    """The condition that a concern is open, or closed under a concession that has run out."""
    newer = aliased(Concession)
    over = exists().where(
        Concession.concern_id == Concern.id, Concession.until < clock.now().date(),
        ~exists().where(newer.concern_id == Concession.concern_id, newer.id > Concession.id),
    )  # fmt: skip
    return or_(Concern.state != ConcernState.CLOSED, and_(Concern.close_kind == CloseKind.CONCESSION, over))


def stage_columns() -> tuple[Any, ...]:
    """Last day of the newest concession, fixed revision, then whether: reproduced, contained, cause known, exposed."""
    until = (
        select(Concession.until).where(Concession.concern_id == Concern.id).order_by(Concession.id.desc()).limit(1)
        .correlate(Concern).scalar_subquery()
    )  # fmt: skip
    fixed = (
        select(ConcernFix.revision_id).where(ConcernFix.concern_id == Concern.id).order_by(ConcernFix.version.desc()).limit(1)
        .correlate(Concern).scalar_subquery()
    )  # fmt: skip
    struck = table("incident_pieces", column("piece_id"))  # of a later feature, named as foreign keys name it
    on_car = exists().where(BuildPiece.piece_id == Piece.id, AsRunBuild.id == BuildPiece.build_id, Run.id == AsRunBuild.run_id,
                            Run.state.in_((RunState.DRIVEN, RunState.SHORT)))  # fmt: skip
    exposed = select(Piece.id).where(Piece.revision_id == fixed, or_(on_car, exists().where(struck.c.piece_id == Piece.id)))
    return (
        until, fixed,
        exists().where(ConcernEvent.concern_id == Concern.id, ConcernEvent.kind == "reproduced"),
        exists().where(Containment.concern_id == Concern.id, in_force()),
        exists().where(ConcernCause.concern_id == Concern.id),
        exposed.correlate(Concern).exists(),
    )  # fmt: skip


def stage_of(state: str, fixed_id: int | None, steps: Sequence[Any]) -> str:
    """The inverse of `stage_columns`, in one word of the loop."""
    reproduced, contained, cause_known, exposed = (bool(step) for step in steps)
    return rules.stage_of(state, reproduced=reproduced, contained=contained, cause_known=cause_known, fitted=fixed_id is not None,
                          exposed=exposed)  # fmt: skip


def find_fix(db: Db, concern_id: int) -> ConcernFix | None:
    return db.scalar(select(ConcernFix).where(ConcernFix.concern_id == concern_id).order_by(ConcernFix.version.desc()).limit(1))


def find_rule(db: Db, concern_id: int) -> ClosingRule | None:
    return db.scalar(select(ClosingRule).where(ClosingRule.concern_id == concern_id).order_by(ClosingRule.version.desc()).limit(1))


def find_named(db: Db, concern_id: int) -> str:
    """What the newest close of this concern names: “C-04”."""
    detail = db.scalar(select(ConcernEvent.detail).where(ConcernEvent.concern_id == concern_id, ConcernEvent.kind == "closed")
                       .order_by(ConcernEvent.id.desc()).limit(1))  # fmt: skip
    return str((detail or {}).get("named", ""))


def concession_ran_out(db: Db, concern_id: int) -> bool:
    """Is it closed under a concession whose last day is over?"""
    return db.scalar(select(Concern.id).where(Concern.id == concern_id, Concern.state == ConcernState.CLOSED, stands_open())) is not None


# --- the loop of one concern, in one query
class Instruction(NamedTuple):
    id: int
    revision_id: int
    piece_id: int | None
    words: str
    from_at: datetime
    until_at: datetime | None
    by_id: int
    lifted_at: datetime | None
    lifted_why: str

    @property
    def holds(self) -> bool:
        now = clock.now()
        return self.lifted_at is None and self.from_at <= now and (self.until_at is None or self.until_at > now)

    @property
    def told(self) -> str:
        """In force, lifted, over, or still to come."""
        if self.lifted_at is not None:
            return "lifted"
        return "in force" if self.holds else "to come" if self.from_at > clock.now() else "over"


class Said(NamedTuple):
    """A cause, a fix, a concession or a version of the closing rule, with who said it. `word`: class of cause or exposure."""

    id: int
    version: int
    word: str
    words: str
    by_id: int
    at: datetime
    revision_id: int | None = None
    figure: float | None = None
    until: date | None = None


class Outcome(NamedTuple):
    result: str
    words: str
    by_id: int
    at: datetime


class Tried(NamedTuple):
    id: int
    number: int
    words: str
    revision_id: int | None
    piece_id: int | None
    by_id: int
    at: datetime
    outcomes: list[Outcome]

    @property
    def newest(self) -> Outcome | None:
        return self.outcomes[-1] if self.outcomes else None


@dataclass
class Loop:
    """Everything between triage and close of one concern, oldest first."""

    instructions: list[Instruction] = field(default_factory=list)
    causes: list[Said] = field(default_factory=list)
    tries: list[Tried] = field(default_factory=list)
    fixes: list[Said] = field(default_factory=list)
    rules: list[Said] = field(default_factory=list)
    concessions: list[Said] = field(default_factory=list)

    @property
    def fixed_id(self) -> int | None:
        return self.fixes[-1].revision_id if self.fixes else None

    @property
    def rule(self) -> ShowRule | None:
        last = self.rules[-1] if self.rules else None
        return ShowRule(last.word, last.figure or 0.0) if last else None


def _wide(kind: str, id_: Any, *, version: Any = None, one: Any = None, two: Any = None, word: Any = None, words: Any = None,
          figure: Any = None, by: Any = None, at: Any = None, start: Any = None, end: Any = None, day: Any = None) -> Any:  # fmt: skip
    """One row of the loop, as wide as the widest."""

    def given(value: Any, of: Any) -> Any:
        return cast(null(), of) if value is None else value

    return select(cast(literal(kind), String).label("kind"), id_.label("id"), given(version, Integer).label("version"),
                  given(one, Integer).label("one"), given(two, Integer).label("two"), given(word, String).label("word"),
                  given(words, String).label("words"), given(figure, Float).label("figure"), given(by, Integer).label("by_id"),
                  _moment(at, "at"), _moment(start, "start"), _moment(end, "end"), given(day, Date).label("day"))  # fmt: skip


def _moment(value: Any, name: str) -> Any:
    return (cast(null(), UtcDateTime()) if value is None else value).label(name)


def load_loop(db: Db, concern_id: int) -> Loop:
    """One query, however much was said."""
    c, k, t, o, f, r, n = Containment, ConcernCause, ConcernTry, TryOutcome, ConcernFix, ClosingRule, Concession
    rows = db.execute(union_all(
        _wide("instruction", c.id, one=c.revision_id, two=c.piece_id, words=c.words, word=c.lifted_why, by=c.by_id, at=c.lifted_at,
              start=c.from_at, end=c.until_at).where(c.concern_id == concern_id),
        _wide("cause", k.id, version=k.version, word=k.cause, words=k.words, by=k.by_id, at=k.at).where(k.concern_id == concern_id),
        _wide("try", t.id, version=t.number, one=t.revision_id, two=t.piece_id, words=t.words, by=t.by_id, at=t.at)
        .where(t.concern_id == concern_id),
        _wide("outcome", o.id, version=o.version, one=o.try_id, word=o.result, words=o.words, by=o.by_id, at=o.at)
        .join(t, t.id == o.try_id).where(t.concern_id == concern_id),
        _wide("fix", f.id, version=f.version, one=f.revision_id, words=f.words, by=f.by_id, at=f.at).where(f.concern_id == concern_id),
        _wide("rule", r.id, version=r.version, word=r.exposure, words=r.reason, figure=r.most_per_100, by=r.by_id, at=r.at)
        .where(r.concern_id == concern_id),
        _wide("concession", n.id, words=n.scope, by=n.granted_by_id, at=n.at, day=n.until).where(n.concern_id == concern_id),
    ))  # fmt: skip
    return _sorted_out(sorted(rows, key=lambda row: (row.kind == "outcome", row.id)))


def _sorted_out(rows: Iterable[Any]) -> Loop:
    loop, tries = Loop(), {}
    for row in rows:
        if row.kind == "instruction":
            loop.instructions.append(Instruction(row.id, row.one, row.two, row.words, row.start, row.end, row.by_id, row.at, row.word))
        elif row.kind == "try":
            tries[row.id] = Tried(row.id, row.version, row.words, row.one, row.two, row.by_id, row.at, [])
            loop.tries.append(tries[row.id])
        elif row.kind == "outcome":
            tries[row.one].outcomes.append(Outcome(row.word, row.words, row.by_id, row.at))
        else:
            into = {"cause": loop.causes, "fix": loop.fixes, "rule": loop.rules, "concession": loop.concessions}[row.kind]
            into.append(Said(row.id, row.version or 0, row.word or "", row.words, row.by_id, row.at, row.one, row.figure, row.day))
    return loop


class InForce(NamedTuple):
    """An instruction in force, with the names of what it is about."""

    id: int
    concern_id: int
    concern: str
    words: str
    on: str
    until_at: datetime | None
    revision_id: int = 0


def list_in_force(db: Db, programme_id: int, *, revision_ids: Sequence[int] | None = None) -> list[InForce]:
    """Every instruction in force, or those on some revisions and their pieces."""
    query = (
        select(Containment, Concern.number, Revision.label, Piece.mark).join(Concern, Concern.id == Containment.concern_id)
        .join(Revision, Revision.id == Containment.revision_id).outerjoin(Piece, Piece.id == Containment.piece_id)
        .where(Containment.programme_id == programme_id, in_force()).order_by(Containment.id)
    )  # fmt: skip
    if revision_ids is not None:
        query = query.where(Containment.revision_id.in_(revision_ids))
    return [InForce(c.id, c.concern_id, f"C-{number:02d}", c.words, f"{label} {mark}" if mark else label, c.until_at, c.revision_id)
            for c, number, label, mark in db.execute(query)]  # fmt: skip
