"""The evidence sheet of a question, and the rulings made on it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.blind.rules import event_words, guess_words
from app.clock import to_venue
from app.db import Db
from app.decisions import commands, queries, rules
from app.decisions.facts import Loaded
from app.decisions.forms import ReopenForm, RulingForm, SignForm
from app.decisions.models import RulingState
from app.decisions.sheet_view import arrange
from app.decisions.summaries import read_sheet
from app.errors import NotFound
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, FILE, SIGN = [allow(Action.SEE_PROGRAMME)], [allow(Action.FILE_RULING)], [allow(Action.SIGN_RULING)]


@router.get("/questions/{question_id}/sheet", dependencies=SEE)
def show_sheet(request: Request, question_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    opened = queries.open_sheet(db, viewer, question_id, in_two_steps=True)
    if opened.first_look:
        return redirect(request, "show_sheet", question_id=question_id, query=dict(request.query_params))
    rulings = queries.list_rulings(db, viewer.programme_id, question_id=question_id)
    sheet, loaded = opened.sheet, opened.loaded
    shown = opened.running or sheet
    return page(
        request, "decisions/show_sheet.html", question=loaded.question, loaded=loaded, sheet=sheet, running=opened.running,
        view=arrange(loaded, shown, _facts(loaded), running=opened.running is not None) if shown else None, rulings=rulings,
        last_look=arrange(loaded, sheet) if opened.running and sheet else None, moved=_moved(rulings, loaded, sheet, viewer),
        event_words=event_words, guess_words=guess_words, tolerance=_tolerance(opened),
    )  # fmt: skip


class Tolerance(NamedTuple):
    """Which failed readings keep runs out, and what they changed; known: both sheets are there to be compared."""

    pieces: Sequence[str]
    changes: Sequence[str]
    known: bool


def _tolerance(opened: queries.Opened) -> Tolerance:
    pieces = list(dict.fromkeys(one.words for failed in opened.loaded.out.values() for one in failed))
    if opened.without is None or opened.sheet is None:
        return Tolerance(pieces, (), False)
    before, after = queries.snapshots(opened.without), queries.snapshots(opened.sheet)
    return Tolerance(pieces, [] if before == after else rules.what_changed(before, after), True)


@router.get("/rulings", dependencies=SEE)
def list_rulings(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return page(request, "decisions/list_rulings.html", rulings=queries.list_rulings(db, viewer.programme_id))


@router.get("/questions/{question_id}/variants/{variant_id}/rule", dependencies=FILE)
def show_new_ruling(request: Request, question_id: Id, variant_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _ruling_form_page(request, db, viewer, question_id, variant_id, RulingForm())


@router.post("/questions/{question_id}/variants/{variant_id}/rule", dependencies=FILE)
def file_ruling(request: Request, question_id: Id, variant_id: Id, db: DbHere, viewer: SignedIn,
                form: RulingForm = posted(RulingForm)) -> Response:  # fmt: skip
    if form.ok:
        values = {**form.values, "form": form.values["form"] or "sole"}
        shown, sign = values.pop("shown"), values.pop("sign")
        with form.attempt(db):
            ruling_id = commands.file_ruling(db, question_id, variant_id, by=viewer, shown=shown, sign=sign,
                                             text=commands.RulingText(**values)).id  # fmt: skip
        if form.ok:
            return redirect(request, "show_ruling", ruling_id=ruling_id, done="signed" if sign else "ruled")
    return _ruling_form_page(request, db, viewer, question_id, variant_id, form)


@router.get("/rulings/{ruling_id}", dependencies=SEE)
def show_ruling(request: Request, ruling_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _ruling_page(request, db, viewer, ruling_id)


@router.post("/rulings/{ruling_id}/sign", dependencies=SIGN)
def sign_ruling(request: Request, ruling_id: Id, db: DbHere, viewer: SignedIn,
                form: SignForm = posted(SignForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.sign_ruling(db, ruling_id, by=viewer, shown=form.values["shown"])
        if form.ok:
            return redirect(request, "show_ruling", ruling_id=ruling_id, done="signed")
    return _ruling_page(request, db, viewer, ruling_id, sign_form=form)


@router.post("/rulings/{ruling_id}/reopen", dependencies=SIGN)
def reopen_ruling(request: Request, ruling_id: Id, db: DbHere, viewer: SignedIn,
                  form: ReopenForm = posted(ReopenForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.reopen_ruling(db, ruling_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_ruling", ruling_id=ruling_id, done="saved")
    return _ruling_page(request, db, viewer, ruling_id, reopen_form=form)


@dataclass(frozen=True, slots=True)
class Moved:
    """What happened to a ruling's evidence since: nothing, new slips, or a different verdict or reading."""

    slips: int
    differs: bool
    since: str

    @property
    def words(self) -> str:
        if self.differs:
            return f"evidence has moved since {self.since}"
        if self.slips:
            return f"{self.slips} new slip{'s' if self.slips != 1 else ''} since"
        return "the evidence was edited since, without new slips"


