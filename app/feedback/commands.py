"""File, amend and withdraw slips; say what counts. Nothing that was filed is ever overwritten."""

from dataclasses import dataclass
from datetime import datetime

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.feedback import queries, rules
from app.feedback.models import CountingNote, NotCounted, Slip, Source, VersionState
from app.feedback.rules import Answers
from app.feedback.version_commands import add_version, keep_beside, propose_move, record_slip, standing_answers, step
from app.history.commands import record
from app.people.queries import get_member
from app.people.rules import new_token
from app.phone_clock import PhoneClock, captured
from app.programmes.queries import list_attributes
from app.questions.commands import lock_rules
from app.sessions import build_commands
from app.sessions.models import Run
from app.sessions.queries import find_newest_build, get_run


@dataclass(frozen=True, slots=True)
class Receipt:
    """What the sender is told: the slip, and whether it was filed now, was here already, or is held as proposed."""

    slip_id: int
    run_id: int
    outcome: str  # filed, same, proposed
    content_hash: str


def file_slip(db: Db, run_id: int, *, by: Viewer, token: str, answers: Answers, rater_id: int | None = None,
              captured_at: datetime | None = None, source: str = Source.FORM, paper_card: str = "",
              phone: PhoneClock | None = None) -> Receipt:  # fmt: skip
    """File a slip once, however often the form arrives.

    The same token with the same content answers as before; with other content it is held as a proposed amendment. A
    slip for a run somebody else drove is kept, and not counted until its driver confirms it. `phone`: it waited on a
    phone; its clock is never a reason to refuse, nor is a run whose start and end have not arrived.
    """
    require(by, Action.FILE_SLIP)
    rater = rater_id or by.account_id
    run = get_run(db, by.programme_id, run_id, lock=True)
    if not 16 <= len(token) <= 64:
        raise Refused("The form has lost its token", "It can't be told from a copy of itself", "Open the slip again.")
    digest = answers.hash(run_id, rater)
    if earlier := queries.find_slip_by_token(db, by.programme_id, token):
        return _again(db, by, earlier, run_id, answers, digest)
    if rater != by.account_id:
        require(by, Action.FILE_FOR_ANOTHER)
        get_member(db, by.programme_id, rater)
    rules.check_can_rate(run, late=phone is not None and run.driver_id == rater)
    rules.check_marks(answers.marks, list_attributes(db, by.programme_id))
    if queries.find_live_slip(db, run_id, rater):
        whose = "You have" if rater == by.account_id else "This driver has"
        raise Conflict(f"{whose} rated {run.label} already", "", "Amend that slip instead.")
    slip = _new_slip(db, by, run, token, rater, captured_at, phone, source=source, paper_card=paper_card)
    add_version(db, by, slip, 1, run_id, answers, digest)
    if rater != run.driver_id:
        _note(db, by, run, slip.id, counts=False, reason=NotCounted.WRONG_PERSON, text="filed for a run somebody else drove")
    record_slip(db, by, "filed", slip, run, rater_id=rater)
    return Receipt(slip.id, run_id, "filed", digest)


def _new_slip(db: Db, by: Viewer, run: Run, token: str, rater: int, captured_at: datetime | None, phone: PhoneClock | None,
              **more: str) -> Slip:  # fmt: skip
    """The slip's row, with when it was captured and received."""
    now = clock.now()
    at, doubt = captured_at or now, ""
    if phone is not None and captured_at is None:
        seen = captured(phone, received=now, not_before=run.started_at)
        at, doubt = seen.at, seen.doubt
    else:
        rules.check_capture(at, run, now)
    slip = Slip(programme_id=by.programme_id, token=token, run_id=run.id, rater_id=rater, filed_by_id=by.account_id,
                captured_at=at, received_at=now, version=1, clock_doubt=doubt, **more)  # fmt: skip
    if phone is not None:
        slip.phone_ms, slip.phone_offset_ms = phone.captured_ms, phone.offset_ms
    db.add(slip)
    db.flush()
    return slip


