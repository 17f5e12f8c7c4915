"""The season's hours on one page: what the booked sessions settle in time, and the cheapest hours that would."""

from datetime import date

from fastapi import Request
from fastapi.responses import Response

from app import clock
from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.planning import kit_commands, queries
from app.planning.day_queries import list_asked, list_known
from app.planning.forms import OfferForm, SeasonForm
from app.planning.queries import BookedRow
from app.planning.season import Block
from app.planning.season_facts import USUAL_DRIVERS, USUAL_MIN, SeasonView, part_dates, season_view
from app.sessions.queries import list_cars
from app.web.forms import ButtonForm, Form, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/season")
SEE, PLAN = [allow(Action.SEE_PROGRAMME)], [allow(Action.PLAN_SESSION)]


@router.get("", dependencies=SEE)
def show_season(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _season_page(request, db, viewer)


@router.post("", dependencies=PLAN)
def save_season(request: Request, db: DbHere, viewer: SignedIn, form: SeasonForm = posted(SeasonForm)) -> Response:
    if form.ok:
        with form.attempt(db):
            kit_commands.save_season(db, by=viewer, freeze_on=form.values["freeze_on"], edition=whole(form.values["edition"]))
        if form.ok:
            return redirect(request, "show_season", done="saved")
    return _season_page(request, db, viewer, form=form)


@router.post("/offers", dependencies=PLAN)
def add_offer(request: Request, db: DbHere, viewer: SignedIn, form: OfferForm = posted(OfferForm)) -> Response:
    if form.ok:
        with form.attempt(db):
            kit_commands.add_offer(db, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_season", done="saved", fragment="offers")
    return _season_page(request, db, viewer, offer_form=form)


@router.post("/offers/{offer_id}/withdraw", dependencies=PLAN)
def withdraw_offer(request: Request, offer_id: Id, db: DbHere, viewer: SignedIn,
                   form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with form.press(db):
        kit_commands.withdraw_offer(db, offer_id, by=viewer)
    return redirect(request, "show_season", done="saved", fragment="offers")


def _season_page(request: Request, db: Db, viewer: Viewer, **forms: Form) -> Response:
    programme_id, today = viewer.programme_id, clock.now().date()
    season, offers = queries.find_season(db, programme_id), queries.list_offers(db, programme_id)
    booked = queries.list_booked(db, programme_id)
    freeze = season.freeze_on if season else None
    parts = part_dates(queries.list_part_figures(db, programme_id), freeze)
    to_come = [row for row in booked if row.on_date >= today]
    blocks = [Block(row.label, row.on_date, _running(row)) for row in to_come]
    blocks += [Block(f"{o.place} {o.on_date:%-d %b} ({o.id})", o.on_date, o.running_min, False, o.price) for o in offers]
    drivers = max((len(row.sheet.drivers) for row in booked if row.sheet), default=USUAL_DRIVERS)
    view = season_view(list_asked(db, programme_id), list_known(db, programme_id), parts, blocks, freeze=freeze, today=today,
                       drivers=drivers, cars=len(list_cars(db, programme_id)))  # fmt: skip
    sent = next(iter(forms.values()), None)
    return page(
        request, "planning/show_season.html", status=sent.status if sent else 200, view=view, parts=parts, freeze=freeze, offers=offers,
        booked=to_come, running=_running, drivers=drivers, picture=_picture(view, today, freeze),
        form=forms.get("form") or SeasonForm().fill(freeze_on=freeze or "", edition=season.edition if season else ""),
        offer_form=forms.get("offer_form") or OfferForm(),
    )  # fmt: skip


def _running(row: BookedRow) -> float:
    """Minutes for running: what its sheet leaves, or a usual day's."""
    if row.sheet is None:
        return USUAL_MIN
    s = row.sheet
    return s.booked_min - s.set_up_min - s.warm_up_min - s.breaks_min - s.tear_down_min


def _picture(view: SeasonView, today: date, freeze: date | None) -> object | None:
    from app.web.season_charts import SeasonRow, season_picture  # loads when a page first draws

    rows = [
        SeasonRow(line.question, line.due, [(view.blocks[name].on, name, view.blocks[name].booked) for name in line.would or line.booked],
                  f"{line.word}{f', due {line.due:%-d %b}' if line.due else ''}")
        for line in view.lines
    ]  # fmt: skip
    return season_picture(rows, today, freeze) if rows else None
