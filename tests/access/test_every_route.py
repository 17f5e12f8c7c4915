"""Every route of the app with everyone who may knock: the answers follow the policy table, and a no changes nothing.

The routes come from `main.ROUTERS` and the rows that paths name from the schema, so a new route is covered the day
it is made. What an allowed person gets is tested with each feature; here it only must not be a refusal or a fault.
"""

import pytest

from app.access.policy import may
from app.access.viewer import Viewer
from app.db import transaction
from app.main import ROUTERS
from app.people import commands as people
from app.people.models import Hat
from tests.access.routes import FAR_TOO_LARGE, NOBODY_HAS, all_doors, guards_of
from tests.pages import Browser

DOORS = all_doors()
FOREIGN = [
    {}, {"Origin": "null"}, {"Origin": "https://elsewhere.example"}, {"Origin": "http://testserver.elsewhere.example"},
    {"Origin": "http://testserver", "Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"},
    {"Origin": "http://testserver", "Sec-Fetch-Site": "none"},
]  # fmt: skip


def test_the_doors_are_all_there():
    assert len(DOORS) == sum(len(route.methods) for router in ROUTERS for route in router.routes)  # type: ignore[attr-defined]
    assert len(DOORS) > 80
    assert sum(door.form is not None for door in DOORS) > 30


def test_nobody_gets_in_without_signing_in(world):
    before = world.stored()
    for door in DOORS:
        answer = world.knock(door)
        if may(None, door.action):
            assert answer.status_code not in (401, 403), door.label
        elif door.method == "GET":
            assert answer.status_code == 303, door.label
            assert answer.headers["location"].startswith("/sign-in?next=/"), door.label
        else:
            assert answer.status_code == 401, door.label
    after = world.stored()
    # a wrong sign-in leaves its mark for the throttle, and nothing else does
    assert {name for name in before if before[name] != after[name]} <= {"sign_in_failures"}


def test_a_member_of_another_programme_finds_nothing_here(world):
    world.browser.as_(world.stranger)
    before = world.stored()
    for door in DOORS:
        if door.in_programme:
            answer = world.knock(door)
            assert answer.status_code == 404, f"{door.label}: {answer.status_code}"
            assert "Tarnwick" not in answer.text, door.label
    assert world.stored() == before


@pytest.mark.parametrize("hat", [hat.value for hat in Hat])
def test_each_hat_opens_the_doors_that_the_table_says(world, hat):
    world.browser.as_(world.people[hat])
    before, denied = world.stored(), 0
    for door in DOORS:
        if door.in_programme and not may(world.people[hat], door.action):
            answer = world.knock(door)
            assert answer.status_code == 403, f"{hat} at {door.label}: {answer.status_code}"
            denied += 1
    assert world.stored() == before
    assert denied > 5
    for door in DOORS:
        if door.in_programme and may(world.people[hat], door.action):
            answer = world.knock(door, other=NOBODY_HAS)
            assert answer.status_code not in (401, 403), f"{hat} at {door.label}: {answer.status_code}"
            assert answer.status_code < 500, f"{hat} at {door.label}: {answer.status_code}"


@pytest.mark.parametrize("hat", [hat.value for hat in Hat])
def test_each_page_opens_for_each_hat_that_may(world, hat):
    """With a row behind every id. A rule about one's own may still say no, in words; a fault never shows."""
    world.browser.as_(world.people[hat])
    for door in DOORS:
        if door.method == "GET" and door.in_programme and may(world.people[hat], door.action):
            answer = world.knock(door)
            assert answer.status_code in (200, 303, 403, 409), f"{hat} at {door.label}: {answer.status_code}"


@pytest.mark.parametrize("wrong", [0, NOBODY_HAS, 2**31, FAR_TOO_LARGE, "-1", "x", "1.5", "%00", "٣"])
def test_an_id_that_is_nowhere_is_404(world, wrong):
    """Ids of the right programme and of the programme itself, small, enormous and no numbers at all."""
    everything = Viewer(0, "", hats=frozenset(Hat))
    ids = [door for door in DOORS if [param for param in door.params if param.endswith("_id")]]
    for who in (world.people["manager"], world.people["conductor"], world.people["designer"]):
        world.browser.as_(who)
        for door in ids:
            if door.in_programme:
                answer = world.knock(door, {"programmes": wrong})
                assert answer.status_code == 404, f"{door.label} programme {wrong}: {answer.status_code}"
            if len(door.params) > 1 and may(who, door.action) and may(everything, door.action):
                answer = world.knock(door, other=wrong)
                expected = (404,) if door.form is None or door.method == "GET" else (404, 422)
                assert answer.status_code in expected, f"{door.label} id {wrong}: {answer.status_code}"


def test_a_form_from_elsewhere_is_refused_at_every_door(world):
    """Whoever holds the cookie: the founder, with a manager's hat in the programme."""
    world.browser.as_(world.founder)
    token = world.browser.client.cookies["proveout"]
    before = world.stored()
    with Browser(world.browser.app) as foreign:
        del foreign.client.headers["Origin"]
        foreign.client.cookies.set("proveout", token)
        for door in (door for door in DOORS if door.method != "GET"):
            for headers in FOREIGN:
                answer = foreign.client.request(
                    door.method, door.url(world.keys), headers=headers, data={"login": "OW"}
                )
                assert answer.status_code == 403, f"{door.label} {headers}: {answer.status_code}"
                assert "another site" in answer.text
    assert world.stored() == before


def test_reading_changes_nothing(world):
    for who in world.people.values():
        world.browser.as_(who)
        before = world.stored()
        for door in DOORS:
            if door.method == "GET":
                world.knock(door)
        assert set(changed(before, world.stored())) <= {"summaries", "looks"}, who  # what was computed is kept


def changed(before: dict[str, str], after: dict[str, str]) -> list[str]:
    return [name for name in before if before[name] != after[name]]


def test_an_ended_and_a_disabled_sign_in_open_nothing(world):
    world.browser.as_(world.people["manager"])
    with world.database.session() as db, transaction(db):
        people.disable_account(db, world.people["manager"].account_id, by=world.founder, why="left")
    for door in DOORS:
        if not may(None, door.action):
            answer = world.knock(door)
            assert answer.status_code == (303 if door.method == "GET" else 401), door.label


def test_a_route_without_its_guard_is_caught():
    """Take each route's guard away in turn: the walk above then loses the door, and the house rule counts none."""
    for router in ROUTERS:
        for route in router.routes:
            kept = list(route.dependant.dependencies)  # type: ignore[attr-defined]
            route.dependant.dependencies = [found for found in kept if not hasattr(found.call, "action")]  # type: ignore[attr-defined]
            try:
                assert len(guards_of(route)) != 1, route
                assert len(all_doors()) < len(DOORS), route
            finally:
                route.dependant.dependencies = kept  # type: ignore[attr-defined]
