"""Every write about parts, revisions and pieces."""

from typing import Any

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, Frozen, Refused
from app.history.commands import record
from app.parts import queries, rules
from app.parts.models import Part, Piece, PieceState, Process, Revision, RevisionState
from app.parts.rules import Facts


def _note(
    db: Db, what: str, thing: str, thing_id: int, label: str, by: Viewer, *, why: str = "", **detail: Any
) -> None:
    record(db, what, thing, thing_id, label, by_id=by.account_id, programme_id=by.programme_id, why=why, **detail)


# --- parts
def add_part(db: Db, *, by: Viewer, number: str, code: str, title: str) -> Part:
    """A new part; its number and code must not be mistakable for another part's."""
    require(by, Action.EDIT_PARTS)
    code_key = rules.mark_key(code, field="code", longest=24, extra="._")
    rules.mark_key(number, field="number", longest=48, extra=" .-_/")
    rules.check_title(title)
    queries.lock_programme(db, by.programme_id)
    for other in queries.list_parts(db, by.programme_id):
        rules.check_code_apart(other, code, code_key)
        rules.check_number_apart(other, number)
    part = Part(
        programme_id=by.programme_id, number=number, code=code, code_key=code_key, title=title, created_at=clock.now()
    )
    db.add(part)
    db.flush()
    _note(db, "added", "part", part.id, f"{code} {title}", by, number=number)
    return part


def edit_part(db: Db, part_id: int, *, by: Viewer, edition: int, title: str, number: str) -> None:
    """Change the title; the number too, as long as no piece carries it."""
    require(by, Action.EDIT_PARTS)
    queries.lock_programme(db, by.programme_id)
    part = queries.get_part(db, by.programme_id, part_id)
    rules.check_title(title)
    before = {"title": part.title, "number": part.number}
    if number != part.number:
        rules.mark_key(number, field="number", longest=48, extra=" .-_/")
        if queries.part_has_piece(db, part_id):
            raise Refused(f"{part.code} keeps its number {part.number}: pieces are marked with it", "",
                          f"Type {part.number} again.", field="number")  # fmt: skip
        for other in queries.list_parts(db, by.programme_id):
            if other.id != part_id:
                rules.check_number_apart(other, number)
    _change(db, Part, part_id, edition, f"the part {part.code}", title=title, number=number)
    after = {"title": title, "number": number}
    _note(db, "edited", "part", part_id, f"{part.code} {title}", by, before=before, after=after)


def _change(db: Db, row: type[Part | Revision | Piece], row_id: int, edition: int, label: str, **values: Any) -> None:
    """Write `values` if the row still is at `edition`, else refuse: somebody was faster."""
    changed = db.execute(
        update(row).where(row.id == row_id, row.edition == edition).values(edition=edition + 1, **values)
    )
    if changed.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict(
            f"Somebody else changed {label} while you were typing",
            "Both texts are shown below",
            "Compare, then save again.",
        )


# --- revisions
def issue_revision(
    db: Db, part_id: int, *, by: Viewer, line: str, alias: str = "", drawing: rules.Drawing | None = None,
    facts: Facts = Facts(), state: RevisionState = RevisionState.ISSUED, seen: int | None = None,
) -> Revision:  # fmt: skip
    """The next step of a line of the part: a new line starts at r1. Part, line and step never change afterwards.

    `seen`: how many revisions of the part the form's reader saw; another number is a Conflict, so that a form
    sent twice issues one revision. From r2 on the change note is needed.
    """
    require(by, Action.EDIT_PARTS)
    line_key = rules.mark_key(line, field="line", longest=32, extra="._-")
    rules.check_alias(alias)
    queries.lock_programme(db, by.programme_id)
    part = queries.get_part(db, by.programme_id, part_id)
    present = queries.list_revisions_of_part(db, by.programme_id, part_id)
    if seen is not None and seen != len(present):
        newest = max(present, key=lambda revision: revision.id).label if present else "none"
        raise Conflict(f"{newest} was issued while this form was open", f"{part.code} now has {len(present)} revisions",
                       "Look whether it is yours; if another is still needed, send the form again.")  # fmt: skip
    spelled, step = rules.place_in_line(present, line, line_key)
    rules.check_change_note(rules.revision_label(part.code, spelled, step), step, facts.change_note)
    revision = Revision(
        programme_id=by.programme_id, part_id=part_id, line=spelled, line_key=line_key, step=step,
        label=rules.revision_label(part.code, spelled, step), alias=alias, state=state, mass_g=facts.mass_g,
        unit_cost=facts.unit_cost, lead_time_days=facts.lead_time_days, change_note=facts.change_note,
        created_by_id=by.account_id, created_at=clock.now(),
    )  # fmt: skip
    _keep_drawing(revision, drawing)
    db.add(revision)
    db.flush()
    _note(db, "issued" if state == RevisionState.ISSUED else "drafted", "revision", revision.id, revision.label, by,
          why=facts.change_note, file_digest=revision.file_digest)  # fmt: skip
    return revision


