"""What an import needs to know about the programme it goes into."""

from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import select

from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.history.models import Happening
from app.imports.plan import Plan, make_plan
from app.imports.rules import Choices, Role, Scale
from app.people.models import Account, Hat, Membership
from app.people.queries import list_people
from app.people.rules import name_key
from app.programmes.models import Programme
from app.programmes.queries import find_programme_by_name, list_attributes
from app.questions.queries import find_question_by_title
from app.tables import Errors, Table

IMPORTED = "imported table"


class Earlier(NamedTuple):
    """An import that was made before."""

    question_id: int
    label: str
    at: datetime
    file_name: str


def find_import(db: Db, programme_id: int, digest: str) -> Earlier | None:
    """The import of a file with this digest into this programme."""
    lines = db.scalars(
        select(Happening)
        .where(Happening.programme_id == programme_id, Happening.what == IMPORTED, Happening.thing == "question")
        .order_by(Happening.id)
    )
    found = next((line for line in lines if (line.detail or {}).get("digest") == digest), None)
    if found is None:
        return None
    return Earlier(found.thing_id, found.label, found.at, str(found.detail.get("file_name", "")))


def known_scales(db: Db, programme_id: int | None) -> Mapping[str, Scale]:
    """Attribute's name key -> the scale it has in the programme; nothing for a programme to be started."""
    if programme_id is None:
        return {}
    return {attribute.name_key: Scale.of(attribute) for attribute in list_attributes(db, programme_id)}


class Checked(NamedTuple):
    """A table that could be imported: what it would create, and which drivers are in the programme already."""

    plan: Plan
    present: Mapping[str, int]

    @property
    def new_drivers(self) -> list[str]:
        return [name for name in self.plan.drivers if name not in self.present]


def check_import(db: Db, programme_id: int | None, table: Table, choices: Choices, programme_name: str = "") -> Checked:
    """Everything that can be refused before anything is written; `programme_id` None = a programme to be started."""
    if programme_id is None and find_programme_by_name(db, programme_name):
        raise Conflict(
            f"There is a programme called {programme_name} already", "", "Choose another name.", field="programme_name"
        )
    plan = make_plan(table, choices, known_scales(db, programme_id))
    if programme_id is not None and find_question_by_title(db, programme_id, choices.title):
        raise Conflict(
            f"There is a question called “{choices.title}” already",
            "An import asks a question of its own",
            "Choose another title.",
            field="title",
        )
    return Checked(plan, match_drivers(db, programme_id, plan))


def match_drivers(db: Db, programme_id: int | None, plan: Plan) -> dict[str, int]:
    """Driver as the table names them -> account, for those who are in the programme already (by initials or name).

    Raises TableRefused with the line of each name that is nobody's alone.
    """
    if programme_id is None:
        return {}
    initials: dict[str, int] = {}
    by_name: dict[str, list[int]] = {}
    for person in list_people(db, programme_id):
        initials[name_key(person.initials)] = person.account_id
        by_name.setdefault(name_key(person.name), []).append(person.account_id)
    matched: dict[str, int] = {}
    errors = Errors()
    column = plan.choices.columns.get(Role.DRIVER, "")
    for name in plan.drivers:
        key = name_key(name)
        candidates = [initials[key]] if key in initials else by_name.get(key, [])
        other = next((known for known, account_id in matched.items() if account_id in candidates), None)
        line = next(run.line for run in plan.runs if run.driver == name)
        if len(candidates) > 1:
            errors.add(line, column, name, "is the name of two people of the programme; write their initials")
        elif other is not None:
            errors.add(line, column, name, f"is the same person here as “{other}”; write them one way in the table")
        elif candidates:
            matched[name] = candidates[0]
    errors.refuse()
    return matched


def lock_programme(db: Db, programme_id: int) -> None:
    """Hold the programme's row, so that the same file can't be imported twice at once."""
    db.execute(select(Programme.id).where(Programme.id == programme_id).with_for_update())


def find_importer(db: Db, programme_id: int | None, login: str | None) -> tuple[Account, Membership | None]:
    """Whose import it is on the command line: the named account, or the first that may.

    A new programme needs one that starts programmes; an existing one a designer or manager of it.
    """
    query = select(Account, Membership).outerjoin(
        Membership,
        (Membership.account_id == Account.id)
        & (Membership.programme_id == (programme_id or 0))
        & Membership.left_at.is_(None),
    )
    query = query.where(Account.disabled_at.is_(None), Account.password_hash.is_not(None))
    if login is not None:
        query = query.where(Account.login_key == name_key(login))
    rows = db.execute(query.order_by(Account.starts_programmes.desc(), Account.id)).all()
    if login is not None and not rows:
        raise NotFound(f"Nobody signs in here as {login}", "", "Name an account with --as.")
    if not rows:
        raise Refused(
            "This installation has no people yet",
            "An import needs an owner",
            "Start it once with “python -m app serve”, open the printed link, then import.",
        )
    able = [row for row in rows if _may_import(*row, programme_id)]
    if not able:
        who = login or "Nobody here"
        what = "a designer or manager of this programme" if programme_id else "someone who may start a programme"
        raise Refused(f"{who} can't do this import", f"It needs {what}", "Name another account with --as.")
    return able[0]


def _may_import(account: Account, member: Membership | None, programme_id: int | None) -> bool:
    if programme_id is None:
        return account.starts_programmes
    return member is not None and bool(member.hats & {Hat.DESIGNER, Hat.MANAGER})
