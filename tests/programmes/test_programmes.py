"""A programme is started, edited by one person at a time, and its drivers rate six attributes at most."""

from dataclasses import replace
from datetime import date

import pytest
from sqlalchemy import select

from app.access.viewer import Viewer
from app.db import transaction
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.history.models import Happening
from app.people.models import Hat
from app.programmes import commands, queries, rules
from app.programmes.conditions import ALL_CLASSES, condition_class
from app.programmes.models import Attribute, Programme, ScaleKind
from app.programmes.rules import ScaleSpec, check_scale, ideal_zero, quality
from tests import make
from tests.pages import text_of

START = {
    "name": "Tarnwick",
    "team": "Kelvane",
    "car": "buggy",
    "time_zone": "Europe/Berlin",
    "initials": "OW",
    "hats": "designer",
}


@pytest.fixture
def founder(db) -> Viewer:
    from app.people.commands import make_account

    with transaction(db):
        account = make_account(
            db, make.HASHER, login="OW", name="Ottoline Weir", password=make.PASSWORD, starts_programmes=True
        )
        return Viewer(account.id, account.name, starts_programmes=True)


# --- starting
def test_a_founder_starts_a_programme_and_is_its_manager(db, founder, browser):
    browser.as_(founder)
    assert "No programme yet" in text_of(browser.get("/").text)
    page = browser.post("/programmes", START)
    assert "Tarnwick" in page.text
    programme = queries.find_programme_by_name(db, "TARNWICK")
    from app.people.queries import get_member

    assert get_member(db, programme.id, founder.account_id).hats == {Hat.DESIGNER, Hat.MANAGER}
    assert [item.name for item in queries.list_attributes(db, programme.id)] == [
        spec.name for spec in rules.STARTING_ATTRIBUTES
    ]
    assert len(queries.list_attributes(db, programme.id, on_slip=True)) == rules.MOST_ON_SLIP == 6
    assert "started" in db.scalars(select(Happening.what)).all()


def test_starting_is_refused_with_the_reason_at_its_field(founder, browser):
    browser.as_(founder)
    browser.post("/programmes", START)
    wrong = {
        "There is a programme called ＴＡＲＮＷＩＣＫ already": {"name": "ＴＡＲＮＷＩＣＫ"},
        "is not an IANA time zone such as Europe/Berlin": {"name": "B", "time_zone": "Berlin"},
        "is not a date": {"name": "B", "freeze_on": "31.02.2026"},
        "2026-02-31": {"name": "B", "freeze_on": "2026-02-31"},
        "it has 7 characters; at most 6 are kept": {"name": "B", "initials": "OWOWOWO"},
        "one of these is not a choice here": {"name": "B", "hats": ["designer", "emperor"]},
        "mixes letters of Cyrillic and Latin": {"name": "Tаrnwick"},
    }
    for said, changed in wrong.items():
        page = browser.post("/programmes", {**START, **changed}, status=422)
        assert said in text_of(page.text)
        assert 'value="Kelvane"' in page.text


def test_only_who_set_up_the_installation_starts_programmes(db, team, browser):
    browser.as_(team.RT).post("/programmes", {**START, "name": "Another"}, status=403)
    with pytest.raises(NotAllowed), transaction(db):
        commands.start_programme(db, by=team.RT, name="Another", initials="RT", hats=frozenset())
    assert db.scalars(select(Programme.name)).all() == ["Tarnwick"]


def test_the_front_door_leads_into_the_only_programme_and_lists_several(db, team, browser):
    answer = browser.as_(team.OW).client.get("/", follow_redirects=False)
    assert answer.headers["location"] == f"/programmes/{team.id}"
    browser.post("/programmes", {**START, "name": "Another"})
    assert {"Tarnwick", "Another"} <= set(text_of(browser.get("/").text).split())


# --- editing
def edited(**changed):
    return {
        "name": "Tarnwick",
        "team": "Kelvane",
        "car": "buggy",
        "time_zone": "UTC",
        "freeze_on": "2026-05-01",
        "edition": "1",
        **changed,
    }


def test_an_edit_is_saved_and_noted(db, team, browser):
    settings = f"/programmes/{team.id}/settings"
    assert "Saved." in text_of(browser.as_(team.RT).post(settings, edited(team="Kelvane works")).text)
    db.rollback()
    programme = queries.get_programme(db, team.id)
    assert (programme.team, programme.freeze_on, programme.edition) == ("Kelvane works", date(2026, 5, 1), 2)
    line = db.scalars(select(Happening).order_by(Happening.id.desc())).first()
    assert (line.what, line.by_id) == ("edited", team.RT.account_id)


def test_a_stale_edit_is_refused_with_both_texts_and_can_then_be_saved(db, team, browser):
    settings = f"/programmes/{team.id}/settings"
    browser.as_(team.RT).post(settings, edited(team="Designer's words"))
    page = browser.as_(team.OW).post(settings, edited(team="Manager's words"), status=409)
    shown = text_of(page.text)
    assert "Somebody else changed the programme while you were typing" in shown
    assert "Team Designer's words Manager's words" in shown
    assert 'name="edition" value="2"' in page.text
    assert 'value="Manager&#39;s words"' in page.text
    db.rollback()
    assert queries.get_programme(db, team.id).team == "Designer's words"
    browser.post(settings, edited(team="Both agreed", edition="2"))
    db.rollback()
    assert queries.get_programme(db, team.id).team == "Both agreed"