def _keep_drawing(revision: Revision, drawing: rules.Drawing | None) -> None:
    if drawing is not None:
        revision.file_name, revision.file_digest, revision.file_bytes = drawing.name, drawing.digest, drawing.size_bytes


def edit_revision(db: Db, revision_id: int, *, by: Viewer, edition: int, alias: str, facts: Facts) -> None:
    """Change the alias and the facts; what stood before is kept in the trail, and a search finds old aliases."""
    require(by, Action.EDIT_PARTS)
    revision = queries.get_revision(db, by.programme_id, revision_id)
    rules.check_alias(alias)
    rules.check_change_note(revision.label, revision.step, facts.change_note)
    names = ("mass_g", "unit_cost", "lead_time_days", "change_note")
    old_alias, label = revision.alias, revision.label
    before = {name: getattr(revision, name) for name in names}
    after = {name: getattr(facts, name) for name in names}
    _change(db, Revision, revision_id, edition, label, alias=alias, **after)
    if alias != old_alias:
        _note(db, "renamed", "revision", revision_id, label, by, before=old_alias, after=alias)
    if differing := [name for name in names if before[name] != after[name]]:
        _note(db, "edited", "revision", revision_id, label, by, before={name: before[name] for name in differing},
              after={name: after[name] for name in differing})  # fmt: skip


def set_revision_state(
    db: Db, revision_id: int, *, by: Viewer, edition: int, state: RevisionState, why: str = ""
) -> None:
    """Move a revision along its life; a step back, an end and a revival need a reason. Freezing is not done here."""
    require(by, Action.EDIT_PARTS)
    revision = queries.get_revision(db, by.programme_id, revision_id)
    before = revision.state
    if state not in rules.NEXT_STATES[before]:
        allowed = " or ".join(rules.NEXT_STATES[before]) or "nothing here"
        raise Refused(
            f"{revision.label} is {before}, which can't become {state}",
            f"From {before} it may become {allowed}",
            "Choose again.",
            field="state",
        )
    if rules.state_needs_reason(before, state):
        rules.check_reason(why, field="why", what=f"Making {revision.label} {state}")
    _change(db, Revision, revision_id, edition, revision.label, state=state)
    _note(db, f"made {state}", "revision", revision_id, revision.label, by, why=why, before=before, after=state)


def keep_drawing(db: Db, revision_id: int, *, by: Viewer, drawing: rules.Drawing) -> bool:
    """Keep name, digest and size of the revision's file; False when it is the same file again, which adds nothing.

    Once a piece of it was run, its definition is closed: other content is refused and belongs to the next step.
    """
    require(by, Action.EDIT_PARTS)
    revision = queries.get_revision(db, by.programme_id, revision_id)
    label, code, line = revision.label, revision.part.code, revision.line
    if revision.file_digest == drawing.digest:
        return False
    following = rules.revision_label(code, line, revision.step + 1)
    if revision.state == RevisionState.FROZEN:
        raise Frozen(f"{label} is frozen with another file", "", f"Issue {following} with this file.", field="drawing")
    if queries.revision_was_run(db, revision_id, lock=True):
        stood = f"SHA-256 {revision.file_digest[:12]}…" if revision.file_digest else "no file"
        raise Frozen(
            f"{label} has been run, so its definition can't change",
            f"It was run with {stood}; this file is SHA-256 {drawing.digest[:12]}…, so it is new content",
            f"Issue {following} with it; whether the evidence carries over is judged there.", field="drawing",
        )  # fmt: skip
    before = revision.file_digest
    _change(db, Revision, revision_id, revision.edition, label, file_name=drawing.name, file_digest=drawing.digest,
                     file_bytes=drawing.size_bytes)  # fmt: skip
    _note(db, "changed file" if before else "added file", "revision", revision_id, label, by, before=before,
          after=drawing.digest, file_name=drawing.name)  # fmt: skip
    return True


