"""Blind blocks: those of a session, one block with its codes, its key for the holder, and its opening."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer, require
from app.blind import commands, queries, rules
from app.blind.forms import KINDS, BlockForm, ChoiceForm, GuessForm, OpenForm, SealedBuildForm, kind_of
from app.blind.models import BlockKind
from app.blind.rules import BlockFacts
from app.db import Db
from app.errors import Conflict, NotFound
from app.parts.queries import list_pieces
from app.questions.queries import OPEN_STATES, VariantRow, get_question, list_variants, variants_of_revisions
from app.sessions import queries as sessions
from app.sessions.rules import read_settings, show_settings
from app.web.forms import Form, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, SEAL, KEY = [allow(Action.SEE_PROGRAMME)], [allow(Action.SEAL_KEY)], [allow(Action.SEE_KEY)]
OPEN, FILE = [allow(Action.OPEN_KEY)], [allow(Action.FILE_SLIP)]


@router.get("/sessions/{session_id}/blocks", dependencies=SEE)
def list_blocks(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    session = sessions.get_session(db, viewer.programme_id, session_id)
    blocks = queries.load_blocks(db, viewer.programme_id, viewer=viewer, session_id=session_id)
    asked: dict[int, VariantRow] = {}
    for row in list_variants(db, viewer.programme_id):
        asked.setdefault(row.question_id, row)
    return page(request, "blind/list_blocks.html", session=session, blocks=blocks, kinds=KINDS, asked=list(asked.values()),
                event_words=rules.event_words)  # fmt: skip


@router.get("/sessions/{session_id}/blocks/new", dependencies=SEAL)
def show_new_block(request: Request, session_id: Id, db: DbHere, viewer: SignedIn, question_id: str = "",
                   kind: str = "") -> Response:  # fmt: skip
    sessions.get_session(db, viewer.programme_id, session_id)
    if not whole(question_id):
        return redirect(request, "list_blocks", session_id=session_id)
    return _new_page(request, db, viewer, session_id, BlockForm().fill(question_id=question_id, kind=kind_of(kind).value))


@router.post("/sessions/{session_id}/blocks", dependencies=SEAL)
def seal_block(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
               form: BlockForm = posted(BlockForm)) -> Response:  # fmt: skip
    _for_runs(db, viewer, session_id, form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            block_id = commands.seal_block(
                db, session_id, by=viewer, question_id=whole(v["question_id"]), kind=kind_of(v["kind"]), fitted=form.fitted(),
                asked=v["asked"], expected_id=int(v["expected_id"]) if v["expected_id"] else None,
            ).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_key", block_id=block_id, done="saved")
    return _new_page(request, db, viewer, session_id, form)


@router.get("/blocks/{block_id}", dependencies=SEE)
def show_block(request: Request, block_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _block_page(request, db, viewer, block_id)


@router.get("/blocks/{block_id}/key", dependencies=KEY)
def show_key(request: Request, block_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    require(viewer, Action.SEE_KEY, queries.get_block(db, viewer.programme_id, block_id))
    block = queries.load_block(db, viewer, block_id)
    labels = {piece.id: piece.label for piece in list_pieces(db, viewer.programme_id)}
    builds = queries.load_builds(db, [run.run_id for run in block.runs])
    return page(request, "blind/show_key.html", block=block, builds=builds, labels=labels)


@router.get("/blocks/{block_id}/runs/{run_id}/build", dependencies=KEY)
def show_sealed_build(request: Request, block_id: Id, run_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _build_page(request, db, viewer, block_id, run_id, SealedBuildForm())


@router.post("/blocks/{block_id}/runs/{run_id}/build", dependencies=KEY)
def note_build(request: Request, block_id: Id, run_id: Id, db: DbHere, viewer: SignedIn,
               form: SealedBuildForm = posted(SealedBuildForm)) -> Response:  # fmt: skip
    require(viewer, Action.SEE_KEY, queries.get_block(db, viewer.programme_id, block_id))
    form.offer(piece_ids=_pieces(db, viewer))
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.note_build(db, block_id, run_id, by=viewer, piece_ids=[int(item) for item in v["piece_ids"]],
                                settings=read_settings(v["settings"]), confirmed=v["confirmed"], reason=v["reason"])  # fmt: skip
        if form.ok:
            return redirect(request, "show_key", block_id=block_id, done="saved")
    return _build_page(request, db, viewer, block_id, run_id, form)


@router.post("/blocks/{block_id}/open", dependencies=OPEN)
def open_block(request: Request, block_id: Id, db: DbHere, viewer: SignedIn,
               form: OpenForm = posted(OpenForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.open_block(db, block_id, by=viewer, why=form.values["why"], phone=form.phone if form.sent else None)
        if form.ok:
            return redirect(request, "show_block", block_id=block_id, done="key-opened")
    return _block_page(request, db, viewer, block_id, open_form=form)


@router.post("/blocks/{block_id}/guesses", dependencies=FILE)
def file_guesses(request: Request, block_id: Id, db: DbHere, viewer: SignedIn,
                 form: GuessForm = posted(GuessForm)) -> Response:  # fmt: skip
    form.for_codes(queries.load_block(db, viewer, block_id), viewer.account_id)
    if form.ok:
        with form.attempt(db):
            commands.file_guesses(db, block_id, by=viewer, guesses=form.guesses(), phone=form.phone if form.sent else None)
        if form.ok:
            return redirect(request, "show_block", block_id=block_id, done="guessed")
    return _block_page(request, db, viewer, block_id, guess_form=form)


@router.post("/blocks/{block_id}/choices", dependencies=FILE)
def file_choice(request: Request, block_id: Id, db: DbHere, viewer: SignedIn,
                form: ChoiceForm = posted(ChoiceForm)) -> Response:  # fmt: skip
    block = queries.load_block(db, viewer, block_id)
    first = whole(form.fields["first_run_id"].raw)
    form.for_trial(next((t for t in block.trials if t.runs[0].run_id == first and t.driver_id == viewer.account_id), None))
    if form.ok:
        with form.attempt(db):
            commands.file_choice(db, block_id, by=viewer, first_run_id=first, chosen_run_id=int(form.values["chosen_run_id"]),
                                 phone=form.phone if form.sent else None)  # fmt: skip
        if form.ok:
            return redirect(request, "show_block", block_id=block_id, done="chosen")
    return _block_page(request, db, viewer, block_id, choice_form=form)


def _for_runs(db: Db, viewer: Viewer, session_id: int, form: BlockForm) -> None:
    question_id = whole(form.fields["question_id"].raw)
    variants = [(row.id, f"{row.code} {row.title}".strip(), row.is_control) for row in list_variants(db, viewer.programme_id)
                if row.question_id == question_id]  # fmt: skip
    runs = [(run.id, f"{run.label}: {run.initials}, {run.car}") for run in queries.list_free_runs(db, viewer.programme_id, session_id)]
    form.for_runs(runs, variants, repeats=kind_of(str(form.fields["kind"].raw)) == BlockKind.RATED)


def _new_page(request: Request, db: Db, viewer: Viewer, session_id: int, form: BlockForm) -> Response:
    session = sessions.get_session(db, viewer.programme_id, session_id)
    if session.closed:
        raise Conflict(f"{session.label} is {session.state}", "A block is made before its runs are driven", "Plan another session.")
    question = get_question(db, viewer.programme_id, whole(form.fields["question_id"].raw))
    if question.state not in OPEN_STATES:
        raise Conflict(f"{question.label} is {question.state}", "Only a question that was asked is answered by runs", "Ask it first.")
    if not form.submitted:
        _for_runs(db, viewer, session_id, form)
    return page(request, "blind/show_new_block.html", status=form.status if form.submitted else 200, session=session, question=question,
                form=form, kind=kind_of(str(form.fields["kind"].raw)), words=rules.KIND_WORDS,
                runs=[name for name in form.fields if name.startswith("run_")])  # fmt: skip


def _block_page(request: Request, db: Db, viewer: Viewer, block_id: int, **forms: Form) -> Response:
    block = queries.load_block(db, viewer, block_id)
    sent = next(iter(forms.values()), None)
    asked, opening = _asked_of(db, viewer, block), forms.get("open_form") or OpenForm()
    opening.fields["why"].required = block.answered != block.due
    return page(
        request, "blind/show_block.html", status=sent.status if sent else 200, block=block, asked=asked,
        open_form=opening, zone=block.time_zone, event=rules.event_words(block),
        guess=rules.guess_words(block),
        guess_form=forms.get("guess_form") or (GuessForm().for_codes(block, viewer.account_id) if asked == "guess" else None),
        choice_form=forms.get("choice_form") or (ChoiceForm().for_trial(_next_trial(viewer, block)) if asked == "choice" else None),
        kind_words=rules.KIND_WORDS[BlockKind(block.kind)],
    )  # fmt: skip


def _asked_of(db: Db, viewer: Viewer, block: BlockFacts) -> str:
    """What this person is asked on the block's page: a guess, a choice or nothing."""
    if not block.sealed or block.holder_id == viewer.account_id or not block.own_runs(viewer.account_id):
        return ""
    if block.trials:
        return "choice" if _next_trial(viewer, block) else ""
    if not block.own_slips_in(viewer.account_id):
        return ""
    return "guessed" if queries.has_guessed(db, block.id, viewer.account_id) else "guess"


