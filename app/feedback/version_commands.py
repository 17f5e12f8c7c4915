"""Versions of a slip: how one is added, and what a rater may no longer change alone once a key is open."""

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict
from app.feedback import queries
from app.feedback.models import Mark, NotCounted, Slip, SlipVersion, VersionState
from app.feedback.rules import Answers
from app.history.commands import record
from app.sessions.models import Run
from app.sessions.queries import find_newest_build, get_run


def standing_answers(slip: Slip) -> Answers:
    """What the version that stands says."""
    standing = next(v for v in slip.versions if v.version == slip.version)
    return Answers(queries.marks_of(standing), standing.confidence, standing.heard_others, standing.remark)


def propose_move(db: Db, by: Viewer, slip: Slip, version: int, run: Run, reason: str) -> Slip:
    """With the key open, a slip that goes to another code could be a wish: it waits for a conductor's word."""
    if slip.withdrawn_at is not None or version != slip.version:
        raise Conflict("This slip was changed while you were typing", "", "Open it again.")
    if any(v.state == VersionState.PROPOSED for v in slip.versions):
        raise Conflict("This slip waits for a word already", "", "Have that one settled first.")
    answers, number = standing_answers(slip), max(v.version for v in slip.versions) + 1
    add_version(db, by, slip, number, run.id, answers, answers.hash(run.id, slip.rater_id), state=VersionState.PROPOSED, reason=reason)
    record_slip(db, by, "asked to move", slip, run, why=reason, version=number)
    return slip


def confirm_move(db: Db, slip_id: int, version: int, *, by: Viewer, accept: bool) -> Slip:
    """The conductor says whether *this was another run* holds, once the key is open."""
    require(by, Action.JUDGE_COUNTING)
    slip = queries.get_slip(db, by.programme_id, slip_id, lock=True)
    asked = next((v for v in slip.versions if v.version == version and v.state == VersionState.PROPOSED), None)
    if asked is None or asked.run_id == slip.run_id:
        raise Conflict("This is settled already")
    run = get_run(db, by.programme_id, asked.run_id)
    if accept and queries.find_live_slip(db, run.id, slip.rater_id):
        raise Conflict(f"{run.label} has a slip of this rater already", "One run has one slip", "Have that one withdrawn or moved first.")
    asked.state = VersionState.STANDS if accept else VersionState.REFUSED
    if accept:
        slip.version, slip.run_id = asked.version, run.id
    db.flush()
    record_slip(db, by, "confirmed the move" if accept else "refused the move", slip, run, version=version)
    return slip


def keep_beside(db: Db, by: Viewer, slip: Slip, version: int, run: Run, answers: Answers, digest: str, reason: str) -> Slip:
    """A value changed after the key was opened: kept, shown, never counted. What was said blind goes on standing."""
    if slip.withdrawn_at is not None:
        raise Conflict("This slip is withdrawn", "", "File a new one.")
    if version != slip.version:
        raise Conflict("This slip was amended while you were typing", "Both texts are shown below", "Compare, then amend again.")
    number = max(v.version for v in slip.versions) + 1
    add_version(db, by, slip, number, slip.run_id, answers, digest, state=VersionState.REFUSED,
                 reason=f"{NotCounted.AFTER_KEY}: {reason}")  # fmt: skip
    record_slip(db, by, "changed after the key was open", slip, run, why=reason, version=number)
    return slip


def step(db: Db, slip: Slip, version: int, *, run_id: int | None = None) -> int:
    """Move the slip on from the version the form was made from; answers the new version's number."""
    if slip.withdrawn_at is not None:
        raise Conflict("This slip is withdrawn", "", "File a new one.")
    number = max(v.version for v in slip.versions) + 1
    changed = db.execute(
        update(Slip).where(Slip.id == slip.id, Slip.version == version)
        .values(version=number, run_id=run_id or slip.run_id)
    )  # fmt: skip
    if changed.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict("This slip was amended while you were typing", "Both texts are shown below", "Compare, then amend again.")
    return number


def add_version(db: Db, by: Viewer, slip: Slip, version: int, run_id: int, answers: Answers, digest: str, *,
                 state: str = VersionState.STANDS, reason: str = "") -> None:  # fmt: skip
    build = find_newest_build(db, run_id)
    row = SlipVersion(
        slip_id=slip.id, version=version, state=state, run_id=run_id, build_id=build.id if build else None,
        made_by_id=by.account_id, made_at=clock.now(), reason=reason, confidence=answers.confidence,
        heard_others=answers.heard_others, remark=answers.remark, content_hash=digest,
    )  # fmt: skip
    db.add(row)
    db.flush()
    db.add_all([Mark(slip_version_id=row.id, attribute_id=attribute, mark_hundredths=value)
                for attribute, value in sorted(answers.marks.items())])  # fmt: skip
    db.flush()


def record_slip(db: Db, by: Viewer, what: str, slip: Slip, run: Run, *, why: str = "", **detail: object) -> None:
    record(db, what, "slip", slip.id, f"slip for {run.session.label}/{run.label}", by_id=by.account_id,
           programme_id=by.programme_id, why=why, session_id=run.session_id, run_id=run.id, **detail)  # fmt: skip