def _moved(rulings: object, loaded: Loaded, sheet: Any, viewer: Viewer) -> dict[int, Moved]:
    """Ruling id -> how its evidence has moved, for live rulings whose fingerprint is not today's."""
    if sheet is None:
        return {}
    now = queries.snapshots(sheet)
    found = {}
    for row in rulings:  # type: ignore[attr-defined]
        ruling = row.ruling
        if ruling.state not in queries.LIVE_RULINGS or ruling.fingerprint == sheet.fingerprint:
            continue
        today = now.get(row.variant)
        differs = today is None or today.verdict != ruling.verdict or today.reading != ruling.reading
        zone = viewer.programme.time_zone if viewer.programme else "UTC"
        since = f"{to_venue(ruling.signed_at or ruling.filed_at, zone):%-d %b}"
        new = len(set(loaded.slips) - set(ruling.snapshot.get("slips", [])))
        found[ruling.id] = Moved(new, differs, since)
    return found


def _facts(loaded: Loaded) -> dict[str, list[tuple[str, str]]]:
    """Mass, unit cost and lead time beside the control's: what decides when drivers feel no difference."""
    figures = {v.code: [link.revision for link in v.revisions] for v in loaded.question.variants}
    control = next((v.code for v in loaded.question.variants if v.is_control), "")
    found: dict[str, list[tuple[str, str]]] = {}
    for code, revisions in figures.items():
        rows = []
        for name, attribute, unit in (("Mass", "mass_g", "g"), ("Unit cost", "unit_cost", ""), ("Lead time", "lead_time_days", "days")):
            here = [getattr(r, attribute) for r in revisions if getattr(r, attribute) is not None]
            there = [getattr(r, attribute) for r in figures.get(control, []) if getattr(r, attribute) is not None]
            if here:
                change = f" ({f'{here[-1] - there[-1]:+.1f} {unit}'.strip()})".replace("-", "−") if there and code != control else ""
                rows.append((name, f"{here[-1]:g} {unit}{change}".strip()))
        found[code] = rows
    return found


def _tested(loaded: Loaded, slips: Iterable[int]) -> set[float]:
    """Air temperatures of the sessions in which these slips' runs were driven."""
    runs = [loaded.runs[loaded.slips[slip].run_id] for slip in slips if slip in loaded.slips]
    return {run.air_temp_degC for run in runs if run.air_temp_degC is not None}


def _ruling_form_page(request: Request, db: Db, viewer: Viewer, question_id: int, variant_id: int, form: RulingForm) -> Response:
    loaded, sheet = queries.current_look(db, viewer.programme_id, question_id)
    variant = next((v for v in loaded.question.variants if v.id == variant_id and not v.is_control), None)
    if variant is None:
        raise NotFound(f"{loaded.question.label} has no such rival")
    verdict = next((v for v in sheet.verdicts if v.variant == variant.code), None)
    form.fields["shown"].raw = sheet.fingerprint  # what is on this page is what will be signed
    return page(request, "decisions/show_new_ruling.html", status=form.status if form.submitted else 200, form=form,
                question=loaded.question, variant=variant, verdict=verdict,
                tested=rules.tested_note("", _tested(loaded, loaded.slips)),
                reading=next((rules.words(r.reading) for r in sheet.panel.readings if r.variant == variant.code), ""))  # fmt: skip


def _ruling_page(request: Request, db: Db, viewer: Viewer, ruling_id: int, **forms: Form) -> Response:
    ruling = queries.get_ruling(db, viewer.programme_id, ruling_id)
    row = next(item for item in queries.list_rulings(db, viewer.programme_id, question_id=ruling.question_id)
               if item.ruling.id == ruling_id)  # fmt: skip
    sent = next(iter(forms.values()), None)
    loaded, sheet = queries.current_look(db, viewer.programme_id, ruling.question_id)
    stored = read_sheet(ruling.snapshot["sheet"])
    moved = _moved([row], loaded, sheet, viewer).get(ruling.id)
    return page(
        request, "decisions/show_ruling.html", status=sent.status if sent else 200, row=row, ruling=ruling, moved=moved,
        view=arrange(loaded, stored), can_sign=ruling.state == RulingState.PROVISIONAL,
        sign_form=SignForm().fill(shown=sheet.fingerprint), sign_refused=forms.get("sign_form"),
        reopen_form=forms.get("reopen_form") or ReopenForm(), reading=rules.words(ruling.reading),
        agrees=rules.agrees(ruling.verdict, ruling.decision, ruling.form),
        tested=rules.tested_note(ruling.scope, _tested(loaded, ruling.snapshot.get("slips", []))),
    )  # fmt: skip
