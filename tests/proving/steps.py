"""The hinge pin of scenario 37 and its concern C-02, made through commands. Invented data."""

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from app import clock
from app.access.viewer import Viewer
from app.concerns import loop_commands, queries
from app.concerns.models import CloseKind, Danger
from app.concerns.rules import Closing, ShowRule
from app.db import Db, transaction
from app.incidents.commands import report_incident
from app.incidents.rules import Report
from app.incidents.words import Effect, Happened
from app.parts.commands import add_part, add_pieces
from app.parts.models import Process
from app.proving import commands
from tests import make
from tests.concerns.make_concerns import concern
from tests.parts import make_parts

RULE = ShowRule("board hit", 10.0)


@dataclass
class Pin:
    """RHP in 2.5 mm and 3.0 mm, two pieces each, and C-02 on the thinner one."""

    team: Any
    part_id: int
    thin: int
    thick: int
    thin_pieces: list[int]
    thick_pieces: list[int]
    concern_id: int = 0
    seen: list[int] = field(default_factory=list)

    @property
    def path(self) -> str:
        return f"/programmes/{self.team.id}/concerns/{self.concern_id}"


def pin(db: Db, *, rule: ShowRule | None = RULE, fitted: bool = True, team: Any = None) -> Pin:
    team = team or make.programme(db)
    with transaction(db):
        part_id = add_part(db, by=team.RT, number="KT-0102", code="RHP", title="Rear outer hinge pin").id
    thin, thick = (make_parts.revision(db, team.RT, part_id, line) for line in ("p25", "p30"))
    p = Pin(team, part_id, thin, thick, _pieces(db, team.RT, thin), _pieces(db, team.RT, thick))
    concern(db, team.DH, "Front body post rubs.", severity=3)
    p.concern_id = concern(db, team.DH, "2.5 mm pin bends", danger=Danger.NEGLIGIBLE, severity=7, revision_id=thin)
    if rule is not None:
        set_rule(db, p, rule)
    if fitted:
        fit(db, p, thick)
    return p


def _pieces(db: Db, by: Viewer, revision_id: int, process: Process = Process.BOUGHT_IN) -> list[int]:
    with transaction(db):
        return [piece.id for piece in add_pieces(db, revision_id, by=by, process=process, count=2)]


def set_rule(db: Db, p: Pin, rule: ShowRule, *, version: int = 0, reason: str = "") -> None:
    with transaction(db):
        loop_commands.declare_rule(db, p.concern_id, by=p.team.RT, rule=rule, version=version, reason=reason)


def fit(db: Db, p: Pin, revision_id: int, words: str = "3.0 mm throughout") -> None:
    with transaction(db):
        loop_commands.fit(db, p.concern_id, by=p.team.RT, revision_id=revision_id, words=words)


def hit(db: Db, p: Pin, piece_id: int, hits: int = 1, *, damage: tuple[str, ...] = (), kind: Happened = Happened.NOSE,
        quarantine: bool = False, **more: Any) -> int:  # fmt: skip
    """Hits on the bench, clean unless damage is named; answers the incident's id."""
    with transaction(db), clock.at(clock.now() + timedelta(seconds=len(p.seen) + 1)):
        report = Report(kind, Effect.STOPPED if damage else Effect.NONE, {piece_id: damage}, hits=hits, quarantine=quarantine, **more)
        p.seen.append(report_incident(db, report, by=p.team.SK).id)
    return p.seen[-1]


def close(db: Db, p: Pin, kind: CloseKind = CloseKind.CURED, *, by: str = "RT", reason: str = "Shown on the hit rig and in the hall.",
          concern_id: int = 0, **named: Any) -> None:  # fmt: skip
    wanted = concern_id or p.concern_id
    if kind == CloseKind.CURED:
        named.setdefault("later_revision_id", p.thick)
    edition = queries.get_concern(db, p.team.id, wanted).edition
    with transaction(db):
        commands.close_concern(db, wanted, by=p.team[by], edition=edition, closing=Closing(kind, reason, **named))


def row(db: Db, p: Pin, concern_id: int = 0) -> queries.ConcernRow:
    db.rollback()
    return queries.get_concern_row(db, p.team.id, concern_id or p.concern_id)
