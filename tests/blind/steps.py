"""S-03 as a blind block: fifteen planned runs under codes, driven and rated as the fixture says."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from app import clock
from app.blind import commands as blind
from app.blind.models import BlockKind
from app.blind.queries import load_block
from app.blind.rules import BlockFacts, Fitted
from app.db import Db, transaction
from app.demo import scenes
from app.feedback.commands import file_slip
from app.feedback.rules import Answers
from app.phone_clock import PhoneClock
from app.sessions import commands as sessions
from tests import fixture

SEATS = ("AQ", "MS", "DH")
MINUTES = (0, 12, 24, 36, 48)


@dataclass
class Blind:
    """The world with its block; `runs` in the order of R-01 …, `order` the variants behind them."""

    w: fixture.World
    block_id: int = 0
    runs: list[int] = field(default_factory=list)
    order: list[str] = field(default_factory=list)

    def at(self, hour: int, minute: int) -> datetime:
        return scenes.moment(fixture.DAY, hour, minute)

    def facts(self, db: Db, viewer: object = None) -> BlockFacts:
        return load_block(db, viewer or self.w.team.SK, self.block_id)  # type: ignore[arg-type]


def plan(db: Db, seats: Sequence[str] = SEATS, each: int = 5) -> Blind:
    """Runs planned, no build: what can go under a code."""
    made = Blind(fixture.world(db))
    w = made.w
    w.session_id = fixture.session(db, w)
    with transaction(db):
        for car, initials in enumerate(seats):
            for index in range(each):
                start = made.at(10, 0) + timedelta(minutes=12 * index)
                with clock.at(made.at(9, 30)):
                    run = sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=w.team[initials].account_id,
                                           car_id=w.season.cars[car % 3], planned_at=start)  # fmt: skip
                made.runs.append(run.id)
    return made


def seal(db: Db, made: Blind, order: Sequence[str], *, kind: BlockKind = BlockKind.RATED, **more: object) -> Blind:
    """order : variant codes in run order; "t40*" is the hidden repeat of the control."""
    w, made.order = made.w, list(order)
    fitted = {run_id: Fitted(w.q.variants[code.rstrip("*")], code.endswith("*")) for run_id, code in zip(made.runs, order, strict=True)}
    with transaction(db), clock.at(made.at(9, 40)):
        made.block_id = blind.seal_block(db, w.session_id, by=w.team.SK, question_id=w.question_id, kind=kind, fitted=fitted, **more).id  # type: ignore[arg-type]
    return made


def drive(db: Db, made: Blind, index: int, start: datetime, *, noted: bool = True) -> None:
    """One run: what is on the car is noted under the key, then it is started and ended."""
    w, run_id = made.w, made.runs[index]
    driver = next(w.team[row.initials] for row in made.facts(db).runs if row.run_id == run_id)
    with transaction(db):
        if noted:
            piece = w.q.pieces[made.order[index].rstrip("*")][SEATS.index(driver.initials) if driver.initials in SEATS else 0]
            with clock.at(start - timedelta(minutes=2)):
                blind.note_build(db, made.block_id, run_id, by=w.team.SK, piece_ids=[piece], settings=scenes.BUILD, confirmed=True)
        with clock.at(start):
            sessions.start_run(db, run_id, by=driver)
        with clock.at(start + timedelta(minutes=5)):
            sessions.end_run(db, run_id, by=driver, laps=12)


def rate(db: Db, made: Blind, index: int, mark: float, captured: datetime, *, received: datetime | None = None, heard: bool = False,
         clock_checked: bool = True, rater: str = "") -> int:  # fmt: skip
    """A slip; one that is received later than captured waited on the rater's phone, whose clock could be checked or not."""
    w, run_id = made.w, made.runs[index]
    row = next(row for row in made.facts(db).runs if row.run_id == run_id)
    by = w.team[rater or row.initials]
    answers = Answers({w.q.goal_id: round(mark * 100)}, "sure", heard, "")
    phone = None
    if received is not None:
        shown, now = (round(moment.timestamp() * 1000) for moment in (captured, received))
        phone = PhoneClock(shown, offset_ms=0, sent_ms=now) if clock_checked else PhoneClock(shown)
    with transaction(db), clock.at(received or captured):
        return file_slip(db, run_id, by=by, token=f"blind-token-{next(scenes.tokens):08d}", answers=answers, phone=phone,
                         captured_at=None if phone else captured).slip_id  # fmt: skip


def fixture_order() -> list[str]:
    return [code for initials in SEATS for code in fixture.PRECISION[initials][0].split()]


def fixture_marks() -> list[float]:
    return [float(mark) for initials in SEATS for mark in fixture.PRECISION[initials][1].split()]


def s03(db: Db, *, rated: bool = True) -> Blind:
    """The whole day, sealed: every run driven in its slot, and rated at its minute 8 unless told otherwise."""
    made = seal(db, plan(db), fixture_order())
    for index, mark in enumerate(fixture_marks()):
        start = made.at(10, 0) + timedelta(minutes=MINUTES[index % 5])
        drive(db, made, index, start)
        if rated:
            rate(db, made, index, mark, start + timedelta(minutes=8))
    return made


def open_key(db: Db, made: Blind, at: datetime, *, by: str = "SK", why: str = "") -> None:
    with transaction(db), clock.at(at):
        blind.open_block(db, made.block_id, by=made.w.team[by], why=why)


def guess(db: Db, made: Blind, rater: str, guesses: Mapping[int, str], at: datetime) -> None:
    w = made.w
    with transaction(db), clock.at(at):
        blind.file_guesses(db, made.block_id, by=w.team[rater], guesses={code: w.q.variants[v] for code, v in guesses.items()})
