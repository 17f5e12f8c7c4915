"""Gauges, gauge studies, fits and chains: kept and opened, each with its answer in words."""

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.bench import commands, forms, kept_commands, kept_queries, queries, rules, typed
from app.bench.models import Fit
from app.db import Db
from app.errors import Refused
from app.gauging import clearance as fits
from app.gauging import stacks
from app.units import LENGTH
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, NOTE, WORK = [allow(Action.SEE_PROGRAMME)], [allow(Action.NOTE_READINGS)], [allow(Action.WORK_OUT)]


# --- gauges
@router.get("/gauges", dependencies=SEE)
def show_gauges(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _gauges_page(request, db, viewer)


@router.post("/gauges", dependencies=NOTE)
def add_gauge(request: Request, db: DbHere, viewer: SignedIn, form: forms.GaugeForm = posted(forms.GaugeForm)) -> Response:
    if form.ok:
        with form.attempt(db):
            commands.add_gauge(db, by=viewer, name=form.values["name"], facts=form.facts())
        if form.ok:
            return redirect(request, "show_gauges", done="saved")
    return _gauges_page(request, db, viewer, form=form)


@router.post("/gauges/{gauge_id}/retire", dependencies=NOTE)
def retire_gauge(request: Request, gauge_id: Id, db: DbHere, viewer: SignedIn, form: Form = posted(forms.RetireForm)) -> Response:
    queries.get_gauge(db, viewer.programme_id, gauge_id)
    if form.ok:
        with form.attempt(db):
            commands.retire_gauge(db, gauge_id, by=viewer, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_gauges", done="saved")
    return _gauges_page(request, db, viewer, retiring=(gauge_id, form))


def _gauges_page(request: Request, db: Db, viewer: Viewer, *, form: forms.GaugeForm | None = None,
                 retiring: tuple[int, Form] | None = None) -> Response:  # fmt: skip
    sent = form or (retiring[1] if retiring else None)
    return page(request, "bench/show_gauges.html", status=sent.status if sent else 200, form=form or forms.GaugeForm(),
                gauges=queries.list_gauges(db, viewer.programme_id), retiring=retiring or (0, forms.RetireForm()),
                blank=forms.RetireForm())  # fmt: skip


# --- studies
@router.get("/gauge-studies/new", dependencies=NOTE)
def show_new_study(request: Request, db: DbHere, viewer: SignedIn, characteristic_id: str = "") -> Response:
    return _new_study_page(request, db, viewer, forms.StudyForm().fill(characteristic_id=characteristic_id))


@router.post("/gauge-studies", dependencies=NOTE)
def keep_study(request: Request, db: DbHere, viewer: SignedIn, form: forms.StudyForm = posted(forms.StudyForm)) -> Response:
    form.offer(**_study_choices(db, viewer))
    if form.ok:
        with form.attempt(db):
            own = forms.chosen_id(form.values["characteristic_id"]) or 0
            row = queries.get_characteristic(db, viewer.programme_id, own)
            study_id = kept_commands.keep_study(
                db, by=viewer, characteristic_id=own, gauge_id=forms.chosen_id(form.values["gauge_id"]) or 0, note=form.values["note"],
                trials=typed.read_trials(str(form.fields["trials"].raw), rules.quantity_of(row.kind))).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_study", study_id=study_id, done="saved")
    return _new_study_page(request, db, viewer, form)


def _study_choices(db: Db, viewer: Viewer) -> dict[str, list[tuple[str, str]]]:
    known = queries.list_characteristics(db, viewer.programme_id)
    gauges = [gauge for gauge in queries.list_gauges(db, viewer.programme_id) if gauge.retired_at is None]
    return {"characteristic_id": [(str(row.id), f"{row.part_code} {row.name}") for row in known],
            "gauge_id": [(str(gauge.id), f"{gauge.label} {gauge.name}, {gauge.unit}") for gauge in gauges]}  # fmt: skip


def _new_study_page(request: Request, db: Db, viewer: Viewer, form: forms.StudyForm) -> Response:
    if not form.submitted:
        form.offer(**_study_choices(db, viewer))
    return page(request, "bench/show_new_study.html", status=form.status if form.submitted else 200, form=form)


@router.get("/gauge-studies/{study_id}", dependencies=SEE)
def show_study(request: Request, study_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _study_page(request, db, viewer, study_id)


@router.post("/gauge-studies/{study_id}/withdraw", dependencies=NOTE)
def withdraw_study(request: Request, study_id: Id, db: DbHere, viewer: SignedIn,
                   form: Form = posted(forms.WithdrawForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            kept_commands.withdraw_study(db, study_id, by=viewer, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_study", study_id=study_id, done="withdrawn")
    return _study_page(request, db, viewer, study_id, form)


def _study_page(request: Request, db: Db, viewer: Viewer, study_id: int, form: Form | None = None) -> Response:
    from app.gauging.study import average_and_range, can_see, crossed_study, what_is_missing

    row = kept_queries.get_study(db, viewer.programme_id, study_id)
    trials = kept_queries.list_trials(db, study_id)
    found = None if what_is_missing(trials) else crossed_study(trials)
    quantity = rules.quantity_of(row.kind)
    seen: list[tuple[str, Any, Any]] = []
    for entry in queries.list_limits(db, viewer.programme_id, row.study.characteristic_id):
        if found is not None and entry.revision not in [name for name, _, _ in seen]:
            limit = entry.limit
            seen.append((entry.revision, limit, can_see(found, limit.lower_limit, limit.upper_limit, quantity.unit)))
    return page(request, "bench/show_study.html", status=form.status if form else 200, row=row, trials=trials, found=found, seen=seen,
                quantity=quantity, ranges=average_and_range(trials) if found else None, form=form or forms.WithdrawForm())  # fmt: skip


# --- fits and chains
@router.get("/fits", dependencies=SEE)
def list_fits(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return page(request, "bench/list_fits.html", fits=kept_queries.list_fits(db, viewer.programme_id),
                chains=kept_queries.list_chains(db, viewer.programme_id))  # fmt: skip


@router.get("/fits/new", dependencies=WORK)
def show_new_fit(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return _new_fit_page(request, db, viewer, forms.FitForm())


@router.post("/fits", dependencies=WORK)
def keep_fit(request: Request, db: DbHere, viewer: SignedIn, form: forms.FitForm = posted(forms.FitForm)) -> Response:
    form.offer(**_measured_choices(db, viewer))
    if form.ok:
        v: dict[str, Any] = {**form.values}
        for name in ("hole_characteristic_id", "shaft_characteristic_id"):
            v[name] = forms.chosen_id(v[name])
        with form.attempt(db):
            mating_fit_id = kept_commands.keep_fit(db, by=viewer, **v).id
        if form.ok:
            return redirect(request, "show_fit", mating_fit_id=mating_fit_id, done="saved")
    return _new_fit_page(request, db, viewer, form)


def _measured_choices(db: Db, viewer: Viewer) -> dict[str, list[tuple[str, str]]]:
    lengths = [row for row in queries.list_characteristics(db, viewer.programme_id) if rules.quantity_of(row.kind).unit == "mm"]
    offered = [("", "none"), *((str(row.id), f"{row.part_code} {row.name}") for row in lengths)]
    return {"hole_characteristic_id": offered, "shaft_characteristic_id": offered}


def _new_fit_page(request: Request, db: Db, viewer: Viewer, form: forms.FitForm) -> Response:
    if not form.submitted:
        form.offer(**_measured_choices(db, viewer))
    return page(request, "bench/show_new_fit.html", status=form.status if form.submitted else 200, form=form)


@router.get("/fits/{mating_fit_id}", dependencies=SEE)
def show_fit(request: Request, mating_fit_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _fit_page(request, db, viewer, mating_fit_id)


@router.post("/fits/{mating_fit_id}/withdraw", dependencies=WORK)
def withdraw_mating_fit(request: Request, mating_fit_id: Id, db: DbHere, viewer: SignedIn,
                        form: Form = posted(forms.WithdrawForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            kept_commands.withdraw_mating_fit(db, mating_fit_id, by=viewer, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_fit", mating_fit_id=mating_fit_id, done="withdrawn")
    return _fit_page(request, db, viewer, mating_fit_id, form)


def _fit_page(request: Request, db: Db, viewer: Viewer, mating_fit_id: int, form: Form | None = None) -> Response:
    fit = kept_queries.get_fit(db, viewer.programme_id, mating_fit_id)
    hole = fits.Feature(fit.nominal_mm + fit.hole_lower_um / 1000, fit.nominal_mm + fit.hole_upper_um / 1000)
    shaft = fits.Feature(fit.nominal_mm + fit.shaft_lower_um / 1000, fit.nominal_mm + fit.shaft_upper_um / 1000)
    return page(request, "bench/show_fit.html", status=form.status if form else 200, fit=fit, hole=hole, shaft=shaft,
                found=fits.clearance(hole, shaft, seed=fit.seed), angle=_angle(fit), plays=_measured_plays(db, viewer, fit),
                form=form or forms.WithdrawForm())  # fmt: skip


def _angle(fit: Fit) -> Any:
    """Millimetres of play -> degrees at the wheel, for the template; None without a spread."""
    spread = fit.spread_mm
    return None if not spread else lambda play: fits.play_angle(play, spread)


def _measured_plays(db: Db, viewer: Viewer, fit: Fit) -> list[tuple[str, str, float, float]]:
    """(hole's piece, shaft's piece, play, its U) of measured pieces, at most thirty pairs."""
    ids = [fit.hole_characteristic_id, fit.shaft_characteristic_id]
    if None in ids:
        return []
    latest = queries.load_gauged(db, viewer.programme_id, characteristic_ids=[i for i in ids if i is not None]).latest()
    holes, shafts = ([fact for fact in latest if fact.characteristic_id == own] for own in ids)
    pairs = [(h, s) for h in holes for s in shafts if h.piece_id != s.piece_id or ids[0] != ids[1]]
    return [(h.piece, s.piece, *fits.measured_play(h.summary.mean, s.summary.mean, h.summary.expanded, s.summary.expanded))
            for h, s in pairs[:30]]  # fmt: skip


@router.get("/chains/new", dependencies=WORK)
def show_new_chain(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return page(request, "bench/show_new_chain.html", form=forms.ChainForm())


@router.post("/chains", dependencies=WORK)
def keep_chain(request: Request, db: DbHere, viewer: SignedIn, form: forms.ChainForm = posted(forms.ChainForm)) -> Response:
    if form.ok:
        with form.attempt(db):
            try:
                chain_id = kept_commands.keep_chain(db, by=viewer, **form.values).id
            except Refused as refused:
                refused.field = {"typed": "lines"}.get(refused.field or "", refused.field)
                raise
        if form.ok:
            return redirect(request, "show_chain", chain_id=chain_id, done="saved")
    return page(request, "bench/show_new_chain.html", status=form.status, form=form)


@router.get("/chains/{chain_id}", dependencies=SEE)
def show_chain(request: Request, chain_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _chain_page(request, db, viewer, chain_id)


@router.post("/chains/{chain_id}/withdraw", dependencies=WORK)
def withdraw_chain(request: Request, chain_id: Id, db: DbHere, viewer: SignedIn, form: Form = posted(forms.WithdrawForm)) -> Response:
    if form.ok:
        with form.attempt(db):
            kept_commands.withdraw_chain(db, chain_id, by=viewer, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_chain", chain_id=chain_id, done="withdrawn")
    return _chain_page(request, db, viewer, chain_id, form)


def _chain_page(request: Request, db: Db, viewer: Viewer, chain_id: int, form: Form | None = None) -> Response:
    chain = kept_queries.get_chain(db, viewer.programme_id, chain_id)
    links, problem = typed.chain_or_problem(chain.typed, LENGTH)
    found = stacks.stack(links, seed=chain.seed) if links else None
    return page(request, "bench/show_chain.html", status=form.status if form else 200, chain=chain, links=links, found=found,
                problem=problem, form=form or forms.WithdrawForm())  # fmt: skip
