"""Pages about concerns: the list, raising one, and one concern with everything said about it."""

from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.policy import may
from app.access.viewer import Viewer
from app.concerns import commands, forms, queries, rules
from app.concerns.commands import About
from app.concerns.models import Danger
from app.concerns.queries import ConcernRow
from app.db import Db
from app.errors import NotFound
from app.parts import queries as parts
from app.people.queries import Person, list_people
from app.web.forms import Form, posted
from app.web.page import page, redirect

router = APIRouter(prefix="/programmes/{programme_id}")
SEE, RAISE, TRIAGE = [allow(Action.SEE_PROGRAMME)], [allow(Action.RAISE_CONCERN)], [allow(Action.TRIAGE_CONCERN)]
SHOWN = {"open": "open", "closed": "closed", "all": "all"}


@router.get("/concerns", dependencies=SEE)
def list_concerns(request: Request, db: DbHere, viewer: SignedIn, show: str = "open") -> Response:
    found = queries.list_concerns(db, viewer.programme_id, viewer=viewer)
    show = SHOWN.get(show, "open")
    rows = [row for row in found if show == "all" or row.open == (show == "open")]
    return page(request, "concerns/list_concerns.html", rows=rows, show=show, total=len(found),
                open_count=sum(row.open for row in found), blockers=[row for row in found if row.blocks])  # fmt: skip


@router.get("/concerns/new", dependencies=RAISE)
def show_new_concern(
    request: Request,
    programme_id: Id,
    db: DbHere,
    viewer: SignedIn,
    question_id: str = "",
    run_id: str = "",
    revision_id: str = "",
    piece_id: str = "",
) -> Response:
    asked = {"question_id": question_id, "run_id": run_id, "revision_id": revision_id, "piece_id": piece_id}
    form = forms.RaiseForm().fill(**asked)
    response = _raise_page(request, db, viewer, form)
    for name, text in asked.items():
        if text and text not in {value for value, _ in form.fields[name].choices}:
            raise NotFound(f"There is no such {form.fields[name].label.lower()} in this programme", "",
                           "Open the page it is on and raise the concern from there.")  # fmt: skip
    return response


@router.post("/concerns", dependencies=RAISE)
def raise_concern(request: Request, db: DbHere, viewer: SignedIn,
                  form: Form = posted(forms.RaiseForm)) -> Response:  # fmt: skip
    _offer_links(db, viewer, form)
    if form.ok:
        v = form.values
        about = About(**{name: forms.number(v[name]) for name in forms.ABOUT})
        with form.attempt(db):
            concern_id = commands.raise_concern(
                db,
                by=viewer,
                words=v["words"],
                danger=Danger(v["danger"]),
                product_severity=int(v["product_severity"]),
                about=about,
                stops_freeze=v["stops_freeze"],
            ).id
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="raised")
    return _raise_page(request, db, viewer, form, status=form.status)


def _offer_links(db: Db, viewer: Viewer, form: Form) -> None:
    """The questions, revisions, pieces and runs that a concern may name."""
    here = viewer.programme_id
    form.offer(
        question_id=[
            ("", "none"),
            *((str(q.id), f"{q.label} {q.title}") for q in queries.list_questions_to_name(db, here)),
        ],
        revision_id=[
            ("", "none"),
            *((str(r.id), f"{r.label} {r.alias}".strip()) for r in parts.list_revisions(db, here)),
        ],
        piece_id=[("", "none"), *((str(p.id), p.label) for p in parts.list_pieces(db, here))],
        run_id=[
            ("", "none"),
            *(
                (str(r.id), r.label)
                for r in queries.list_runs_to_name(db, here, run_id=forms.number(form.fields["run_id"].raw))
            ),
        ],
    )


def _raise_page(request: Request, db: Db, viewer: Viewer, form: Form, *, status: int = 200) -> Response:
    if not form.submitted:
        _offer_links(db, viewer, form)
    named = any(form.fields[name].raw or form.fields[name].error for name in forms.ABOUT)
    return page(
        request,
        "concerns/show_new_concern.html",
        status=status,
        form=form,
        named=named,
        safety=rules.SAFETY_LINES,
        about=forms.ABOUT,
    )


@router.get("/concerns/{concern_id}", dependencies=SEE)
def show_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _concern_page(request, db, viewer, concern_id)


@router.post("/concerns/{concern_id}/remarks", dependencies=RAISE)
def add_remark(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
               form: Form = posted(forms.RemarkForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.add_remark(db, concern_id, by=viewer, text=form.values["text"])
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="saved", fragment="events")
    return _concern_page(request, db, viewer, concern_id, remark=form, status=form.status)


@router.post("/concerns/{concern_id}/triage", dependencies=TRIAGE)
def triage_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                   form: Form = posted(forms.TriageForm)) -> Response:  # fmt: skip
    _offer_owners(list_people(db, viewer.programme_id), form)
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.triage_concern(
                db,
                concern_id,
                by=viewer,
                edition=forms.number(v["edition"]) or 0,
                danger=Danger(v["danger"]),
                product_severity=int(v["product_severity"]),
                owner_id=forms.number(v["owner_id"]),
                blocker=v["blocker"],
                why=v["why"],
            )
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="saved")
    return _concern_page(request, db, viewer, concern_id, triage=form, status=form.status)


