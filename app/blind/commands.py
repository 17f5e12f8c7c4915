"""Make a block and seal its key, note what is on the car, take guesses and choices, open the key. Nothing is taken back."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.blind import queries, rules
from app.blind.models import (
    BlindBlock,
    BlindBuild,
    BlindChoice,
    BlindCode,
    BlindGuess,
    BlindPiece,
    BlindRun,
    BlockKind,
    KeyState,
)
from app.blind.rules import BlockFacts, Fitted
from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.history.commands import record
from app.parts.queries import list_pieces
from app.phone_clock import Captured, PhoneClock, captured, captured_early
from app.questions.queries import OPEN_STATES, get_question, variants_of_revisions
from app.sessions.build_commands import UNFIT, Noted, seal_run, unseal_run
from app.sessions.commands import set_people
from app.sessions.models import RunState
from app.sessions.queries import get_run, get_session


def seal_block(db: Db, session_id: int, *, by: Viewer, question_id: int, kind: BlockKind, fitted: Mapping[int, Fitted],
               asked: str = "", expected_id: int | None = None) -> BlindBlock:  # fmt: skip
    """A block of planned runs under new codes; whoever makes it holds the key. fitted : run id -> what it will carry.

    In a rated block every variant has a code, and the hidden repeat of the control its own; in a forced choice every
    run has one, or the codes would tell which runs are alike.
    """
    require(by, Action.SEAL_KEY)
    session = get_session(db, by.programme_id, session_id, lock=True)
    if session.closed:
        raise Conflict(f"{session.label} is {session.state}", "A block is made before its runs are driven")
    question = get_question(db, by.programme_id, question_id)
    if question.state not in OPEN_STATES:
        raise Conflict(f"{question.label} is {question.state}", "Only a question that was asked is answered by runs", "Ask it first.")
    variants = {variant.id: variant for variant in question.variants}
    free = {run.id: run for run in queries.list_free_runs(db, by.programme_id, session_id)}
    _check_fitted(fitted, set(free), set(variants))
    seats: dict[str, list[Fitted]] = {}
    for run in sorted((free[run_id] for run_id in fitted), key=lambda run: run.number):
        seats.setdefault(run.initials, []).append(fitted[run.id])
    control = next((variant.id for variant in question.variants if variant.is_control), None)
    rules.check_plan(kind, seats, asked=asked, expected_id=expected_id, control_id=control)
    block = BlindBlock(
        programme_id=by.programme_id, session_id=session.id, number=queries.next_block_number(db, session.id), question_id=question.id,
        kind=kind, asked=asked, expected_id=expected_id, holder_id=by.account_id, made_at=clock.now(), state=KeyState.SEALED,
    )  # fmt: skip
    db.add(block)
    db.flush()
    _draw(db, block, fitted)
    set_people(db, session, by=by, drivers=(), conductors=[by.account_id])
    _record(db, by, "sealed the key", block, f"{session.label}/{block.label}", runs=len(fitted))
    return block


def _check_fitted(fitted: Mapping[int, Fitted], free: set[int], variants: set[int]) -> None:
    if not fitted:
        raise Refused("No run is in the block", "", "Choose what is on the car for at least two runs.")
    if set(fitted) - free:
        raise Conflict("One of the runs can't go under a code any more", "It was driven, has a build that people could read, or a code",
                       "Open the form again.")  # fmt: skip
    if any(item.variant_id not in variants for item in fitted.values()):
        raise NotFound("One of the variants is not of this question")


def _draw(db: Db, block: BlindBlock, fitted: Mapping[int, Fitted]) -> None:
    """Codes at random, rows in the order of their codes: no number that a page could show follows the variants' order."""
    behind = {run_id: (item.variant_id, item.repeat, 0 if block.kind == BlockKind.RATED else run_id) for run_id, item in fitted.items()}
    places = sorted(set(behind.values()))
    drawn = dict(zip(places, rules.draw_codes(queries.taken_codes(db, block.session_id), len(places)), strict=True))
    rows = {}
    for place, code in sorted(drawn.items(), key=lambda item: item[1]):
        rows[place] = BlindCode(block_id=block.id, session_id=block.session_id, code=code, variant_id=place[0], repeat=place[1])
        db.add(rows[place])
        db.flush()
    for run_id in sorted(fitted):
        row = rows[behind[run_id]]
        db.add(BlindRun(block_id=block.id, run_id=run_id, code_id=row.id))
        seal_run(db, get_run(db, block.programme_id, run_id, lock=True), code=row.code, question_id=block.question_id)


