"""What a revision or a piece has been through: laps, minutes, impacts, failures, with their bounds."""

from collections.abc import Collection, Mapping
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.db import Db
from app.feedback.queries import hidden_sessions
from app.incidents import exposure_queries, exposures, rules
from app.parts import queries as parts
from app.web.page import page
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE = [allow(Action.SEE_PROGRAMME)]


@router.get("/revisions/{revision_id}/use", dependencies=SEE)
def show_revision_use(request: Request, revision_id: Id, db: DbHere, viewer: SignedIn, beside: str = "") -> Response:
    revision = parts.get_revision(db, viewer.programme_id, revision_id)
    hidden = frozenset(hidden_sessions(db, viewer))
    use, own = _load(db, revision_id, hidden)
    marks = {row.id: row.mark for row in parts.list_pieces(db, viewer.programme_id) if row.revision_id == revision_id}
    others = [row for row in parts.list_revisions(db, viewer.programme_id) if row.part_id == revision.part_id and row.id != revision_id]
    other = next((row for row in others if str(row.id) == beside), None)
    compared: dict[str, Any] | None = None
    if other is not None:
        two, _ = _load(db, other.id, hidden)
        n, m = use.clean + use.struck_failures, two.clean + two.struck_failures
        p = rules.fisher_p(two.struck_failures, m, use.struck_failures, n) if n and m else None
        compared = {"row": other, "use": two, "p": p, "n": n, "m": m}
    return page(request, "incidents/show_revision_use.html", revision=revision, others=others, compared=compared, percent=rules.percent,
                more=rules.more_needed(use.clean, 0.1), use=use, hidden=len(hidden),
                pieces=[(marks.get(piece, "?"), piece, its) for piece, its in own.items()])  # fmt: skip


@router.get("/pieces/{piece_id}/use", dependencies=SEE)
def show_piece_use(request: Request, piece_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    piece = parts.get_piece(db, viewer.programme_id, piece_id)
    hidden = frozenset(hidden_sessions(db, viewer))
    runs = exposure_queries.list_runs_of_piece(db, piece_id, hidden)
    facts = exposure_queries.list_facts_of_piece(db, piece_id, hidden)
    return page(request, "incidents/show_piece_use.html", piece=piece, label=f"{piece.revision.label} {piece.mark}", runs=runs, facts=facts,
                use=exposures.add_up(runs, facts), hidden=len(hidden), percent=rules.percent)  # fmt: skip


def _load(db: Db, revision_id: int, hidden: Collection[int]) -> tuple[exposures.Use, Mapping[int, exposures.Use]]:
    """Of the whole revision, and piece by piece."""
    runs = exposure_queries.list_runs_of_revision(db, revision_id, hidden)
    facts = exposure_queries.list_facts_of_revision(db, revision_id, hidden)
    return exposures.add_up(runs, facts, exposure_queries.list_filed_of(db, revision_id, hidden)), exposures.by_piece(runs, facts)
