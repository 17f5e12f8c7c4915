"""The plan of a session: what it is made from, the alternatives, the accepted run card, and the rest of a day under way."""

from datetime import datetime, time
from typing import Any, NamedTuple

from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.people.models import Hat
from app.planning import commands, live, queries, seal_commands, words
from app.planning.day_queries import Rows
from app.planning.facts import Made
from app.planning.forms import AcceptForm, DayForm
from app.planning.models import DaySheet
from app.planning.plan_view import Shown, over, shown_plans
from app.planning.replan import rest_of_day
from app.proving.queries import list_instructions
from app.questions.queries import list_questions
from app.sessions.choices import venue
from app.sessions.models import CLOSED_STATES, RunState, Session
from app.sessions.queries import get_session, list_session_people
from app.web.forms import ButtonForm, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/sessions/{session_id}")
SEE, PLAN = [allow(Action.SEE_PROGRAMME)], [allow(Action.PLAN_SESSION)]
IDS = ("cars", "drivers", "questions", "blind", "fit_only")
SHORT_DAYS = ("20", "40", "60", "90")


@router.get("/plan", dependencies=PLAN)
def show_plan(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _plan_page(request, db, viewer, session_id)


@router.post("/plan", dependencies=PLAN)
def save_day(request: Request, session_id: Id, db: DbHere, viewer: SignedIn, form: DayForm = posted(DayForm)) -> Response:
    rows = Rows(db, viewer)
    form.offer(**_offered(rows))
    if form.ok:
        values = {**form.values, **{name: [int(item) for item in form.values[name]] for name in IDS}}
        values["brackets"] = int(values["brackets"])
        edition = whole(values.pop("edition"))
        with form.attempt(db):
            values["starts_at"] = venue(db, viewer, session_id, values["starts_at"], "starts_at")
            rows.check_limits(values["limits"], values["drivers"], values["cars"])
            commands.save_sheet(db, session_id, by=viewer, edition=edition, **values)
        if form.ok:
            return redirect(request, "show_plan", session_id=session_id, done="saved", fragment="plans")
    return _plan_page(request, db, viewer, session_id, form=form)


@router.post("/plan/accept", dependencies=PLAN)
def accept_plan(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                form: AcceptForm = posted(AcceptForm)) -> Response:  # fmt: skip
    made = _made(db, viewer, get_session(db, viewer.programme_id, session_id))
    if form.ok:
        with form.attempt(db):
            if made.done:
                raise Conflict("Runs of this session are driven already", "What was driven stays", "Re-plan the rest of the day instead.")
            commands.accept_plan(db, session_id, _chosen(made, form), by=viewer)
        if form.ok:
            return redirect(request, "show_run_card", session_id=session_id, done="planned")
    return _plan_page(request, db, viewer, session_id, accept=form)


@router.get("/card", dependencies=SEE)
def show_run_card(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    session = get_session(db, viewer.programme_id, session_id)
    plan, accepted_by = queries.find_plan(db, viewer.programme_id, session_id)
    lines = queries.list_card(db, viewer.programme_id, plan.id) if plan else []
    waiting = {line.planned.place for line in lines if line.state == RunState.PLANNED and line.code is None}
    asked = {chain["question"] for chain in plan.told.get("sealed", ()) if waiting.issuperset(chain["places"])} if plan else set()
    to_seal = [row for row in list_questions(db, viewer.programme_id) if row.label in asked] if asked else []
    return page(request, "planning/show_run_card.html", session=session, zone=session.time_zone, plan=plan, lines=lines,
                accepted_by=accepted_by, to_seal=to_seal, instructions=list_instructions(db, viewer, session_id))  # fmt: skip


@router.post("/plan/seal/{question_id}", dependencies=[allow(Action.SEAL_KEY)])
def seal_planned(request: Request, session_id: Id, question_id: Id, db: DbHere, viewer: SignedIn,
                 form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with form.press(db):
        block_id = seal_commands.seal_planned(db, session_id, question_id, by=viewer).id
    return redirect(request, "show_key", block_id=block_id, done="saved")


@router.get("/rest", dependencies=PLAN)
def show_rest_of_day(request: Request, session_id: Id, db: DbHere, viewer: SignedIn, minutes: str = "",
                     piece: str = "", driver: str = "", car: str = "") -> Response:  # fmt: skip
    return _rest_page(request, db, viewer, session_id, {"minutes": minutes, "piece": piece, "driver": driver, "car": car})


@router.post("/rest", dependencies=PLAN)
def accept_rest_of_day(request: Request, session_id: Id, db: DbHere, viewer: SignedIn, minutes: str = "",
                       piece: str = "", driver: str = "", car: str = "", form: AcceptForm = posted(AcceptForm)) -> Response:  # fmt: skip
    happened = {"minutes": minutes, "piece": piece, "driver": driver, "car": car}
    made = _made(db, viewer, get_session(db, viewer.programme_id, session_id), happened)
    if form.ok:
        with form.attempt(db):
            commands.accept_plan(db, session_id, _chosen(made, form, made.why), by=viewer)
        if form.ok:
            return redirect(request, "show_hall", done="planned")
    return _rest_page(request, db, viewer, session_id, happened, form=form)


class NoSheet(NotFound):
    """Nobody has said yet what the session's plan is made from."""


class Planned(NamedTuple):
    """A session's plans as its page shows them now. done: were runs of it driven; why: what happened, in words."""

    session: Session
    sheet: DaySheet
    rows: Rows
    made: Made
    plans: list[Shown]
    done: bool
    why: str = ""
    now: datetime | None = None


def _made(db: Db, viewer: Viewer, session: Session, happened: dict[str, str] | None = None) -> Planned:
    sheet, _ = queries.find_sheet(db, viewer.programme_id, session.id)
    if sheet is None:
        raise NoSheet(f"{session.label} has no plan yet", "", "Say first what it is made from.")
    rows = Rows(db, viewer)
    made = rows.made(sheet)
    done = live.done_of(made, rows.driven, session.id, sheet.starts_at)
    if happened is None:
        return Planned(session, sheet, rows, made, shown_plans(made, made.day, seed=sheet.seed), bool(done))
    now = clock.now()
    given, why = _read(happened, rows, made)
    minute = max(live.minute_of(sheet.starts_at, now), made.day.hours.set_up if not done else 0.0)
    day = rest_of_day(made.day, done, now=round(minute), **given)
    return Planned(session, sheet, rows, made, shown_plans(made, day, seed=sheet.seed), bool(done), why, now)


def _read(happened: dict[str, str], rows: Rows, made: Made) -> tuple[dict[str, Any], str]:
    """What happened, from the address: arguments of the re-plan, and the sentence for the trail."""
    given: dict[str, Any] = {}
    told = []
    if happened["minutes"]:
        if not (happened["minutes"].isascii() and happened["minutes"].isdigit() and len(happened["minutes"]) < 4):
            raise Refused(f"“{happened['minutes'][:20]}” is not a number of minutes", "", "Type it like 40.", field="minutes")
        given["minutes_left"] = float(happened["minutes"])
        told.append(f"{happened['minutes']} minutes remain")
    for name, key, known, said in (
        ("piece", "broken", [p.label for p in rows.pieces], "{} is out of use"),
        ("driver", "gone", [d.name for d in made.day.drivers], "{} left"),
        ("car", "out_cars", list(made.day.cars), "{} is out"),
    ):
        if happened[name]:
            if happened[name] not in known:
                raise NotFound(f"There is no {name} “{happened[name][:40]}” in this session")
            given[key] = [happened[name]]
            told.append(said.format(happened[name]))
    return given, "; ".join(told)


def _chosen(made: Planned, form: AcceptForm, why: str = "") -> commands.Accepted:
    shown = next((s for s in made.plans if s.plan.wish == form.values["wish"] and s.digest == form.values["shown"]), None)
    if shown is None:
        raise Conflict("The plan is not what it was when this page was loaded", "Something it is made from has changed since",
                       "Look at it again, then accept.")  # fmt: skip
    told = words.told_of(made.made.day, shown.plan, shown.checked, shown.left)
    return commands.Accepted(shown.plan, made.made, made.sheet.starts_at, told, form.values["why"] or why)


def _offered(rows: Rows) -> dict[str, list[tuple[str, str]]]:
    questions = list({str(r.question_id): f"{r.question} {r.title}" for r in rows.asked}.items())
    people = [(str(p.account_id), f"{p.initials} {p.name}") for p in rows.people]
    return {"cars": [(str(c.id), c.name) for c in rows.cars], "drivers": people, "questions": questions, "blind": questions,
            "fit_only": questions}  # fmt: skip


def _filled(db: Db, session: Session, rows: Rows, own: DaySheet | None, last: DaySheet | None) -> DayForm:
    """The form with this session's values, or with those remembered from the last one."""
    form, source = DayForm().offer(**_offered(rows)), own or last
    zone = session.time_zone
    if source is not None:
        names = [name for name in form.fields if name not in ("edition", "starts_at", *IDS)]
        form.fill(**{name: getattr(source, name) for name in names}, **{name: [str(i) for i in getattr(source, name)] for name in IDS})
    if own is not None:
        return form.fill(starts_at=clock.to_venue(own.starts_at, zone), edition=own.edition)
    at = clock.to_venue(last.starts_at, zone).time() if last is not None else time(8)
    due = [str(account) for account, _, duty in list_session_people(db, session.id) if duty == "driver"]
    form.fill(starts_at=datetime.combine(session.on_date, at), questions=[value for value, _ in form.fields["questions"].choices])
    if due or last is None:
        form.fill(drivers=due or [str(p.account_id) for p in rows.people if Hat.DRIVER in p.hats])
    if last is None:
        form.fill(cars=[value for value, _ in form.fields["cars"].choices])
    return form


def _plan_page(request: Request, db: Db, viewer: Viewer, session_id: int, *, form: DayForm | None = None,
               accept: AcceptForm | None = None) -> Response:  # fmt: skip
    session = get_session(db, viewer.programme_id, session_id)
    own, last = queries.find_sheet(db, viewer.programme_id, session_id)
    rows = Rows(db, viewer)
    sent = form or accept
    made, refused = None, ""
    if own is not None and form is None:
        try:
            made = rows.made(own)
        except Refused as unreadable:
            refused = unreadable.sentence
    standing, _ = queries.find_plan(db, viewer.programme_id, session_id)
    driven = any(row.session_id == session_id for row in rows.driven)
    return page(
        request, "planning/show_plan.html", status=sent.status if sent else 200, session=session, zone=session.time_zone, own=own,
        form=form or _filled(db, session, rows, own, last), accept=accept or AcceptForm(), refused=refused, made=made, asked=rows.asked,
        plans=shown_plans(made, made.day, seed=own.seed) if made and own else [], standing=standing, driven=driven,
        over=over(made) if made else None,
        closed=session.state in CLOSED_STATES,
    )  # fmt: skip


def _rest_page(request: Request, db: Db, viewer: Viewer, session_id: int, happened: dict[str, str], *,
               form: AcceptForm | None = None) -> Response:  # fmt: skip
    session = get_session(db, viewer.programme_id, session_id)
    try:
        planned = _made(db, viewer, session, happened)
    except NoSheet:
        return page(request, "planning/show_rest_of_day.html", session=session, planned=None, accept=form or AcceptForm(),
                    closed=session.state in CLOSED_STATES)  # fmt: skip
    on_hand = [p.name for p in planned.made.day.pieces]
    return page(
        request, "planning/show_rest_of_day.html", status=form.status if form else 200, session=session, zone=session.time_zone,
        planned=planned, happened={k: v for k, v in happened.items() if v}, accept=form or AcceptForm(), pieces=on_hand,
        drivers=[d.name for d in planned.made.day.drivers], cars=planned.made.day.cars, minutes=SHORT_DAYS,
        closed=session.state in CLOSED_STATES,
    )  # fmt: skip