def note_build(db: Db, block_id: int, run_id: int, *, by: Viewer, piece_ids: Sequence[int], settings: Mapping[str, str],
               confirmed: bool, reason: str = "") -> BlindBuild:  # fmt: skip
    """What is really on the car, under the key. A second version is a correction and says why."""
    block = queries.get_block(db, by.programme_id, block_id, lock=True)
    require(by, Action.SEE_KEY, block)
    run = get_run(db, by.programme_id, run_id, lock=True)
    if not block.sealed:
        raise Conflict("The key is open", "What was on the car stands in the as-run book now", f"Correct the build of {run.label} there.")
    if run_id not in {row.run_id for row in queries.load_block(db, by, block_id).runs}:
        raise NotFound(f"{run.label} is not in this block")
    present = queries.load_builds(db, [run_id]).get(run_id)
    if present is not None and len(reason.strip()) < 5:
        raise Refused(f"{run.label} has a build already", "A correction says why, in at least 5 characters", field="reason")
    _check_pieces(db, by, piece_ids, to_come=run.state == RunState.PLANNED)
    build = BlindBuild(run_id=run_id, version=present.build.version + 1 if present else 1, settings=dict(settings), confirmed=confirmed,
                       made_by_id=by.account_id, made_at=clock.now(), reason=reason)  # fmt: skip
    db.add(build)
    db.flush()
    db.add_all([BlindPiece(build_id=build.id, piece_id=piece_id) for piece_id in dict.fromkeys(piece_ids)])
    db.flush()
    record(db, "noted what is on the car", "run", run.id, f"{run.session.label}/{run.label}", by_id=by.account_id,
           programme_id=by.programme_id, session_id=run.session_id, version=build.version)  # fmt: skip
    return build


def _check_pieces(db: Db, by: Viewer, piece_ids: Sequence[int], *, to_come: bool) -> None:
    known = {piece.id: piece for piece in list_pieces(db, by.programme_id)}
    if any(piece_id not in known for piece_id in piece_ids):
        raise NotFound("One of the pieces is not of this programme", field="piece_ids")
    for piece in (known[piece_id] for piece_id in piece_ids):
        if to_come and piece.state in UNFIT:
            raise Conflict(f"{piece.label} is {piece.state}", "It can't be on the car", "Choose another piece.", field="piece_ids")
    told = {(question, variant) for question, variant, _ in variants_of_revisions(db, [known[p].revision_id for p in piece_ids])}
    if len({question for question, _ in told}) != len(told):
        raise Conflict("Two pieces on the car are rivals in one question", "The run would answer as both", field="piece_ids")


def file_guesses(db: Db, block_id: int, *, by: Viewer, guesses: Mapping[int, int], phone: PhoneClock | None = None) -> None:
    """Which variant the rater thinks was behind each code they drove; code -> variant id. Once, and before the key is open.

    `phone`: it waited on a phone, and counts by when it was said there.
    """
    require(by, Action.FILE_SLIP)
    block, now = _answerable(db, by, block_id, phone)
    if block.kind != BlockKind.RATED:
        raise Conflict("This block asks for choices, not for guesses")
    own = {run.code for run in block.own_runs(by.account_id)}
    if not block.own_slips_in(by.account_id):
        raise Conflict("Your own slips of this block come first", "The guess is asked when all of them are filed", "File them, then guess.")
    if queries.has_guessed(db, block_id, by.account_id):
        raise Conflict("You have guessed in this block already", "A guess is given once")
    if set(guesses) != own:
        raise Refused("A guess is missing", f"You drove {len(own)} codes; guess each, also when you can't tell")
    if any(variant_id not in {number for number, _ in block.variants} for variant_id in guesses.values()):
        raise NotFound("One of the variants is not in this block")
    ids = queries.code_ids(db, block_id)
    db.add_all([BlindGuess(code_id=ids[code], rater_id=by.account_id, variant_id=guesses[code], at=now) for code in sorted(guesses)])
    db.flush()
    _record(db, by, "guessed", queries.get_block(db, by.programme_id, block_id), block.label)


