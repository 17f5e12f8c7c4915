"""Today in the hall, what this phone has not sent yet, paper cards, and what a phone needs to work without signal."""

import json
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from fastapi import Request
from fastapi.responses import JSONResponse, PlainTextResponse, Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.policy import may
from app.access.viewer import Viewer
from app.blind.queries import load_blocks
from app.db import Db
from app.feedback.rules import card_letter
from app.grid.list_queries import OpenList, list_open_lists
from app.hall import queries, rules
from app.hall.forms import ConditionsForm, EndHereForm
from app.programmes.queries import list_attributes
from app.proving.queries import list_instructions
from app.sessions import condition_commands
from app.sessions import queries as sessions
from app.sessions.models import RunState
from app.sessions.queries import RunRow
from app.sessions.rules import drive_and_conduct, is_own_session
from app.web.forms import Form, posted
from app.web.page import page, path_for, redirect
from app.web.render import STATIC, static_url, static_version
from app.web.routes import Router

router = Router()
SEE, DOOR = [allow(Action.SEE_PROGRAMME)], [allow(Action.OPEN_FRONT_DOOR)]
KEPT_PAGES = ("show_hall", "show_outbox", "show_new_concern")
KEPT_FILES = (
    "css/app.css", "css/tokens.css", "css/base.css", "css/layout.css", "css/components/actions.css", "css/components/forms.css",
    "css/components/marks.css", "css/components/notes.css", "css/components/ledger.css", "css/components/verdict.css",
    "css/components/board.css", "css/components/charts.css", "css/components/stopwatch.css", "css/components/grid.css", "css/print.css",
    "js/first.js", "js/app.js",
    "js/outbox.js", "js/outbox_forms.js", "js/outbox_page.js", "js/stopwatch.js", "js/alone.js",
    "vendor/htmx-4.0.1.min.js", "vendor/atkinson-next-5.3.0-latin-400.woff2",
    "vendor/atkinson-next-5.3.0-latin-700.woff2", "img/mark.svg",
)  # fmt: skip