def _next_trial(viewer: Viewer, block: BlockFacts) -> rules.Trial | None:
    return next((t for t in block.trials if t.driver_id == viewer.account_id and t.driven and t.chosen is None), None)


def _pieces(db: Db, viewer: Viewer, variant_id: int | None = None) -> list[tuple[str, str]]:
    """Every piece, those of the variant to be fitted first."""
    pieces = list_pieces(db, viewer.programme_id)
    fit = {revision for _, variant, revision in variants_of_revisions(db, [piece.revision_id for piece in pieces]) if variant == variant_id}
    return [(str(piece.id), f"{piece.label} ({piece.state})") for piece in sorted(pieces, key=lambda piece: piece.revision_id not in fit)]


def _build_page(request: Request, db: Db, viewer: Viewer, block_id: int, run_id: int, form: SealedBuildForm) -> Response:
    require(viewer, Action.SEE_KEY, queries.get_block(db, viewer.programme_id, block_id))
    block = queries.load_block(db, viewer, block_id)
    run = next((row for row in block.runs if row.run_id == run_id), None)
    if run is None:
        raise NotFound("That run is not in this block")
    if not block.sealed:
        raise Conflict("The key is open", "What was on the car stands in the as-run book now", "Correct the build there.")
    builds = queries.load_builds(db, [row.run_id for row in block.runs])
    if not form.submitted:
        _fill(db, viewer, form.offer(piece_ids=_pieces(db, viewer, run.variant_id)), block, run, builds)
    present = builds.get(run_id)
    return page(request, "blind/show_sealed_build.html", status=form.status if form.submitted else 200, block=block, run=run, form=form,
                present=present.build if present else None)  # fmt: skip


