"""What is taken out of a grid, what is carried over to a newer revision, and what its settings are."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.grid import forms, rule_commands
from app.grid.pages import load
from app.grid.rules import GridFacts
from app.grid.state import GridState, SettingState, option_factors, setting_words, settings_of
from app.grid.words import RuleKind, SettingMark
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, RULE = [allow(Action.SEE_PROGRAMME)], [allow(Action.RULE_CELLS)]


@router.get("/grids/{grid_id}/rules", dependencies=SEE)
def show_grid_rules(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn, of: str = "") -> Response:
    """of : levels that are ticked beforehand, such as those that explain the misfits."""
    return _rules_page(request, db, viewer, grid_id, chosen=forms.numbers(of))


@router.post("/grids/{grid_id}/rules", dependencies=RULE)
def add_grid_rule(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
                  form: forms.RuleForm = posted(forms.RuleForm)) -> Response:  # fmt: skip
    form.for_factors(load(db, viewer, grid_id).factors)
    if form.ok:
        with form.attempt(db):
            rule_commands.add_rule(db, grid_id, by=viewer, kind=RuleKind(form.values["kind"]), level_ids=form.level_ids(),
                                   sentence=form.values["sentence"])  # fmt: skip
        if form.ok:
            return redirect(request, "show_grid_rules", grid_id=grid_id, done="saved")
    return _rules_page(request, db, viewer, grid_id, form=form)


@router.post("/grids/{grid_id}/rules/{grid_rule_id}/withdraw", dependencies=RULE)
def withdraw_grid_rule(request: Request, grid_id: Id, grid_rule_id: Id, db: DbHere, viewer: SignedIn,
                       form: Form = posted(forms.ReasonForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            rule_commands.withdraw_rule(db, grid_id, grid_rule_id, by=viewer, reason=form.values["reason"])
        if form.ok:
            return redirect(request, "show_grid_rules", grid_id=grid_id, done="withdrawn")
    return _rules_page(request, db, viewer, grid_id, reason_form=form, reason_for=("rule", grid_rule_id))


@router.post("/grids/{grid_id}/carry-overs", dependencies=RULE)
def carry_over(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
               form: Form = posted(forms.CarryForm)) -> Response:  # fmt: skip
    _offer_older(load(db, viewer, grid_id), form)
    if form.ok:
        level, _, older = form.values["from"].partition("-")
        with form.attempt(db):
            rule_commands.carry_over(db, grid_id, by=viewer, level_id=int(level), from_id=int(older), sentence=form.values["sentence"])
        if form.ok:
            return redirect(request, "show_grid_rules", grid_id=grid_id, done="saved", fragment="carried")
    return _rules_page(request, db, viewer, grid_id, carry_form=form)


@router.post("/grids/{grid_id}/carry-overs/{carry_over_id}/withdraw", dependencies=RULE)
def withdraw_carry_over(request: Request, grid_id: Id, carry_over_id: Id, db: DbHere, viewer: SignedIn,
                        form: Form = posted(forms.ReasonForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            rule_commands.withdraw_carry_over(db, grid_id, carry_over_id, by=viewer, reason=form.values["reason"])
        if form.ok:
            return redirect(request, "show_grid_rules", grid_id=grid_id, done="withdrawn", fragment="carried")
    return _rules_page(request, db, viewer, grid_id, reason_form=form, reason_for=("carry-over", carry_over_id))


def _offer_older(facts: GridFacts, form: Form) -> Form:
    """Older revisions of every level, each with the newest it could be carried to."""
    return form.offer(**{"from": [
        (f"{level.id}-{revision_id}", f"{label}, now {level.revision}")
        for factor in facts.factors for level in factor.levels for revision_id, label in level.revisions if revision_id != level.revision_id
    ]})  # fmt: skip


def _rules_page(request: Request, db: Db, viewer: Viewer, grid_id: int, *, form: forms.RuleForm | None = None,
                carry_form: Form | None = None, reason_form: Form | None = None, reason_for: tuple[str, int] = ("", 0),
                chosen: list[int] | None = None) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    sent = form or carry_form or reason_form
    labels = {revision: label for factor in facts.factors for level in factor.levels for revision, label in level.revisions}
    return page(
        request, "grid/show_grid_rules.html", status=sent.status if sent else 200, facts=facts, labels=labels, grid=facts,
        form=form or forms.RuleForm().for_factors(facts.factors, chosen or ()),
        carry_form=carry_form or _offer_older(facts, forms.CarryForm()),
        reason_form=reason_form or forms.ReasonForm(), reason_for=reason_for, stale=len(GridState(facts).stale),
    )  # fmt: skip


# --- settings
@router.get("/grids/{grid_id}/settings", dependencies=SEE)
def show_grid_settings(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _settings_page(request, db, viewer, grid_id)


@router.post("/grids/{grid_id}/settings", dependencies=RULE)
def mark_setting(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
                 form: Form = posted(forms.SettingForm)) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    _offer_settings(_settings(facts), form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            rule_commands.mark_setting(db, grid_id, by=viewer, setting=forms.numbers(v["setting"]), mark=SettingMark(v["mark"]),
                                       same_as=forms.numbers(v["same_as"]) if v["same_as"] else (), sentence=v["sentence"])  # fmt: skip
        if form.ok:
            return redirect(request, "show_grid_settings", grid_id=grid_id, done="saved")
    return _settings_page(request, db, viewer, grid_id, form)


def _settings(facts: GridFacts) -> list[SettingState]:
    return settings_of(GridState(facts)) if facts.listed and option_factors(facts) else []


def _offer_settings(rows: list[SettingState], form: Form) -> Form:
    choices = [(row.key, row.words) for row in rows]
    return form.offer(setting=choices, same_as=[("", "none"), *choices])


def _settings_page(request: Request, db: Db, viewer: Viewer, grid_id: int, form: Form | None = None) -> Response:
    facts = load(db, viewer, grid_id)
    rows = _settings(facts)
    published = [row for row in rows if row.word == SettingMark.PUBLISHED]
    return page(
        request, "grid/show_grid_settings.html", status=form.status if form else 200, facts=facts, rows=rows, published=len(published),
        excluded=sum(row.excluded for row in rows), form=form or _offer_settings(rows, forms.SettingForm()),
        same={row.key: setting_words(facts, row.mark.same_as) for row in rows if row.mark and row.mark.same_as},
        factors=[facts.factors[f] for f in option_factors(facts)],
    )  # fmt: skip
