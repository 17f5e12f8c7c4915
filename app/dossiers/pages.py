"""Pages that show several features at once: everybody's home, and the trail."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, SignedIn, allow
from app.access.viewer import Viewer
from app.concerns.queries import list_open_blockers
from app.db import AlreadyThere, DatabaseDown, Db
from app.decisions.commands import refresh_looks
from app.dossiers import queries
from app.dossiers.forms import TrailForm
from app.dossiers.rules import ORDERS, next_lines, shared_controls
from app.errors import NotFound
from app.feedback.queries import hidden_sessions
from app.history.queries import list_trail as read_trail
from app.people.models import Hat
from app.people.queries import list_people
from app.programmes.queries import get_programme
from app.proving.queries import list_broke_again
from app.web.page import page, path_for, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
TRAIL_PAGE = 60


@router.get("", dependencies=[allow(Action.SEE_PROGRAMME)])
def show_home(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    leads = bool(viewer.hats & {Hat.DESIGNER, Hat.MANAGER})
    if leads and _freshened(db, viewer):
        return redirect(request, "show_home")  # so that the page itself stays within its budget of queries
    drives = Hat.DRIVER in viewer.hats
    hidden = hidden_sessions(db, viewer) if leads else ()
    return page(
        request, "dossiers/show_home.html", drives=drives, leads=leads, manages=Hat.MANAGER in viewer.hats,
        conducts=Hat.CONDUCTOR in viewer.hats, programme=get_programme(db, viewer.programme_id),
        owed=queries.list_owed(db, viewer) if drives else [], next_runs=queries.list_next_runs(db, viewer) if drives else [],
        became=queries.list_became(db, viewer) if drives else [], said=queries.list_said(db, viewer) if drives else [],
        proposed=queries.count_proposed(db, viewer) if drives else 0,
        lines=queries.list_question_lines(db, viewer.programme_id) if leads else [],
        drafts=queries.list_drafts(db, viewer.programme_id) if leads else [],
        stoppers=list_open_blockers(db, viewer.programme_id, viewer=viewer, hidden=hidden) if leads else [],
        again=list_broke_again(db, viewer.programme_id, hidden) if leads else [],
        rulings=queries.list_ruling_lines(db, viewer.programme_id) if leads else [],
        sessions=queries.list_sessions_in_hand(db, viewer.programme_id),
    )  # fmt: skip


def _freshened(db: Db, viewer: Viewer) -> bool:
    """Bring the stored looks up to date; answers whether anything was. One that can't be written stays as it was."""
    if not queries.has_stale_looks(db, viewer.programme_id):
        return False
    try:
        return refresh_looks(db, viewer.programme_id)
    except (*DatabaseDown, AlreadyThere):  # read-only, locked, or somebody else was just faster
        db.rollback()
        return False


@router.get("/what-next", dependencies=[allow(Action.SEE_PROGRAMME)])
def show_what_next(request: Request, db: DbHere, viewer: SignedIn, by: str = "") -> Response:
    """What every open question lacks, and what one more session would settle."""
    if _freshened(db, viewer):
        return redirect(request, "show_what_next", query={"by": by} if by else {})
    lines = next_lines(queries.list_question_lines(db, viewer.programme_id), by=by if by in ORDERS else ORDERS[0])
    return page(request, "dossiers/show_what_next.html", lines=lines, orders=ORDERS, by=by if by in ORDERS else ORDERS[0],
                controls=shared_controls(queries.list_controls(db, viewer.programme_id), lines))  # fmt: skip


@router.get("/trail", dependencies=[allow(Action.SEE_TRAIL)])
def list_trail(request: Request, db: DbHere, viewer: SignedIn, thing: str = "", thing_id: str = "",
               by: str = "", before: str = "") -> Response:  # fmt: skip
    people = list_people(db, viewer.programme_id)
    form = TrailForm().show(thing, by, [(str(p.account_id), f"{p.initials} {p.name}") for p in people])
    numbers = {name: _number(text) for name, text in (("thing_id", thing_id), ("by_id", by), ("before_id", before))}
    lines = read_trail(db, viewer.programme_id, hidden_sessions=hidden_sessions(db, viewer), thing=thing or None,
                       limit=TRAIL_PAGE + 1, **numbers)  # fmt: skip
    query = {"thing": thing, "thing_id": thing_id, "by": by, "before": str(lines[TRAIL_PAGE - 1].id) if len(lines) > TRAIL_PAGE else ""}
    older = path_for(request, "list_trail", programme_id=viewer.programme_id, query={k: v for k, v in query.items() if v})
    return page(request, "dossiers/list_trail.html", lines=lines[:TRAIL_PAGE], form=form,
                older=older if len(lines) > TRAIL_PAGE else None, narrowed=bool(thing or by or thing_id))  # fmt: skip


@router.get("/components", dependencies=[allow(Action.SEE_PROGRAMME)])
def show_components(request: Request, viewer: SignedIn) -> Response:
    """The design system on one page, for whoever draws the next one."""
    return page(request, "dossiers/show_components.html")


def _number(text: str) -> int | None:
    """An id from the address; nonsense there is a page that doesn't exist."""
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise NotFound("There is no such page", f"“{text[:40]}” is not a number")
    return int(text)
