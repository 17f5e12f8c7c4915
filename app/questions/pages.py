"""Questions, their variants and their declared rule."""

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db, transaction
from app.parts.queries import list_revisions
from app.people.queries import list_people
from app.programmes.queries import list_attributes
from app.questions import commands, queries, rules
from app.questions.forms import (
    EditQuestionForm,
    QuestionForm,
    RuleForm,
    VariantForm,
    VariantStateForm,
    WhyForm,
    attribute_choices,
)
from app.questions.models import Question
from app.web.forms import ButtonForm, Form, posted, whole
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}/questions")
SEE, ASK = [allow(Action.SEE_PROGRAMME)], [allow(Action.ASK_QUESTION)]


@router.get("", dependencies=SEE)
def list_questions(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    return page(request, "questions/list_questions.html", questions=queries.list_questions(db, viewer.programme_id))


@router.get("/new", dependencies=ASK)
def show_new_question(request: Request, db: DbHere, viewer: SignedIn) -> Response:
    form = QuestionForm().fill(owner_id=viewer.account_id).offer(owner_id=_owners(db, viewer))
    return page(request, "questions/show_new_question.html", form=form)


@router.post("", dependencies=ASK)
def add_question(request: Request, db: DbHere, viewer: SignedIn,
                 form: QuestionForm = posted(QuestionForm)) -> Response:  # fmt: skip
    form.offer(owner_id=_owners(db, viewer))
    if form.ok:
        with form.attempt(db):
            question_id = commands.add_question(db, by=viewer, **_with_owner(form)).id
        if form.ok:
            return redirect(request, "show_question", question_id=question_id)
    return page(request, "questions/show_new_question.html", form=form, status=form.status)


@router.get("/{question_id}", dependencies=SEE)
def show_question(request: Request, question_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _question_page(request, db, viewer, question_id)


@router.post("/{question_id}", dependencies=ASK)
def edit_question(request: Request, question_id: Id, db: DbHere, viewer: SignedIn,
                  form: EditQuestionForm = posted(EditQuestionForm)) -> Response:  # fmt: skip
    form.offer(owner_id=_owners(db, viewer))
    if form.ok:
        values = _with_owner(form)
        edition = whole(values.pop("edition"))
        values["deciding_ground"] = values["deciding_ground"] or ""
        with form.attempt(db):
            commands.edit_question(db, question_id, by=viewer, edition=edition, **values)
        if form.ok:
            return redirect(request, "show_question", question_id=question_id, done="saved")
    return _question_page(request, db, viewer, question_id, form=form)


@router.post("/{question_id}/variants", dependencies=ASK)
def add_variant(request: Request, question_id: Id, db: DbHere, viewer: SignedIn,
                form: VariantForm = posted(VariantForm)) -> Response:  # fmt: skip
    form.offer(revision_ids=_revisions(db, viewer))
    if form.ok:
        values = {**form.values, "revision_ids": [int(item) for item in form.values["revision_ids"]]}
        with form.attempt(db):
            commands.add_variant(db, question_id, by=viewer, **values)
        if form.ok:
            return redirect(request, "show_question", question_id=question_id, done="saved", fragment="variants")
    return _question_page(request, db, viewer, question_id, variant_form=form)


@router.post("/{question_id}/variants/{variant_id}/state", dependencies=ASK)
def set_variant_state(request: Request, question_id: Id, variant_id: Id, db: DbHere, viewer: SignedIn,
                      form: VariantStateForm = posted(VariantStateForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.set_variant_state(db, question_id, variant_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_question", question_id=question_id, done="saved", fragment="variants")
    return _question_page(request, db, viewer, question_id, state_form=form)


@router.post("/{question_id}/variants/{variant_id}/revisions", dependencies=ASK)
def add_variant_revision(request: Request, question_id: Id, variant_id: Id, db: DbHere, viewer: SignedIn,
                         form: VariantForm = posted(VariantForm)) -> Response:  # fmt: skip
    chosen = [whole(item) for item in form.fields["revision_ids"].raw]
    with transaction(db):
        for revision_id in chosen:
            commands.add_variant_revision(db, question_id, variant_id, by=viewer, revision_id=revision_id)
    return redirect(request, "show_question", question_id=question_id, done="saved", fragment="variants")


@router.get("/{question_id}/rule", dependencies=SEE)
def show_rule(request: Request, question_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    question = queries.get_question(db, viewer.programme_id, question_id)
    form = RuleForm()
    if present := rules.current_rule(question):
        form.show(rules.DeclaredRule.read(present.declared))
    return _rule_page(request, db, viewer, question, form)


@router.post("/{question_id}/rule", dependencies=ASK)
def declare_rule(request: Request, question_id: Id, db: DbHere, viewer: SignedIn,
                 form: RuleForm = posted(RuleForm)) -> Response:  # fmt: skip
    form.offer(**_attributes(db, viewer))
    if form.ok:
        rule, reason = form.rule(), form.values["reason"]
        with form.attempt(db):
            commands.declare_rule(db, question_id, by=viewer, rule=rule, reason=reason)
        if form.ok:
            return redirect(request, "show_question", question_id=question_id, done="saved", fragment="rule")
    return _rule_page(request, db, viewer, queries.get_question(db, viewer.programme_id, question_id), form, form.status)


@router.post("/{question_id}/ask", dependencies=ASK)
def ask_question(request: Request, question_id: Id, db: DbHere, viewer: SignedIn,
               form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    with form.press(db):
        commands.ask_question(db, question_id, by=viewer)
    return redirect(request, "show_question", question_id=question_id, done="saved")


@router.post("/{question_id}/drop", dependencies=ASK)
def drop_question(request: Request, question_id: Id, db: DbHere, viewer: SignedIn,
                  form: WhyForm = posted(WhyForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.drop_question(db, question_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_question", question_id=question_id, done="saved")
    return _question_page(request, db, viewer, question_id, drop_form=form)


@router.post("/{question_id}/take-up", dependencies=ASK)
def take_up_again(request: Request, question_id: Id, db: DbHere, viewer: SignedIn,
                  form: WhyForm = posted(WhyForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.take_up_again(db, question_id, by=viewer, **form.values)
        if form.ok:
            return redirect(request, "show_question", question_id=question_id, done="saved")
    return _question_page(request, db, viewer, question_id, drop_form=form)


def _owners(db: Db, viewer: Viewer) -> list[tuple[str, str]]:
    return [(str(p.account_id), f"{p.initials} {p.name}") for p in list_people(db, viewer.programme_id) if p.active]


def _revisions(db: Db, viewer: Viewer) -> list[tuple[str, str]]:
    return [(str(row.id), row.label) for row in list_revisions(db, viewer.programme_id)]


def _attributes(db: Db, viewer: Viewer) -> dict[str, list[tuple[str, str]]]:
    attributes = list_attributes(db, viewer.programme_id)
    return {"goal": attribute_choices(attributes, none="none"), "goal_second": attribute_choices(attributes, none="none"),
            "musts": attribute_choices(attributes)}  # fmt: skip


def _names(db: Db, viewer: Viewer) -> dict[int | str, str]:
    """What a rule can be about, by its key."""
    found: dict[int | str, str] = {item.id: item.name for item in list_attributes(db, viewer.programme_id)}
    for measure, name in rules.MEASURES.items():
        found[measure] = name
    return found


def _with_owner(form: Form) -> dict[str, Any]:
    return {**form.values, "owner_id": int(form.values["owner_id"]) if form.values["owner_id"] else None}


def _rule_page(request: Request, db: Db, viewer: Viewer, question: Question, form: RuleForm, status: int = 200) -> Response:
    if not form.submitted:
        form.offer(**_attributes(db, viewer))
    names = _names(db, viewer)
    versions = [(version, rules.DeclaredRule.read(version.declared)) for version in question.rules]
    return page(request, "questions/show_rule.html", status=status, question=question, form=form, versions=versions,
                names=names)  # fmt: skip


def _question_page(request: Request, db: Db, viewer: Viewer, question_id: int, **forms: Form) -> Response:
    question = queries.get_question(db, viewer.programme_id, question_id)
    sent = next(iter(forms.values()), None)
    form = forms.get("form") or EditQuestionForm().fill(
        title=question.title, text=question.text, asked_ground=question.asked_ground, decide_by=question.decide_by,
        deciding_ground=question.deciding_ground, owner_id=question.owner_id, edition=question.edition,
    ).offer(owner_id=_owners(db, viewer))  # fmt: skip
    if forms.get("form") and form.status == 409:
        form.conflict = [(f.label, str(getattr(question, n) or ""), str(f.raw)) for n, f in form.fields.items()
                         if n != "edition" and str(getattr(question, n) or "") != str(f.raw)]  # fmt: skip
        form.fields["edition"].raw = str(question.edition)
    present = rules.current_rule(question)
    names = _names(db, viewer)
    return page(
        request, "questions/show_question.html", status=sent.status if sent else 200, question=question, form=form,
        variant_form=forms.get("variant_form") or VariantForm().offer(revision_ids=_revisions(db, viewer)),
        state_form=forms.get("state_form") or VariantStateForm(), drop_form=forms.get("drop_form") or WhyForm(),
        revision_names=queries.revision_labels(db, viewer.programme_id), names=names, present=present,
        declared=rules.DeclaredRule.read(present.declared) if present else None,
        owner=next((p for p in list_people(db, viewer.programme_id) if p.account_id == question.owner_id), None),
    )  # fmt: skip
