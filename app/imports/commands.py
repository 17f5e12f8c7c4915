"""Write a whole ratings table or nothing of it. Few things go through their own commands, rows through row_commands."""

from dataclasses import dataclass

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Refused
from app.history.commands import record
from app.imports import names, queries
from app.imports.plan import Plan
from app.imports.row_commands import Ids, write_sessions
from app.imports.rules import Choices
from app.people.models import Account, Hat, Membership
from app.people.queries import initials_of
from app.people.rules import name_key
from app.programmes.commands import add_attribute, start_programme
from app.programmes.models import ScaleKind
from app.programmes.queries import list_attributes
from app.programmes.rules import MOST_ON_SLIP, ScaleSpec
from app.questions import commands as questions
from app.questions.models import Ground, Question
from app.questions.rules import DeclaredRule, GoalRule
from app.sessions.commands import add_car
from app.sessions.queries import list_cars
from app.tables import Table


@dataclass(frozen=True, slots=True)
class Imported:
    """What came of it. earlier : the import of the very same file, when there was one and nothing was added."""

    programme_id: int
    question_id: int
    label: str
    checked: queries.Checked | None = None
    earlier: queries.Earlier | None = None


def import_into_new_programme(
    db: Db, table: Table, choices: Choices, *, by: Viewer, name: str, file_name: str = ""
) -> Imported:
    """Start a programme that holds only this table; `by` becomes its manager."""
    require(by, Action.START_PROGRAMME)
    try:
        manager = start_programme(
            db, by=by, name=name, initials=names.initials(by.name, ()), hats=frozenset({Hat.MANAGER}), attributes=()
        )
    except Refused as refused:
        if refused.field == "name":
            refused.field = "programme_name"
        raise
    return import_ratings(db, table, choices, by=manager, file_name=file_name, fresh=True)


def import_ratings(
    db: Db, table: Table, choices: Choices, *, by: Viewer, file_name: str = "", fresh: bool = False
) -> Imported:
    """Every mark of the table as a filed slip, with the question it answers running; the same file adds nothing.

    fresh : the programme was started for this table, so that its attributes go on the slip.
    """
    require(by, Action.IMPORT_TABLE)
    queries.lock_programme(db, by.programme_id)
    if earlier := queries.find_import(db, by.programme_id, table.digest):
        return Imported(by.programme_id, earlier.question_id, earlier.label, earlier=earlier)
    checked = queries.check_import(db, by.programme_id, table, choices)
    plan = checked.plan
    drivers = _drivers(db, by, checked)
    attributes = _attributes(db, by, plan, fresh)
    question, variants = _ask(db, by, plan, attributes, file_name)
    write_sessions(db, by, plan, Ids(drivers, attributes, variants, _cars(db, by, plan), question.id))
    questions.lock_rules(db, [question.id])
    label = f"{question.label} {question.title}"
    columns = {str(role): name for role, name in choices.columns.items() if name}
    record(db, queries.IMPORTED, "question", question.id, label, by_id=by.account_id, programme_id=by.programme_id,
           digest=table.digest, file_name=file_name, marks=plan.marks, runs=len(plan.runs), columns=columns,
           sessions=len(plan.sessions), drivers=len(plan.drivers))  # fmt: skip
    db.flush()
    return Imported(by.programme_id, question.id, label, checked=checked)


def _drivers(db: Db, by: Viewer, checked: queries.Checked) -> dict[str, int]:
    """Those already in the programme, and a new member without a password for everyone else."""
    found = dict(checked.present)
    taken = {name_key(initials) for initials in initials_of(db, by.programme_id).values()}
    now = clock.now()
    for name in checked.new_drivers:
        login = names.login(by.programme_id, name)
        account = Account(login=login, login_key=name_key(login), name=name, password_hash=None, created_at=now)
        db.add(account)
        db.flush()
        initials = names.initials(name, taken)
        taken.add(name_key(initials))
        db.add(Membership(programme_id=by.programme_id, account_id=account.id, initials=initials,
                          initials_key=name_key(initials), hats=frozenset({Hat.DRIVER}), joined_at=now))  # fmt: skip
        record(db, "added from a table", "person", account.id, name, by_id=by.account_id, programme_id=by.programme_id,
               hats=[Hat.DRIVER.value])  # fmt: skip
        found[name] = account.id
    db.flush()
    return found


def _attributes(db: Db, by: Viewer, plan: Plan, fresh: bool) -> dict[str, int]:
    present = {attribute.name_key: attribute.id for attribute in list_attributes(db, by.programme_id)}
    found: dict[str, int] = {}
    for position, (name, scale) in enumerate(plan.scales.items()):
        known = present.get(name_key(name))
        if known is None:
            ends = scale.lowest / 100, scale.highest / 100, scale.step / 100
            spec = ScaleSpec(name, ScaleKind(scale.kind), *ends, {}, on_slip=fresh and position < MOST_ON_SLIP)
            known = add_attribute(db, by=by, spec=spec).id
        found[name] = known
    return found


def _ask(db: Db, by: Viewer, plan: Plan, attributes: dict[str, int], file_name: str) -> tuple[Question, dict[str, int]]:
    """The question with its control first, its declared rule, asked."""
    text = f"Asked of an imported table{f', {file_name}' if file_name else ''}."
    question = questions.add_question(db, by=by, title=plan.choices.title, asked_ground=Ground.HANDLING, text=text)
    variants: dict[str, int] = {}
    for code in plan.variants:
        added = questions.add_variant(
            db, question.id, by=by, code=code, is_control=code == plan.control, whole_car=True
        )
        variants[code] = added.id
    rule = DeclaredRule(
        goals=(GoalRule(attributes[plan.goal]),), worthwhile_hundredths=plan.choices.worthwhile_hundredths
    )
    questions.declare_rule(db, question.id, by=by, rule=rule)
    questions.ask_question(db, question.id, by=by)
    return question, variants


def _cars(db: Db, by: Viewer, plan: Plan) -> dict[str, int]:
    present = {car.name_key: car.id for car in list_cars(db, by.programme_id)}
    return {
        name: present.get(name_key(name)) or add_car(db, by=by, name=name, note="from an imported table").id
        for name in plan.cars
    }
