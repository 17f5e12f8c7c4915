"""Expected effects: worked out, and noted with a variant before it is driven."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.bench import forms, kept_commands, kept_queries
from app.bench.effects import ASKED, HINTS, answer
from app.bench.words import EffectKind
from app.db import Db
from app.errors import NotFound, Refused
from app.questions.queries import get_question
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, WORK = [allow(Action.SEE_PROGRAMME)], [allow(Action.WORK_OUT)]


@router.get("/expected-effects", dependencies=SEE)
def show_expected_effects(request: Request, db: DbHere, viewer: SignedIn, kind: str = "", question_id: str = "") -> Response:
    return _page(request, db, viewer, forms.EffectForm().fill(kind=kind, question_id=question_id).of_kind())


@router.post("/expected-effects", dependencies=WORK)
def work_out_effect(request: Request, db: DbHere, viewer: SignedIn, form: forms.EffectForm = posted(forms.EffectForm)) -> Response:
    form.of_kind().offer(variant_id=_variants(db, viewer, form))
    says = _answered(form) if form.ok else ""
    variant_id = forms.chosen_id(form.values.get("variant_id"))
    if form.ok and variant_id is not None:
        with form.attempt(db):
            kept_commands.note_effect(db, by=viewer, variant_id=variant_id, kind=form.effect_kind, inputs=form.as_typed(), says=says,
                                      note=form.values["note"])  # fmt: skip
        if form.ok:
            return redirect(request, "show_expected_effects", done="saved", query=_kept(form))
    return _page(request, db, viewer, form, says)


def _answered(form: forms.EffectForm) -> str:
    try:
        return answer(form.effect_kind, form.given())
    except (ValueError, ZeroDivisionError, OverflowError) as wrong:
        told = str(wrong) if isinstance(wrong, ValueError) else "these figures give no answer"
        form.refuse(Refused(told[0].upper() + told[1:], "", "Check the figures."))
        return ""


def _kept(form: forms.EffectForm) -> dict[str, str]:
    """What the address keeps: the calculation, and the question if only its variants are shown."""
    return {name: raw for name, raw in (("kind", form.effect_kind.value), ("question_id", form.question_raw)) if raw}


def _variants(db: Db, viewer: Viewer, form: forms.EffectForm) -> list[tuple[str, str]]:
    own = kept_queries.list_variants(db, viewer.programme_id, question_id=forms.chosen_id(form.question_raw))
    return [("", "no variant"), *((str(i), label) for i, label in own)]


def _page(request: Request, db: Db, viewer: Viewer, form: forms.EffectForm, says: str = "", *,
          withdrawing: tuple[int, Form] | None = None) -> Response:  # fmt: skip
    if not form.submitted:
        form.offer(variant_id=_variants(db, viewer, form))
    question_id = forms.chosen_id(form.question_raw)
    question = get_question(db, viewer.programme_id, question_id) if question_id else None
    sent = withdrawing[1] if withdrawing else form if form.submitted else None
    status = 200 if sent is None or sent.ok else sent.status
    return page(request, "bench/show_expected_effects.html", status=status, form=form, says=says, kinds=list(EffectKind),
                hint=HINTS[form.effect_kind], asked=ASKED, question=question, kept=_kept(form),
                rows=kept_queries.list_effects(db, viewer.programme_id, question_id=question_id),
                withdrawing=withdrawing or (0, forms.WithdrawForm()), blank=forms.WithdrawForm())  # fmt: skip


@router.post("/expected-effects/{expected_effect_id}/withdraw", dependencies=WORK)
def withdraw_effect(request: Request, expected_effect_id: Id, db: DbHere, viewer: SignedIn,
                    form: Form = posted(forms.WithdrawForm)) -> Response:  # fmt: skip
    if all(row.effect.id != expected_effect_id for row in kept_queries.list_effects(db, viewer.programme_id)):
        raise NotFound("There is no such expected effect in this programme")
    if form.ok:
        with form.attempt(db):
            kept_commands.withdraw_effect(db, expected_effect_id, by=viewer, why=form.values["why"])
        if form.ok:
            return redirect(request, "show_expected_effects", done="withdrawn")
    return _page(request, db, viewer, forms.EffectForm().of_kind(), withdrawing=(expected_effect_id, form))