def file_choice(db: Db, block_id: int, *, by: Viewer, first_run_id: int, chosen_run_id: int, phone: PhoneClock | None = None) -> None:
    """One forced choice: the odd one of three, or the one of two. It has to be made, also when one can't tell."""
    require(by, Action.FILE_SLIP)
    block, now = _answerable(db, by, block_id, phone)
    trial = next((t for t in block.trials if t.runs[0].run_id == first_run_id and t.driver_id == by.account_id), None)
    if trial is None:
        raise NotFound("There is no such trial of yours in this block")
    if not trial.driven:
        raise Conflict("This trial is not driven to its end", "", "Drive all its runs, then choose.")
    if trial.chosen is not None:
        raise Conflict("You have chosen in this trial already", "A choice is given once")
    if chosen_run_id not in {run.run_id for run in trial.runs}:
        raise Refused("Choose one of the runs of this trial", field="chosen_run_id")
    db.add(BlindChoice(block_id=block_id, rater_id=by.account_id, first_run_id=first_run_id, chosen_run_id=chosen_run_id, at=now))
    db.flush()
    _record(db, by, "chose", queries.get_block(db, by.programme_id, block_id), block.label)


def _answerable(db: Db, by: Viewer, block_id: int, phone: PhoneClock | None) -> tuple[BlockFacts, datetime]:
    """The block and when the answer was given: while its key is sealed, by one of its raters who does not hold it.

    What a phone kept since before the key was opened is taken, where its clock can be checked.
    """
    row, said = queries.get_block(db, by.programme_id, block_id, lock=True), Captured(clock.now())
    if phone is not None:
        said = captured(phone, received=said.at, not_before=row.made_at)
    if row.opened_at is not None and (said.doubt or said.at >= row.opened_at):
        raise Conflict("The key of this block is open", "What is said now can't be blind")
    block = queries.load_block(db, by, block_id)
    if not block.own_runs(by.account_id):
        raise Conflict("You have no run in this block")
    if block.holder_id == by.account_id:
        raise Conflict("You hold the key of this block", "Your answer could not be blind")
    return block, said.at


def open_block(db: Db, block_id: int, *, by: Viewer, why: str = "", phone: PhoneClock | None = None) -> BlindBlock:
    """On plan when every due answer is in, else early, with the reason. What was noted becomes the as-run builds.

    `phone`: it was opened without signal, and stands from when it was opened there; where that phone's clock can't be
    checked, from the earliest moment that is possible, so that no slip passes as blind that may not be.
    """
    block = queries.get_block(db, by.programme_id, block_id, lock=True)
    require(by, Action.OPEN_KEY, block)
    if not block.sealed:
        raise Conflict("The key is open already", "It is opened once, and never closed again")
    before = queries.load_block(db, by, block_id)
    rules.check_why(why, before)
    block.missing = before.due - before.answered
    block.state = KeyState.EARLY if block.missing else KeyState.ON_PLAN
    now = clock.now()
    block.opened_at = captured_early(phone, received=now, not_before=block.made_at).at if phone is not None else now
    block.opened_by_id, block.opened_why = by.account_id, why.strip() if block.missing else ""
    db.flush()
    key = queries.load_block(db, by, block_id)  # now with the variants, whoever opens it
    noted = queries.load_builds(db, [run.run_id for run in key.runs])
    for row in key.runs:
        sealed = noted.get(row.run_id)
        told = Noted(sealed.pieces, sealed.build.settings, sealed.build.confirmed, sealed.build.made_by_id, sealed.build.made_at,
                     sealed.build.reason) if sealed else None  # fmt: skip
        unseal_run(db, get_run(db, by.programme_id, row.run_id, lock=True), by=by, question_id=block.question_id,
                   variant_id=row.variant_id or 0, noted=told, why=f"key of {key.label} opened")  # fmt: skip
    _record(db, by, block.state, block, key.label, why=block.opened_why, missing=block.missing)
    return block


def _record(db: Db, by: Viewer, what: str, block: BlindBlock, label: str, *, why: str = "", **detail: object) -> None:
    record(db, what, "block", block.id, f"blind block {label}", by_id=by.account_id, programme_id=by.programme_id, why=why,
           session_id=block.session_id, **detail)  # fmt: skip