def _again(db: Db, by: Viewer, slip: Slip, run_id: int, answers: Answers, digest: str) -> Receipt:
    if slip.filed_by_id != by.account_id:
        raise NotAllowed("This form was sent by another person", "A slip is filed under the sign-in that opened it",
                         "Open your own slip.")  # fmt: skip
    if any(version.content_hash == digest for version in slip.versions):
        return Receipt(slip.id, run_id, "same", digest)
    if run_id != slip.run_id:
        raise Conflict("This form was filed for another run already", "Its marks are kept there", "Open the slip of this run afresh.")
    run = get_run(db, by.programme_id, run_id)
    rules.check_marks(answers.marks, list_attributes(db, by.programme_id))
    newest = max(version.version for version in slip.versions)
    add_version(db, by, slip, newest + 1, run_id, answers, digest, state=VersionState.PROPOSED,
                 reason="the same form was sent again with other content")  # fmt: skip
    record_slip(db, by, "proposed amendment", slip, run)
    return Receipt(slip.id, run_id, "proposed", digest)


def amend_slip(db: Db, slip_id: int, *, by: Viewer, version: int, answers: Answers, reason: str) -> Slip:
    """A new version by the rater; refused when the slip changed since the form was opened."""
    slip = queries.get_slip(db, by.programme_id, slip_id, lock=True)
    require(by, Action.AMEND_SLIP, slip)
    run = get_run(db, by.programme_id, slip.run_id)
    rules.check_marks(answers.marks, list_attributes(db, by.programme_id))
    digest = answers.hash(slip.run_id, slip.rater_id)
    standing = next(v for v in slip.versions if v.version == slip.version)
    if standing.content_hash == digest:
        raise Refused("Nothing is different from the version that stands")
    if run.key_opened and rules.changes_a_value(queries.marks_of(standing), answers.marks):
        return keep_beside(db, by, slip, version, run, answers, digest, reason)
    number = step(db, slip, version)
    add_version(db, by, slip, number, slip.run_id, answers, digest, reason=reason)
    record_slip(db, by, "amended", slip, run, why=reason, version=number)
    return slip


def move_slip(db: Db, slip_id: int, *, by: Viewer, version: int, run_id: int, reason: str) -> Slip:
    """*This was another run*: the marks go to the run they were meant for, as an amendment."""
    slip = queries.get_slip(db, by.programme_id, slip_id, lock=True)
    require(by, Action.AMEND_SLIP, slip)
    run = get_run(db, by.programme_id, run_id)
    rules.check_can_rate(run)
    if run_id == slip.run_id:
        raise Refused("The slip is on that run already", field="run_id")
    if run.driver_id != slip.rater_id:
        raise Refused(f"{run.label} was driven by somebody else", "", "Pick a run you drove.", field="run_id")
    rules.check_capture(slip.captured_at, run, slip.received_at, field="run_id")
    if queries.find_live_slip(db, run_id, slip.rater_id):
        raise Conflict(f"You have rated {run.label} already", "One run has one slip", "Withdraw or move that one first.", field="run_id")
    if not rules.moves_freely(get_run(db, by.programme_id, slip.run_id), run):
        return propose_move(db, by, slip, version, run, reason)
    _move(db, by, slip, version, run, reason)
    return slip


def _move(db: Db, by: Viewer, slip: Slip, version: int, run: Run, reason: str) -> None:
    answers = standing_answers(slip)
    number = step(db, slip, version, run_id=run.id)
    add_version(db, by, slip, number, run.id, answers, answers.hash(run.id, slip.rater_id), reason=reason)
    record_slip(db, by, "moved", slip, run, why=reason, version=number)


def withdraw_slip(db: Db, slip_id: int, *, by: Viewer, why: str) -> Slip:
    """Withdrawn by its rater: out of every figure, still readable."""
    slip = queries.get_slip(db, by.programme_id, slip_id, lock=True)
    require(by, Action.AMEND_SLIP, slip)
    if slip.withdrawn_at is not None:
        raise Conflict("This slip is withdrawn already")
    slip.withdrawn_at, slip.withdrawn_why = clock.now(), why
    record_slip(db, by, "withdrew", slip, get_run(db, by.programme_id, slip.run_id), why=why)
    return slip


def settle_proposed(db: Db, slip_id: int, version: int, *, by: Viewer, accept: bool) -> Slip:
    """The rater says which content was meant; the other stays readable."""
    slip = queries.get_slip(db, by.programme_id, slip_id, lock=True)
    require(by, Action.AMEND_SLIP, slip)
    proposed = next((v for v in slip.versions if v.version == version and v.state == VersionState.PROPOSED), None)
    if proposed is None:
        raise Conflict("This proposed amendment is settled already")
    if proposed.run_id != slip.run_id:
        raise Conflict("This waits for the conductor's word", "The key is open, so a rater can't move a slip alone", "Ask the conductor.")
    standing = next(v for v in slip.versions if v.version == slip.version)
    open_now = get_run(db, by.programme_id, slip.run_id).key_opened
    if accept and open_now and rules.changes_a_value(queries.marks_of(standing), queries.marks_of(proposed)):
        raise Conflict("The key of this block is open", "A value can't change any more; the first content stands", "Choose the first one.")
    proposed.state = VersionState.STANDS if accept else VersionState.REFUSED
    if accept:
        slip.version = proposed.version
    run = get_run(db, by.programme_id, slip.run_id)
    record_slip(db, by, "accepted amendment" if accept else "kept the first", slip, run, version=version)
    return slip