def _offer_owners(people: Sequence[Person], form: Form, present: int | None = None) -> None:
    able = [person for person in people if person.active or person.account_id == present]
    form.offer(
        owner_id=[
            ("", "nobody yet"),
            *((str(person.account_id), f"{person.initials} {person.name}") for person in able),
        ]
    )


@router.post("/concerns/{concern_id}/close", dependencies=TRIAGE)
def close_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                  form: forms.CloseForm = posted(forms.CloseForm)) -> Response:  # fmt: skip
    _offer_closing(db, viewer, form, queries.list_concerns(db, viewer.programme_id, viewer=viewer), concern_id)
    if form.ok:
        with form.attempt(db):
            commands.close_concern(db, concern_id, by=viewer, edition=forms.number(form.values["edition"]) or 0,
                                   closing=form.closing())  # fmt: skip
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="closed")
    return _concern_page(request, db, viewer, concern_id, close=form, status=form.status)


def _offer_closing(db: Db, viewer: Viewer, form: Form, rows: Sequence[ConcernRow], concern_id: int) -> None:
    here, none = viewer.programme_id, ("", "not named")
    form.offer(
        later_revision_id=[
            none,
            *((str(r.id), f"{r.label} {r.alias}".strip()) for r in parts.list_revisions(db, here)),
        ],
        same_as_id=[none, *((str(c.id), f"{c.label} {c.words[:60]}") for c in rows if c.id != concern_id)],
        other_part_id=[none, *((str(p.id), f"{p.code} {p.title}") for p in parts.list_parts(db, here))],
    )


@router.post("/concerns/{concern_id}/reopen", dependencies=TRIAGE)
def reopen_concern(request: Request, concern_id: Id, db: DbHere, viewer: SignedIn,
                   form: Form = posted(forms.ReopenForm)) -> Response:  # fmt: skip
    if form.ok:
        with form.attempt(db):
            commands.reopen_concern(db, concern_id, by=viewer, edition=forms.number(form.values["edition"]) or 0,
                                    reason=form.values["reason"])  # fmt: skip
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="saved")
    return _concern_page(request, db, viewer, concern_id, reopen=form, status=form.status)


def _concern_page(
    request: Request, db: Db, viewer: Viewer, concern_id: int, *, remark: Form | None = None,
    triage: Form | None = None, close: Form | None = None, reopen: Form | None = None, status: int = 200,
) -> Response:  # fmt: skip
    rows = queries.list_concerns(db, viewer.programme_id, viewer=viewer)
    concern = next((row for row in rows if row.id == concern_id), None)
    if concern is None:
        raise NotFound("There is no such concern in this programme", "", "Look for it under Concerns.")
    people = list_people(db, viewer.programme_id)
    judged: dict[str, Any] = {"danger": concern.danger, "product_severity": str(concern.product_severity),
                              "owner_id": str(concern.owner_id or ""), "blocker": concern.blocker}  # fmt: skip
    triage_form = _filled(triage, forms.TriageForm, concern, judged)
    close_form = _filled(close, forms.CloseForm, concern, {"kind": concern.close_kind})
    if triage is None:
        _offer_owners(people, triage_form, concern.owner_id)
    if close is None and may(viewer, Action.TRIAGE_CONCERN):
        _offer_closing(db, viewer, close_form, rows, concern_id)
    context = {
        "people": {person.account_id: person.initials for person in people},
        "events": [] if concern.withheld else queries.list_events(db, viewer.programme_id, concern_id),
        "safety": rules.SAFETY_LINES, "rule": rules.RULE_WORDS,
        "danger_words": rules.DANGER_WORDS[Danger(concern.danger)],
        "severity_words": rules.SEVERITY_WORDS[concern.product_severity],
        "remark_form": remark or forms.RemarkForm(), "triage_form": triage_form, "close_form": close_form,
        "reopen_form": _filled(reopen, forms.ReopenForm, concern, {}),
    }  # fmt: skip
    return page(request, "concerns/show_concern.html", status=status, concern=concern, **context)


def _filled(form: Form | None, form_class: type[Form], concern: ConcernRow, stored: dict[str, Any]) -> Form:
    """The form to show: fresh, or as posted; after a stale send with what stands now beside what was chosen."""
    if form is None:
        return form_class().fill(edition=concern.edition, **stored)
    if form.status == 409:
        form.conflict = [("State", concern.state, "–")]
        form.conflict += [
            (form.fields[name].label, _words(form, name, value), _words(form, name, form.fields[name].raw))
            for name, value in stored.items()
            if str(value) != str(form.fields[name].raw)
        ]
        form.fill(edition=concern.edition)
    return form


def _words(form: Form, name: str, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return next((label for choice, label in form.fields[name].choices if choice == str(value)), str(value)) or "–"