def _fill(db: Db, viewer: Viewer, form: SealedBuildForm, block: BlockFacts, run: rules.RunInBlock,
          builds: dict[int, queries.SealedBuild]) -> None:  # fmt: skip
    """What was noted for this run, else for the run before on this car with the pieces that the code asks for exchanged."""
    if run.run_id in builds:
        start = builds[run.run_id]
        form.fill(piece_ids=[str(piece) for piece in start.pieces], settings=show_settings(start.build.settings))
        return
    same = [row for row in block.runs if row.run_id in builds and row.car == run.car and row.number < run.number]
    alike = [row for row in same if row.code == run.code]
    if alike or same:
        start = builds[(alike or same)[-1].run_id]
        pieces = start.pieces if alike else _without(db, viewer, start.pieces, block.question_id)
        form.fill(piece_ids=[str(piece) for piece in pieces], settings=show_settings(start.build.settings))


def _without(db: Db, viewer: Viewer, pieces: tuple[int, ...], question_id: int) -> list[int]:
    """The same pieces but for those that answer the question."""
    revisions = {piece.id: piece.revision_id for piece in list_pieces(db, viewer.programme_id)}
    answered = variants_of_revisions(db, [revisions[piece] for piece in pieces])
    about = {revision for question, _, revision in answered if question == question_id}
    return [piece for piece in pieces if revisions[piece] not in about]
