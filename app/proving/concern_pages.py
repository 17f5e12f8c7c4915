"""Arranges one concern for reading, with the forms that its reader may use."""

from collections.abc import Sequence
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.policy import may
from app.access.viewer import Viewer
from app.concerns import loop_queries, photo_queries, queries
from app.concerns import rules as concerns
from app.concerns.loop_queries import Loop
from app.concerns.models import CloseKind, Danger
from app.concerns.queries import ConcernRow, EventRow
from app.db import Db
from app.errors import NotFound
from app.feedback.queries import hidden_sessions
from app.parts import queries as parts
from app.parts.queries import PieceRow, RevisionRow
from app.people.queries import Person, list_people
from app.proving import forms
from app.proving.queries import Proven, prove
from app.proving.rules import Judged
from app.web.forms import Form
from app.web.page import page

NONE = ("", "not named")


# --- what the forms offer
def offer_owners(people: Sequence[Person], form: Form, present: int | None = None) -> None:
    able = [person for person in people if person.active or person.account_id == present]
    form.offer(owner_id=[("", "nobody yet"), *((str(person.account_id), f"{person.initials} {person.name}") for person in able)])


def _revision_choices(rows: Sequence[RevisionRow]) -> list[tuple[str, str]]:
    return [(str(r.id), f"{r.label} {r.alias}".strip()) for r in rows]


def _piece_choices(rows: Sequence[PieceRow]) -> list[tuple[str, str]]:
    return [(str(p.id), f"{p.label} ({p.state})") for p in rows]


def offer_on(db: Db, viewer: Viewer, form: Form) -> None:
    _offer_on(form, parts.list_revisions(db, viewer.programme_id), parts.list_pieces(db, viewer.programme_id))


def _offer_on(form: Form, revisions: Sequence[RevisionRow], pieces: Sequence[PieceRow]) -> None:
    form.offer(revision_id=[NONE, *_revision_choices(revisions)], piece_id=[NONE, *_piece_choices(pieces)])


def offer_subject(db: Db, viewer: Viewer, form: Form) -> None:
    form.offer(question_id=[NONE, *_question_choices(db, viewer)])
    offer_on(db, viewer, form)


def _question_choices(db: Db, viewer: Viewer) -> list[tuple[str, str]]:
    return [(str(q.id), f"{q.label} {q.title}") for q in queries.list_questions_to_name(db, viewer.programme_id)]


def offer_fix(db: Db, viewer: Viewer, form: Form) -> None:
    form.offer(fixed_revision_id=[("", "Choose one"), *_revision_choices(parts.list_revisions(db, viewer.programme_id))])


def offer_tries(db: Db, viewer: Viewer, form: Form, concern_id: int) -> None:
    queries.get_concern(db, viewer.programme_id, concern_id)
    _offer_tries(form, loop_queries.load_loop(db, concern_id))


def _offer_tries(form: Form, loop: Loop) -> None:
    form.offer(try_id=[("", "Choose one"), *((str(t.id), f"{t.number}: {t.words[:60]}") for t in loop.tries)])


def offer_failures(db: Db, viewer: Viewer, form: Form, concern_id: int) -> dict[int, int]:
    """Offer the failures that may be judged; answers incident id -> version that stands."""
    concern = queries.get_concern_row(db, viewer.programme_id, concern_id, viewer=viewer)
    loop = loop_queries.load_loop(db, concern_id)
    proven = prove(db, loop, concern, loop.fixed_id, hidden_sessions(db, viewer), {})
    _offer_failures(form, concern, loop, proven)
    return {incident_id: said.version for incident_id, said in proven.judged.items()}


def _offer_failures(form: Form, concern: ConcernRow, loop: Loop, proven: Proven) -> None:
    form.offer(incident_id=[("", "Choose one"), *((str(f.id), f.told) for f in failures_of(concern, loop, proven))])


def failures_of(concern: ConcernRow, loop: Loop, proven: Proven) -> list[Any]:
    """Failures that bear on the close: on the fixed revision, or on its own since it was raised; each incident once."""
    facts = [f for f in proven.exposed.facts if f.failed and (f.revision_id == loop.fixed_id or (
        f.revision_id == concern.revision_id and f.at is not None and f.at > concern.raised_at))]  # fmt: skip
    return list({fact.id: fact for fact in facts}.values())


def offer_closing(db: Db, viewer: Viewer, form: Form, concern_id: int) -> None:
    rows = queries.list_concerns(db, viewer.programme_id, viewer=viewer)
    if all(row.id != concern_id for row in rows):
        raise NotFound("There is no such concern in this programme", "", "Look for it under Concerns.")
    _offer_closing(form, rows, parts.list_revisions(db, viewer.programme_id), concern_id)


def _offer_closing(form: Form, rows: Sequence[ConcernRow], revisions: Sequence[RevisionRow], concern_id: int) -> None:
    offered = [NONE, *_revision_choices(revisions)]
    form.offer(later_revision_id=offered, other_revision_id=offered,
               same_as_id=[NONE, *((str(c.id), f"{c.label} {c.words[:60]}") for c in rows if c.id != concern_id)])  # fmt: skip


