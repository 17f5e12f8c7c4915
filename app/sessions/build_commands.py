"""As-run builds: what was really fitted, confirmed by whoever fitted it, corrected by a new version; cars swapped."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.history.commands import record
from app.parts.models import PieceState
from app.parts.queries import list_pieces
from app.questions.commands import lock_rules
from app.questions.queries import list_variants, variants_of_revisions
from app.sessions import queries, rules
from app.sessions.models import AsRunBuild, BuildPiece, BuildState, BuildVariant, Run, RunState, SessionState

UNFIT = (PieceState.BROKEN, PieceState.SCRAPPED, PieceState.LOST)


def record_build(db: Db, run_id: int, *, by: Viewer, piece_ids: Sequence[int] = (), settings: Mapping[str, str] | None = None,
                 declared: Mapping[int, int] | None = None, confirmed: bool = False, reason: str = "") -> AsRunBuild:  # fmt: skip
    """The next version of a run's as-run build.

    piece_ids : pieces on the car. declared : question id -> variant id, for whole cars and imported tables; a part
    variant follows from its pieces. A second version is a correction and needs its reason.
    """
    run = queries.get_run(db, by.programme_id, run_id, lock=True)
    require(by, Action.RECORD_BUILD, run)
    rules.check_not_sealed(run)
    if run.session.state == SessionState.RECONCILED:
        raise Conflict(f"{run.session.label} is reconciled", "Its builds no longer change",
                       "Raise a concern on the run that says what was on the car.")
    present = queries.find_newest_build(db, run.id)
    if present is not None and len(reason.strip()) < 5:
        raise Refused(f"{run.label} has a build already", "A correction says why, in at least 5 characters", field="reason")
    state = BuildState.CORRECTED if present is not None else BuildState.CONFIRMED if confirmed else BuildState.ASSUMED
    now = clock.now()
    build = AsRunBuild(
        programme_id=by.programme_id, run_id=run.id, version=present.version + 1 if present else 1, state=state,
        settings=dict(settings or {}), made_by_id=by.account_id, made_at=now, reason=reason,
        confirmed_by_id=by.account_id if confirmed else None, confirmed_at=now if confirmed else None,
    )  # fmt: skip
    db.add(build)
    db.flush()
    _fit(db, by, build, piece_ids, declared or {}, to_come=run.state == RunState.PLANNED)
    if rules.counts_as_driven(run.state):
        lock_rules(db, carried_questions(db, build.id))
    record(db, "corrected build" if present else "recorded build", "run", run.id, f"{run.session.label}/{run.label}",
           by_id=by.account_id, programme_id=by.programme_id, why=reason, session_id=run.session_id, version=build.version)  # fmt: skip
    return build


def _fit(db: Db, by: Viewer, build: AsRunBuild, piece_ids: Sequence[int], declared: Mapping[int, int], *,
         to_come: bool) -> None:  # fmt: skip
    """Write the pieces, and the variants that follow from them or were declared.

    A broken piece can't be on a car to come; it may well have been on one that was driven.
    """
    known = {piece.id: piece for piece in list_pieces(db, by.programme_id)} if piece_ids else {}
    chosen = [known.get(piece_id) for piece_id in dict.fromkeys(piece_ids)]
    if None in chosen:
        raise NotFound("One of the pieces is not of this programme", field="piece_ids")
    fitted = [piece for piece in chosen if piece is not None]
    for piece in fitted:
        if to_come and piece.state in UNFIT:
            raise Conflict(f"{piece.label} is {piece.state}", "It can't be on the car", "Choose another piece.", field="piece_ids")
        db.add(BuildPiece(build_id=build.id, piece_id=piece.id))
    from_pieces = variants_of_revisions(db, [piece.revision_id for piece in fitted])
    carried = {question_id: (variant_id, False) for question_id, variant_id, _ in from_pieces}
    if len({(q, v) for q, v, _ in from_pieces}) != len(carried):
        raise Conflict("Two pieces on the car are rivals in one question", "The run would answer as both", field="piece_ids")
    if declared:
        rows = {row.id: row for row in list_variants(db, by.programme_id, open_only=False)}
        for question_id, variant_id in declared.items():
            if variant_id not in rows or rows[variant_id].question_id != question_id:
                raise NotFound("There is no such variant in that question", field="declared")
            if question_id in carried and carried[question_id][0] != variant_id:
                raise Conflict(f"The pieces say another variant of {rows[variant_id].question_label}",
                               "Pieces win over what is declared", field="declared")  # fmt: skip
            carried.setdefault(question_id, (variant_id, True))
    for question_id, (variant_id, was_declared) in sorted(carried.items()):
        db.add(BuildVariant(build_id=build.id, question_id=question_id, variant_id=variant_id, declared=was_declared))
    db.flush()


def carried_questions(db: Db, build_id: int) -> Sequence[int]:
    rows = db.execute(BuildVariant.__table__.select().where(BuildVariant.build_id == build_id))
    return [row.question_id for row in rows]


def confirm_build(db: Db, run_id: int, *, by: Viewer, waited: bool = False) -> None:
    """Whoever put the wheels on says that it was so. `waited`: on a phone; then one more to say so is noted, not refused."""
    run = queries.get_run(db, by.programme_id, run_id, lock=True)
    require(by, Action.RECORD_BUILD, run)
    rules.check_not_sealed(run)
    build = queries.find_newest_build(db, run.id)
    if build is None:
        raise Conflict(f"{run.label} has no build yet", "", "Record what is on the car first.")
    if build.confirmed_at is not None and waited:
        record(db, "confirmed too the build of", "run", run.id, f"{run.session.label}/{run.label}", by_id=by.account_id,
               programme_id=by.programme_id, session_id=run.session_id, version=build.version)  # fmt: skip
        return
    if build.confirmed_at is not None:
        raise Conflict(f"The build of {run.label} is confirmed already")
    build.confirmed_by_id, build.confirmed_at = by.account_id, clock.now()
    if build.state == BuildState.ASSUMED:
        build.state = BuildState.CONFIRMED
    record(db, "confirmed build", "run", run.id, f"{run.session.label}/{run.label}", by_id=by.account_id,
           programme_id=by.programme_id, session_id=run.session_id, version=build.version)  # fmt: skip


class Noted(NamedTuple):
    """What the holder of a key noted of a sealed run, as it enters the as-run book when the key is opened."""

    piece_ids: Sequence[int]
    settings: Mapping[str, str]
    confirmed: bool
    made_by_id: int
    made_at: datetime
    reason: str


def seal_run(db: Db, run: Run, *, code: int, question_id: int) -> None:
    """From now on nobody but the key's holder knows what is on the car; the run is called by its code."""
    if run.blind_code is not None or queries.find_newest_build(db, run.id) is not None:
        raise Conflict(f"{run.label} has a code or a build already", "What people could read is no secret")
    run.blind_code, run.sealed_question_id = code, question_id
    db.flush()


