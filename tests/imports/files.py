"""Generated ratings files against a database: what came of each, and that a refusal left every table as it was."""

from sqlalchemy import select

from app.access.viewer import Viewer
from app.db import Db, transaction
from app.errors import Refused
from app.feedback.models import Mark, Slip, SlipVersion
from app.imports.commands import import_ratings
from app.imports.plan import Plan
from app.imports.rules import Choices, check_choices
from app.people.queries import list_people
from app.programmes.models import Attribute
from app.sessions.models import Run, Session
from app.tables import TableRefused, read_table
from tests.imports.layouts import Written, check_refusal, check_round_trip
from tests.imports.tables import dump


class TakenBack(Exception):
    """A good file is looked at in its transaction, which is then given up: the next file finds the same database."""


def import_and_look(db: Db, by: Viewer, given: Written) -> None:
    """Every mark of a good file stands in the database under its driver, run and criterion."""
    plan = check_round_trip(given)
    try:
        with transaction(db):
            imported = import_ratings(db, read_table(given.content), given.choices, by=by)
            assert stored_marks(db, by.programme_id, imported.question_id, plan) == expected_marks(given)
            raise TakenBack
    except TakenBack:
        pass


def expected_marks(given: Written) -> dict[tuple[str, str, str], list[int | None]]:
    """(session, driver, criterion) -> marks, sorted; the number that a run was given is the plan's own business."""
    found: dict[tuple[str, str, str], list[int | None]] = {}
    for (day, person, _), rated in given.runs.items():
        for criterion, mark in rated.marks.items():
            found.setdefault((day, person, criterion), []).append(mark)
    return {key: _sorted(marks) for key, marks in found.items()}


def stored_marks(db: Db, programme_id: int, question_id: int, plan: Plan) -> dict[tuple[str, str, str], list[int | None]]:
    named = {name: person for person in list_people(db, programme_id) for name in (person.name, person.initials)}
    people = {named[name].account_id: name for name in plan.drivers}
    rows = db.execute(
        select(Session.alias, Slip.rater_id, Attribute.name, Mark.mark_hundredths)
        .join(Run, Run.session_id == Session.id).join(Slip, Slip.run_id == Run.id)
        .join(SlipVersion, SlipVersion.slip_id == Slip.id).join(Mark, Mark.slip_version_id == SlipVersion.id)
        .join(Attribute, Attribute.id == Mark.attribute_id)
        .where(Session.programme_id == programme_id))  # fmt: skip
    found: dict[tuple[str, str, str], list[int | None]] = {}
    for day, rater, criterion, mark in rows:
        found.setdefault((day, people[rater], criterion), []).append(mark)
    return {key: _sorted(marks) for key, marks in found.items()}


def _sorted(marks: list[int | None]) -> list[int | None]:
    return sorted(marks, key=lambda mark: -1 if mark is None else mark)


def try_import(db: Db, by: Viewer, content: bytes, choices: Choices, before: str) -> str:
    """"taken", "refused" (by line and column) or "choices" (the header does not fit them). Anything else is a crash.

    before : `dump` of the database; a refused file leaves it so.
    """
    told, field = "taken", None
    try:
        with transaction(db):
            table = read_table(content)
            check_choices(table, choices)
            import_ratings(db, table, choices, by=by)
            raise TakenBack
    except TakenBack:
        pass
    except TableRefused as refused:
        check_refusal(refused, content)
        told = "refused"
    except Refused as refused:
        told, field = "choices", refused.field
    assert told != "choices" or field in choices.columns or field == "attribute_name", field
    assert told == "taken" or dump(db) == before
    return told