@router.get("/sw.js", dependencies=DOOR)
def serve_worker() -> Response:
    """The worker with its version: a digest of all static files, so that each update is a new worker."""
    head = f"const VERSION = {json.dumps(static_version())}, ASSETS = {json.dumps([static_url(path) for path in KEPT_FILES])};\n"
    text = head + (STATIC / "js/worker.js").read_text()
    return PlainTextResponse(text, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/clock", dependencies=DOOR)
def read_clock() -> Response:
    """The server's clock in ms since 1970, for a phone to tell how far its own is off."""
    return JSONResponse({"now_ms": round(clock.now().timestamp() * 1000)})


@router.get("/programmes/{programme_id}/hall", dependencies=SEE)
def show_hall(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _hall_page(request, db, viewer, ConditionsForm())


@router.post("/programmes/{programme_id}/sessions/{session_id}/conditions", dependencies=[allow(Action.RUN_SESSION)])
def note_conditions(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                    form: Form = posted(ConditionsForm)) -> Response:  # fmt: skip
    sessions.get_session(db, viewer.programme_id, session_id)  # one that is nowhere is 404 whatever was typed
    if form.ok:
        with form.attempt(db):
            condition_commands.note_conditions(db, session_id, by=viewer, phone=form.phone if form.sent else None, **form.values)
        if form.ok:
            return redirect(request, "show_hall", done="saved", fragment="conditions")
    return _hall_page(request, db, viewer, form)


@router.get("/programmes/{programme_id}/outbox", dependencies=SEE)
def show_outbox(request: Request, viewer: SignedIn) -> Response:
    """The page only frames the list: what is unsent is on the phone, and the script shows it from there."""
    return page(request, "hall/show_outbox.html")


@router.get("/programmes/{programme_id}/sessions/{session_id}/cards", dependencies=SEE)
def show_cards(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    """A paper twin of the slip for each run, with the run's number and its check letter."""
    session = sessions.get_session(db, viewer.programme_id, session_id)
    cards = queries.list_cards(db, viewer.programme_id, session_id)
    attributes = list_attributes(db, viewer.programme_id, on_slip=True)
    return page(request, "hall/show_cards.html", session=session, cards=cards, attributes=attributes,
                letters={card.number: card_letter(session.number, card.number) for card in cards})  # fmt: skip


def _end_form(cars: Mapping[int, queries.CarNow], turn: RunRow | None) -> Form:
    """What the plan set out for the run stands where nothing else is typed."""
    if turn is None:
        return EndHereForm()
    car = cars[turn.id]
    return EndHereForm().fill(tyre_set=car.tyre_set, tyre_runs=car.tyre_runs, pack=car.pack)


def _hall_page(request: Request, db: Db, viewer: Viewer, form: Form) -> Response:
    session, lists = queries.find_today(db, viewer.programme_id), _open_lists(db, viewer)
    if session is None:
        return page(request, "hall/show_hall.html", session=None, coming=queries.find_coming(db, viewer.programme_id), form=form,
                    to_rate=queries.find_unrated(db, viewer), lists=lists,
                    keep=[*_kept(request, viewer, []), *_kept_lists(request, viewer, lists)])  # fmt: skip
    runs = sessions.list_runs(db, viewer.programme_id, session.id)
    rated = queries.list_rated(db, viewer, session.id)
    cars = queries.list_cars_now(db, viewer.programme_id, session.id)
    mine = [run for run in runs if run.driver_id == viewer.account_id and run.state not in (RunState.VOID,)]
    turn = rules.turn_of(runs, viewer.account_id)
    unrated = [run for run in mine if run.state in (RunState.DRIVEN, RunState.SHORT) and run.id not in rated]
    people = sessions.list_session_people(db, session.id)
    return page(
        request, "hall/show_hall.html", status=form.status if form.submitted else 200, session=session, runs=runs, zone=session.time_zone,
        mine=mine, turn=turn, to_rate=unrated[-1] if unrated else None, older=unrated[:-1], rated=rated, cars=cars,
        end_form=_end_form(cars, turn), last=queries.last_values(cars, turn.id) if turn is not None else {}, form=form,
        keep=[*_kept(request, viewer, [run for run in runs if run.id not in rated]), *_kept_blocks(request, db, viewer, session.id, runs),
              *_kept_lists(request, viewer, lists)], lists=lists,
        notes=sessions.list_condition_notes(db, session.id),
        next_id=next((run.id for run in runs if run.state == RunState.PLANNED), 0), both=drive_and_conduct(people),
        own=is_own_session(people, viewer.account_id), instructions=list_instructions(db, viewer, session.id),
    )  # fmt: skip


def _open_lists(db: Db, viewer: Viewer) -> list[OpenList]:
    """Trial builds to tick; a list of more than a month ago is found with its grid."""
    return list_open_lists(db, viewer.programme_id, since=clock.now() - timedelta(days=30)) if may(viewer, Action.FILE_FIT) else []


def _kept_lists(request: Request, viewer: Viewer, lists: Sequence[OpenList]) -> list[str]:
    return [path_for(request, "show_build_list", programme_id=viewer.programme_id, grid_id=row.grid_id, build_list_id=row.list_id)
            for row in lists]  # fmt: skip


def _kept_blocks(request: Request, db: Db, viewer: Viewer, session_id: int, runs: Sequence[RunRow]) -> list[str]:
    """Of blind blocks still sealed: a rater's page with choices and guesses; for the holder the key, and the builds that come next."""

    def path(name: str, block_id: int, **more: int) -> str:
        return path_for(request, name, programme_id=viewer.programme_id, block_id=block_id, **more)

    found: list[str] = []
    for block in load_blocks(db, viewer.programme_id, viewer=viewer, session_id=session_id) if any(run.sealed for run in runs) else ():
        if not block.sealed:
            continue
        if block.holder_id == viewer.account_id:
            coming = [run.run_id for run in block.runs if run.state in (RunState.PLANNED, RunState.DRIVING)][:3]
            found += [path("show_block", block.id), path("show_key", block.id)]
            found += [path("show_sealed_build", block.id, run_id=run_id) for run_id in coming]
        elif block.own_runs(viewer.account_id):
            found.append(path("show_block", block.id))
    return found


def _kept(request: Request, viewer: Viewer, runs: Sequence[RunRow]) -> list[str]:
    """Pages that the phone keeps for when there is no signal: the day's, and those of the runs that are still to do or to rate."""

    def paths(names: Sequence[str], **more: Any) -> list[str]:
        return [path_for(request, name, programme_id=viewer.programme_id, **more) for name in names]

    mine = [run for run in runs if run.driver_id == viewer.account_id and run.state != RunState.VOID]
    to_do = [run for run in runs if run not in mine and run.state in (RunState.PLANNED, RunState.DRIVING)]
    others = [run for run in to_do if may(viewer, Action.DRIVE_RUN, run)]
    found = paths(KEPT_PAGES) + (paths(["show_alone"]) if may(viewer, Action.OPEN_ALONE) else [])
    for run in mine:
        found += paths(("show_slip", "show_end_run"), run_id=run.id)
    for run in [*mine[:3], *others[:3]]:  # what is next; the others are kept when they are
        names = ("show_laps_by_hand",) if run.sealed else ("show_laps_by_hand", "show_build")
        found += paths(names, run_id=run.id) + paths(["show_new_incident"], query={"run_id": run.id})
    return list(dict.fromkeys([*found, *(path for run in others[:6] for path in paths(["show_end_run"], run_id=run.id))]))[:40]