def unseal_run(db: Db, run: Run, *, by: Viewer, question_id: int, variant_id: int, noted: Noted | None, why: str) -> None:
    """Open what was sealed: what the holder noted becomes the as-run build; else the key alone says the variant.

    A run that was never driven and never built stays without a build. Pieces win over what the key says.
    """
    run.sealed_question_id = None
    db.flush()
    if noted is None and run.state in (RunState.PLANNED, RunState.NOT_DRIVEN):
        return
    build = AsRunBuild(
        programme_id=run.programme_id, run_id=run.id, version=1, settings=dict(noted.settings if noted else {}),
        state=BuildState.CONFIRMED if noted and noted.confirmed else BuildState.ASSUMED,
        made_by_id=noted.made_by_id if noted else by.account_id, made_at=noted.made_at if noted else clock.now(),
        reason=noted.reason if noted else why, confirmed_by_id=noted.made_by_id if noted and noted.confirmed else None,
        confirmed_at=noted.made_at if noted and noted.confirmed else None,
    )  # fmt: skip
    db.add(build)
    db.flush()
    piece_ids = noted.piece_ids if noted else ()
    revisions = {piece.id: piece.revision_id for piece in list_pieces(db, run.programme_id)} if piece_ids else {}
    told = {question for question, _, _ in variants_of_revisions(db, [revisions[piece] for piece in piece_ids])}
    _fit(db, by, build, piece_ids, {} if question_id in told else {question_id: variant_id}, to_come=False)
    if rules.counts_as_driven(run.state):
        lock_rules(db, carried_questions(db, build.id))
    record(db, "recorded build", "run", run.id, f"{run.session.label}/{run.label}", by_id=by.account_id,
           programme_id=run.programme_id, why=why, session_id=run.session_id, version=1)  # fmt: skip


def swap_cars(db: Db, first_id: int, second_id: int, *, by: Viewer, why: str) -> tuple[Run, Run]:
    """Two drivers took each other's radios. Marks stay with their raters; car and build go with the other run."""
    require(by, Action.RUN_SESSION)
    first, second = (queries.get_run(db, by.programme_id, run_id, lock=True) for run_id in sorted((first_id, second_id)))
    rules.check_swap(first, second)
    for run in (first, second):
        rules.check_not_sealed(run)
    builds = {run.id: queries.find_newest_build(db, run.id) for run in (first, second)}
    missing = [run.label for run in (first, second) if builds[run.id] is None]
    if len(missing) == 1:
        raise Conflict(f"{missing[0]} has no build yet", "A swap exchanges what was on both cars", "Record both builds first.")
    first.car_id, second.car_id = second.car_id, first.car_id
    for run, other in ((first, second), (second, first)):
        taken = builds[other.id]
        if taken is not None:
            db.flush()
            record_build(
                db, run.id, by=by, piece_ids=[piece.piece_id for piece in taken.pieces], settings=taken.settings,
                declared={v.question_id: v.variant_id for v in taken.variants if v.declared}, confirmed=True,
                reason=f"cars swapped with {other.label}: {why}",
            )  # fmt: skip
        record(db, "swapped cars", "run", run.id, f"{run.session.label}/{run.label}", by_id=by.account_id,
               programme_id=by.programme_id, why=why, session_id=run.session_id, other=other.label)  # fmt: skip
    return first, second
