"""Start and edit programmes and their rating attributes."""

from datetime import date

from sqlalchemy import update

from app import clock
from app.access.actions import Action
from app.access.viewer import ProgrammeRef, Viewer, require
from app.db import Db
from app.errors import Conflict, Refused
from app.history.commands import record
from app.people import commands as people
from app.people.models import Hat
from app.people.queries import get_account
from app.people.rules import check_one_script, name_key
from app.programmes import queries, rules
from app.programmes.models import Attribute, Programme, ProgrammeState


def start_programme(
    db: Db,
    *,
    by: Viewer,
    name: str,
    initials: str,
    hats: frozenset[Hat],
    team: str = "",
    car: str = "",
    time_zone: str = "UTC",
    freeze_on: date | None = None,
    attributes: tuple[rules.ScaleSpec, ...] = rules.STARTING_ATTRIBUTES,
) -> Viewer:
    """A new programme with its rating attributes; answers its first manager as a viewer of it."""
    require(by, Action.START_PROGRAMME)
    check_one_script(name, field="name")
    if queries.find_programme_by_name(db, name):
        raise Conflict(f"There is a programme called {name} already", "", "Choose another name.", field="name")
    clock.zone(time_zone)
    programme = Programme(name=name, name_key=name_key(name), team=team, car=car, time_zone=time_zone,
                          freeze_on=freeze_on, state=ProgrammeState.OPEN, started_at=clock.now())  # fmt: skip
    db.add(programme)
    db.flush()
    worn = hats | {Hat.MANAGER}
    account = get_account(db, by.account_id)
    member = people.add_member(db, programme.id, account, initials=initials, hats=worn)
    here = ProgrammeRef(programme.id, name, time_zone, programme.state)
    viewer = Viewer(by.account_id, account.name, member.initials, worn, here, by.sign_in_id, by.starts_programmes)
    record(db, "started", "programme", programme.id, name, by_id=by.account_id, programme_id=programme.id)
    for spec in attributes:
        add_attribute(db, by=viewer, spec=spec)
    return viewer


def edit_programme(db: Db, *, by: Viewer, edition: int, name: str, team: str, car: str, time_zone: str,
                   freeze_on: date | None) -> None:  # fmt: skip
    """Change what may change; refused when somebody else changed it since the form was opened."""
    require(by, Action.EDIT_PROGRAMME)
    check_one_script(name, field="name")
    other = queries.find_programme_by_name(db, name)
    if other is not None and other.id != by.programme_id:
        raise Conflict(f"There is a programme called {name} already", field="name")
    changed = db.execute(
        update(Programme).where(Programme.id == by.programme_id, Programme.edition == edition)
        .values(name=name, name_key=name_key(name), team=team, car=car, time_zone=time_zone, freeze_on=freeze_on,
                edition=edition + 1)
    )  # fmt: skip
    if changed.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict("Somebody else changed the programme while you were typing", "Both texts are shown below",
                       "Compare, then save again.")  # fmt: skip
    record(db, "edited", "programme", by.programme_id, name, by_id=by.account_id, programme_id=by.programme_id)


def add_attribute(db: Db, *, by: Viewer, spec: rules.ScaleSpec) -> Attribute:
    """A new rating attribute; its scale never changes afterwards, since marks were given on it."""
    require(by, Action.EDIT_PROGRAMME)
    check_one_script(spec.name, field="name")
    rules.check_scale(spec)
    if queries.find_attribute_by_name(db, by.programme_id, spec.name):
        raise Conflict(f"There is an attribute called {spec.name} already", "", "Choose another name.", field="name")
    present = queries.list_attributes(db, by.programme_id)
    on_slip = spec.on_slip
    if on_slip and sum(item.on_slip for item in present) >= rules.MOST_ON_SLIP:
        raise Refused(f"The slip has {rules.MOST_ON_SLIP} attributes, the most a driver can rate between runs",
                      "", "Take one off the slip first.", field="on_slip")  # fmt: skip
    attribute = Attribute(
        programme_id=by.programme_id, name=spec.name, name_key=name_key(spec.name), kind=spec.kind,
        lowest_hundredths=round(spec.lowest * 100), highest_hundredths=round(spec.highest * 100),
        step_hundredths=round(spec.step * 100), anchors=spec.anchors, position=len(present) + 1, on_slip=on_slip,
    )  # fmt: skip
    db.add(attribute)
    db.flush()
    record(db, "added", "attribute", attribute.id, spec.name, by_id=by.account_id, programme_id=by.programme_id)
    return attribute


def put_on_slip(db: Db, attribute_id: int, *, by: Viewer, on_slip: bool) -> None:
    require(by, Action.EDIT_PROGRAMME)
    attribute = queries.get_attribute(db, by.programme_id, attribute_id)
    present = queries.list_attributes(db, by.programme_id, on_slip=True)
    if on_slip and not attribute.on_slip and len(present) >= rules.MOST_ON_SLIP:
        raise Refused(f"The slip has {rules.MOST_ON_SLIP} attributes already", "More than that become all sevens",
                      "Take one off first.")  # fmt: skip
    attribute.on_slip = on_slip
    record(db, "put on the slip" if on_slip else "took off the slip", "attribute", attribute.id, attribute.name,
           by_id=by.account_id, programme_id=by.programme_id)  # fmt: skip