def test_of_two_who_save_the_same_edition_one_wins(db, team, database):
    with transaction(db):
        commands.edit_programme(
            db, by=team.OW, edition=1, name="Tarnwick", team="first", car="", time_zone="UTC", freeze_on=None
        )
    with pytest.raises(Conflict, match="Somebody else"), transaction(db):
        commands.edit_programme(
            db, by=team.RT, edition=1, name="Tarnwick", team="second", car="", time_zone="UTC", freeze_on=None
        )
    assert queries.get_programme(db, team.id).team == "first"


def test_a_programme_keeps_its_own_name_and_takes_no_others(db, team, browser):
    make.programme(db, name="Elsewhere")
    settings = f"/programmes/{team.id}/settings"
    page = browser.as_(team.OW).post(settings, edited(name="elsewhere"), status=422)
    assert "There is a programme called elsewhere already" in text_of(page.text)
    browser.post(settings, edited(name="TARNWICK"))


def test_a_driver_reads_the_settings_without_a_form(team, browser):
    page = browser.as_(team.AQ).get(f"/programmes/{team.id}/settings")
    assert "Steering precision" in page.text
    assert "Add an attribute" not in page.text
    assert '<form class="form"' not in page.text


# --- rating attributes
ATTRIBUTE = {
    "name": "Braking stability",
    "kind": "quality",
    "lowest": "1",
    "highest": "10",
    "step": "0,5",
    "low_word": "spins",
    "high_word": "straight",
}


def test_an_attribute_is_added_with_its_words(db, team, browser):
    page = browser.as_(team.RT).post(f"/programmes/{team.id}/attributes", ATTRIBUTE)
    assert "1 to 10, step 0.5; higher is better 1 spins · 10 straight no" in text_of(page.text)
    kept = queries.find_attribute_by_name(db, team.id, "BRAKING stability")
    assert (kept.lowest_hundredths, kept.highest_hundredths, kept.step_hundredths) == (100, 1000, 50)
    assert kept.anchors == {"1": "spins", "10": "straight"}


def test_the_slip_holds_six_attributes(db, team, browser):
    attributes = f"/programmes/{team.id}/attributes"
    page = browser.as_(team.RT).post(attributes, {**ATTRIBUTE, "on_slip": "yes"}, status=422)
    assert "The slip has 6 attributes, the most a driver can rate between runs" in text_of(page.text)
    browser.post(attributes, ATTRIBUTE)
    new = queries.find_attribute_by_name(db, team.id, ATTRIBUTE["name"])
    old = queries.find_attribute_by_name(db, team.id, "Bump absorption")
    refused = browser.post(f"{attributes}/{new.id}/on-slip", {"on_slip": "yes"}, status=400)
    assert "Take one off first" in text_of(refused.text)
    browser.post(f"{attributes}/{old.id}/on-slip")
    browser.post(f"{attributes}/{new.id}/on-slip", {"on_slip": "yes"})
    browser.post(f"{attributes}/{new.id}/on-slip", {"on_slip": "yes"})  # twice is once
    db.rollback()
    names = [item.name for item in queries.list_attributes(db, team.id, on_slip=True)]
    assert len(names) == 6
    assert "Braking stability" in names
    assert "Bump absorption" not in names


def test_an_attribute_of_another_programme_is_not_found(db, team):
    other = make.programme(db, name="Elsewhere")
    foreign = queries.find_attribute_by_name(db, other.id, "Bump absorption")
    with pytest.raises(NotFound), transaction(db):
        commands.put_on_slip(db, foreign.id, by=team.OW, on_slip=False)


def test_two_attributes_never_have_the_same_name(db, team):
    for name in ("Bump absorption", "BUMP  absorption", "Bump ab\u200bsorption"):
        with pytest.raises(Conflict, match="already"), transaction(db):
            commands.add_attribute(db, by=team.OW, spec=quality(name, on_slip=False))
    with pytest.raises(Refused, match="can be seen"), transaction(db):
        commands.add_attribute(db, by=team.OW, spec=quality("\u200b", on_slip=False))
    assert len(db.scalars(select(Attribute).where(Attribute.programme_id == team.id)).all()) == len(
        rules.STARTING_ATTRIBUTES
    )


FAIR = ScaleSpec("x", ScaleKind.QUALITY, 1, 10, 0.5, {})


@pytest.mark.parametrize(
    "spec",
    [*rules.STARTING_ATTRIBUTES, FAIR, ideal_zero("b", "low", "high"), replace(FAIR, lowest=1, highest=5, step=1)],
)
def test_a_scale_that_can_be_rated_on(spec):
    check_scale(spec)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"lowest": 10, "highest": 1}, "highest"),
        ({"lowest": 5, "highest": 5}, "highest"),
        ({"step": 0}, "step"),
        ({"step": -1}, "step"),
        ({"step": 0.001}, "step"),
        ({"step": 0.7}, "step"),
        ({"step": 0.1}, "step"),
        ({"step": 9}, "step"),
        ({"kind": ScaleKind.IDEAL_ZERO}, "lowest"),
        ({"kind": ScaleKind.IDEAL_ZERO, "lowest": -5, "highest": 4}, "lowest"),
        ({"kind": ScaleKind.IDEAL_ZERO, "lowest": -5, "highest": 5, "step": 2}, "step"),
    ],
)
def test_a_scale_that_can_t_be_rated_on_is_refused_at_its_field(changed, field):
    with pytest.raises(Refused) as refused:
        check_scale(replace(FAIR, **changed))
    assert refused.value.field == field


def test_condition_classes_are_every_surface_with_every_grip():
    assert condition_class("carpet", "low") == "carpet, low grip"
    assert "carpet, low grip" in ALL_CLASSES
    assert len(set(ALL_CLASSES)) == len(ALL_CLASSES) == 28