# --- pieces
def add_pieces(
    db: Db,
    revision_id: int,
    *,
    by: Viewer,
    process: Process,
    count: int = 1,
    place: str = "",
    note: str = "",
    seen: int | None = None,
) -> list[Piece]:
    """`count` new pieces, marked on from the last: #1, #2, ... `seen`: how many the form's reader saw."""
    require(by, Action.EDIT_PIECES)
    rules.check_piece_count(count)
    queries.lock_programme(db, by.programme_id)
    revision = queries.get_revision(db, by.programme_id, revision_id)
    if revision.state == RevisionState.WITHDRAWN:
        raise Conflict(f"{revision.label} is withdrawn: no more pieces are made to it", "", "Use another revision.")
    marks = queries.list_marks(db, revision_id)
    if seen is not None and seen != len(marks):
        raise Conflict(f"{revision.label} got pieces while this form was open: now {', '.join(marks)}", "",
                       "Look whether they are yours; if more are needed, send the form again.")  # fmt: skip
    pieces = [
        Piece(
            programme_id=by.programme_id,
            revision_id=revision_id,
            mark=mark,
            process=process,
            state=PieceState.ON_HAND,
            place=place,
            note=note,
            created_at=clock.now(),
        )
        for mark in rules.next_piece_marks(marks, count)
    ]
    db.add_all(pieces)
    db.flush()
    for piece in pieces:
        _note(db, "added", "piece", piece.id, f"{revision.label} {piece.mark}", by, process=process, place=place)
    return pieces


def edit_piece(db: Db, piece_id: int, *, by: Viewer, edition: int, state: PieceState, place: str, note: str) -> None:
    """Where a piece is and what state it is in. `modified` is reached only through `modify_piece`."""
    require(by, Action.EDIT_PIECES)
    piece = queries.get_piece(db, by.programme_id, piece_id)
    label = f"{piece.revision.label} {piece.mark}"
    _check_not_modified(db, piece, label)
    if state not in rules.STATES_TO_CHOOSE:
        raise Refused(
            f"{label} can't be set to {state} here", "It gets its own mark", "Use “Modified by hand”.", field="state"
        )
    before = {"state": piece.state, "place": piece.place, "note": piece.note}
    _change(db, Piece, piece_id, edition, label, state=state, place=place, note=note)
    after = {"state": str(state), "place": place, "note": note}
    if before != after:
        what = f"made {state}" if before["state"] != state else "edited"
        _note(db, what, "piece", piece_id, label, by, before=before, after=after)


def quarantine_piece(db: Db, piece_id: int, *, by: Viewer, why: str, session_id: int | None = None) -> bool:
    """Take a usable piece out of use until somebody has looked at it; one that is out of use already stays as it is."""
    require(by, Action.QUARANTINE_PIECE)
    piece = queries.get_piece(db, by.programme_id, piece_id)
    if piece.state not in rules.USABLE_PIECES:
        return False
    before, label = {"state": piece.state}, f"{piece.revision.label} {piece.mark}"
    _change(db, Piece, piece_id, piece.edition, label, state=PieceState.QUARANTINED)
    _note(db, "quarantined", "piece", piece_id, label, by, why=why, session_id=session_id, before=before,
          after={"state": str(PieceState.QUARANTINED)})  # fmt: skip
    return True


def modify_piece(db: Db, piece_id: int, *, by: Viewer, edition: int, what: str) -> Piece:
    """A piece changed by hand becomes its own sub-mark (#2m): what was run with #2 stays said about #2."""
    require(by, Action.EDIT_PIECES)
    queries.lock_programme(db, by.programme_id)
    piece = queries.get_piece(db, by.programme_id, piece_id)
    revision_id, state, label = piece.revision_id, piece.state, f"{piece.revision.label} {piece.mark}"
    _check_not_modified(db, piece, label)
    if state in rules.GONE_PIECES:
        raise Refused(f"{label} is {state}, so nobody can modify it", "", "If it was found, set its state first.")
    rules.check_reason(what, field="what", what="The note of what was changed")
    mark = rules.modified_mark(piece.mark, queries.list_marks(db, revision_id))
    made = Piece(programme_id=by.programme_id, revision_id=revision_id, mark=mark, process=piece.process, state=state,
                 place=piece.place, note=what, modified_from_id=piece_id, created_at=clock.now())  # fmt: skip
    _change(db, Piece, piece_id, edition, label, state=PieceState.MODIFIED)
    db.add(made)
    db.flush()
    new_label = f"{label.rpartition(' ')[0]} {mark}"
    _note(db, "modified by hand", "piece", piece_id, label, by, why=what, became=new_label, became_id=made.id)
    _note(db, "made by hand from", "piece", made.id, new_label, by, why=what, was=label, was_id=piece_id)
    return made


def _check_not_modified(db: Db, piece: Piece, label: str) -> None:
    if piece.state == PieceState.MODIFIED:
        became = queries.find_modified(db, piece.id)
        raise Conflict(f"{label} no longer exists as such: it was modified by hand", "",
                       f"Go on with {became.mark}." if became else "")  # fmt: skip