def confirm_as_mine(db: Db, slip_id: int, *, by: Viewer) -> Receipt:
    """The run's driver takes over a slip that was filed from another's sign-in; the trail keeps whose."""
    slip = queries.get_slip(db, by.programme_id, slip_id, lock=True)
    run = get_run(db, by.programme_id, slip.run_id)
    if run.driver_id != by.account_id:
        raise NotAllowed(f"Only the driver of {run.label} can confirm it")
    if queries.find_live_slip(db, run.id, by.account_id):
        raise Conflict(f"You have rated {run.label} already", "", "Amend your own slip instead.")
    answers, now = standing_answers(slip), clock.now()
    mine = Slip(programme_id=by.programme_id, token=new_token(), run_id=run.id, rater_id=by.account_id,
                filed_by_id=slip.filed_by_id, source=slip.source, captured_at=slip.captured_at, received_at=now, version=1,
                phone_ms=slip.phone_ms, phone_offset_ms=slip.phone_offset_ms, clock_doubt=slip.clock_doubt)  # fmt: skip
    db.add(mine)
    db.flush()
    digest = answers.hash(run.id, by.account_id)
    add_version(db, by, mine, 1, run.id, answers, digest, reason="confirmed by the driver of the run")
    record_slip(db, by, "confirmed as own", mine, run, from_slip=slip.id)
    return Receipt(mine.id, run.id, "filed", digest)


def judge_counting(db: Db, run_id: int, *, by: Viewer, counts: bool, reason: str, text: str, slip_id: int | None = None) -> None:
    """*Not counted because…* or *Counts after all because…*, for one slip or the whole run."""
    require(by, Action.JUDGE_COUNTING)
    run = get_run(db, by.programme_id, run_id)
    if reason not in list(NotCounted):
        raise Refused(f"“{reason}” is not one of the reasons", field="reason")
    if len(text.strip()) < 5:
        raise Refused("Say it in your own words too", "At least 5 characters", field="text")
    if slip_id is not None and queries.get_slip(db, by.programme_id, slip_id).run_id != run_id:
        raise NotFound("That slip is not of this run", field="slip_id")
    _note(db, by, run, slip_id, counts=counts, reason=reason, text=text)
    if counts and (build := find_newest_build(db, run_id)) is not None:
        lock_rules(db, [carried.question_id for carried in build.variants])
    what = "counts after all" if counts else "not counted"
    record(db, what, "run", run.id, f"{run.session.label}/{run.label}", by_id=by.account_id, programme_id=by.programme_id,
           why=f"{reason}: {text}", session_id=run.session_id, slip_id=slip_id)  # fmt: skip


def swap_cars(db: Db, first_id: int, second_id: int, *, by: Viewer, why: str, undo: bool = False) -> None:
    """Swap two runs' cars and builds; both runs are not counted until it is undone. Marks stay with their raters."""
    swapped = [_is_swapped(db, run_id) for run_id in (first_id, second_id)]
    runs = build_commands.swap_cars(db, first_id, second_id, by=by, why=why)
    undo = undo or all(swapped)
    for run in runs:
        _note(db, by, run, None, counts=undo, reason=NotCounted.CARS_SWAPPED, text=("swapped back: " if undo else "") + why)


def _is_swapped(db: Db, run_id: int) -> bool:
    notes = [note for note in queries.list_notes(db, [run_id]) if note.slip_id is None and note.reason == NotCounted.CARS_SWAPPED]
    return bool(notes) and not notes[-1].counts


def _note(db: Db, by: Viewer, run: Run, slip_id: int | None, *, counts: bool, reason: str, text: str) -> None:
    db.add(CountingNote(programme_id=run.programme_id, run_id=run.id, slip_id=slip_id, counts=counts, reason=reason,
                        text=text, by_id=by.account_id, at=clock.now()))  # fmt: skip
    db.flush()
