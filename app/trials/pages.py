"""How far to trust this: what the rule does on simulated programmes, for the people of a programme."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.db import Db
from app.evidence import METHOD_VERSION, SOURCES
from app.people.models import Hat
from app.people.queries import list_people
from app.questions.models import VariantState
from app.questions.queries import OPEN_STATES, list_questions
from app.trials import limits
from app.web.page import page
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")

FAMILIES = (
    ("equal", "Parts that are equal", "Adopting here is a mistake; rejecting, or asking for more, is right."),
    ("worse", "Parts that are worse", "Adopting here is the worst mistake; they should be rejected soon."),
    ("better", "Parts that are better", "Adopting is right. What is neither adopted nor rejected still asks for runs."),
    ("trap", "Parts that gain and lose", "A gain on the goal, a loss on what must not suffer: right is a setting, or to reject."),
    ("no_worse", "Parts that only must not be worse", "The ground is a declared figure, such as mass; adopting is right."),
)


@router.get("/trust", dependencies=[allow(Action.SEE_PROGRAMME)])
def show_trust(request: Request, programme_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    from app.trials import report  # with the first look at it, not with the app

    found, unreadable = None, ""
    try:
        found = report.read_report()
    except (ValueError, OSError) as wrong:
        unreadable = str(wrong)
    drivers, variants = _programme(db, programme_id)
    return page(
        request, "trials/show_trust.html", report=found, unreadable=unreadable, running=METHOD_VERSION, few=report.FEW,
        words=report.plain_words(found, drivers) if found else [], drivers=drivers, families=FAMILIES, looks=report.SHOWN_LOOKS,
        expected=report.expected_false_adoptions(found, variants, drivers) if found else None, sources=SOURCES,
        not_proven=limits.NOT_PROVEN, references=limits.REFERENCES, settings=limits.SETTINGS,
    )  # fmt: skip


def _programme(db: Db, programme_id: int) -> tuple[int, list[int]]:
    """Drivers of the panel, and the live variants of each open question that has a rival."""
    drivers = sum(person.active and Hat.DRIVER in person.hats for person in list_people(db, programme_id))
    opened = [q for q in list_questions(db, programme_id) if q.state in OPEN_STATES]
    variants = [sum(v.state == VariantState.LIVE for v in q.variants) for q in opened]
    return drivers, [n for n in variants if n > 1]