# --- the page
def concern_page(request: Request, db: Db, viewer: Viewer, concern_id: int, *, lifting: int = 0, **sent: Form) -> Response:
    """One concern with everything said and counted about it; `sent` is the form that came back, by its name here."""
    hidden = hidden_sessions(db, viewer)
    rows = queries.list_concerns(db, viewer.programme_id, viewer=viewer, hidden=hidden)
    concern = next((row for row in rows if row.id == concern_id), None)
    if concern is None:
        raise NotFound("There is no such concern in this programme", "", "Look for it under Concerns.")
    people = list_people(db, viewer.programme_id)
    revisions = parts.list_revisions(db, viewer.programme_id)
    labels = {row.id: row.label for row in revisions}
    loop, events, proven, pieces, photos = Loop(), [], None, [], []
    if not concern.withheld:
        loop, events = loop_queries.load_loop(db, concern_id), list(queries.list_events(db, viewer.programme_id, concern_id))
        pieces = list(parts.list_pieces(db, viewer.programme_id))
        proven = prove(db, loop, concern, loop.fixed_id, hidden, labels, judged=judged_by(events), pieces=pieces)
        photos = list(photo_queries.list_photos(db, concern_id))
    closed = next((event for event in reversed(events) if event.kind == "closed"), None)
    questions = _question_choices(db, viewer) if concern.open and concern.revision_id is None and concern.question_id is None else []
    fresh = _forms(viewer, concern, rows, people, revisions, pieces, loop, proven, questions, sent)
    answered = next(iter(sent.values()), None)
    return page(
        request, "proving/show_concern.html", status=answered.status if answered else 200, concern=concern, loop_=loop, events=events,
        proven=proven, labels=labels, pieces={piece.id: piece.label for piece in pieces}, photos=photos, lifting=lifting,
        fresh_lift=forms.LiftForm(),
        people={person.account_id: person.initials for person in people}, hidden=len(hidden),
        failures=failures_of(concern, loop, proven) if proven else [],
        again=_again(concern, closed, proven), closed=closed, safety=concerns.SAFETY_LINES, rule_words=concerns.RULE_WORDS,
        danger_words=concerns.DANGER_WORDS[Danger(concern.danger)], severity_words=concerns.SEVERITY_WORDS[concern.product_severity],
        forms=fresh, sent=answered, form_errors=answered.errors if answered else [],
    )  # fmt: skip


def judged_by(events: Sequence[EventRow]) -> dict[int, Judged]:
    """What was said of failures, read from the events that are loaded anyway."""
    found: dict[int, Judged] = {}
    for event in events:
        if event.kind == "judged":
            key = event.detail["incident_id"]
            found[key] = Judged(event.detail["same"], event.text, found[key].version + 1 if key in found else 1)
    return found


def _again(concern: ConcernRow, closed: EventRow | None, proven: Proven | None) -> list[Any]:
    """Failures on the revision it was closed as cured on, since that close."""
    if closed is None or concern.open or concern.close_kind != CloseKind.CURED or proven is None or proven.proof is None:
        return []
    return [fact for fact in proven.proof.counted.failures if fact.at is not None and fact.at > closed.at]


def _forms(viewer: Viewer, concern: ConcernRow, rows: Sequence[ConcernRow], people: Sequence[Person], revisions: Sequence[RevisionRow],
           pieces: Sequence[PieceRow], loop: Loop, proven: Proven | None, questions: Sequence[tuple[str, str]],
           sent: dict[str, Form]) -> dict[str, Form]:  # fmt: skip
    """Every form of the page: fresh, or as it came back."""
    judged: dict[str, Any] = {"danger": concern.danger, "product_severity": str(concern.product_severity),
                              "owner_id": str(concern.owner_id or ""), "blocker": concern.blocker}  # fmt: skip
    found: dict[str, Form] = {
        "remark": forms.RemarkForm(), "reproduced": forms.ReproducedForm(), "contain": forms.ContainForm(), "lift": forms.LiftForm(),
        "cause": forms.CauseForm().fill(version=len(loop.causes)), "tried": forms.TryForm(), "outcome": forms.OutcomeForm(),
        "fit": forms.FitForm(), "rule": forms.RuleForm().offer_usual(loop.rule, len(loop.rules)), "judge": forms.JudgeForm(),
        "subject": forms.SubjectForm(), **sent,
    }  # fmt: skip
    found["triage"] = _filled(sent.get("triage"), forms.TriageForm, concern, judged)
    found["close"] = _filled(sent.get("close"), forms.CloseForm, concern,
                             {"kind": concern.close_kind, "later_revision_id": str(loop.fixed_id or "")})  # fmt: skip
    found["reopen"] = _filled(sent.get("reopen"), forms.ReopenForm, concern, {})
    for name, version in (("cause", len(loop.causes)), ("rule", len(loop.rules))):
        if name in sent and sent[name].status == 409:
            found[name].fill(version=version)
    if "triage" not in sent:
        offer_owners(people, found["triage"], concern.owner_id)
    if may(viewer, Action.CONTAIN_CONCERN):
        for name in {"contain", "tried"} - set(sent):
            _offer_on(found[name], revisions, pieces)
            found[name].fill(revision_id=str(concern.revision_id or ""))
        if "outcome" not in sent:
            _offer_tries(found["outcome"], loop)
    if may(viewer, Action.TRIAGE_CONCERN):
        if "close" not in sent:
            _offer_closing(found["close"], rows, revisions, concern.id)
        if "fit" not in sent:
            found["fit"].offer(fixed_revision_id=[("", "Choose one"), *_revision_choices(revisions)])
        if "judge" not in sent and proven is not None:
            _offer_failures(found["judge"], concern, loop, proven)
        if "subject" not in sent:
            _offer_on(found["subject"], revisions, pieces)
            found["subject"].offer(question_id=[NONE, *questions])
    return found


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
