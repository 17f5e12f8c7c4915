"""Junk in every field of every form, and too much of it: a sentence each time, never a fault and never half a thing."""

import pytest

from app.access.policy import may
from app.people.models import Hat
from tests import make
from tests.access.routes import all_doors, junk_for, plausible_for
from tests.access.world import World
from tests.pages import text_of

JUNK = {
    "nothing": "",
    "a word": "x",
    "a minus": "-1",
    "a huge number": "9" * 40,
    "not a number": "nan",
    "a fraction": "1.5",
    "a list": "1,2,3",
    "null byte": "a\x00b",
    "right to left": "abc\u202edef",
    "broken": "\ufffd\ufffd",
    "emoji": "🏎️",
    "zero width": "\u200b",
    "ligature": "\ufdfa" * 60,
    "combining": "\u0301" * 20,
    "arabic digits": "٣",
    "superscript": "²",
    "percent": "%00%s{}{{7*7}}",
    "markup": '"><img src=x onerror=alert(1)>',
    "quotes": "';--\"",
    "a date": "2026-02-30",
    "a time": "2026-03-29T02:30",
    "line breaks": "a\r\nb\n\nc",
    "long": "x" * 20_000,
}
FORMS = [door for door in all_doors() if door.form is not None and door.method == "POST"]


def shared_out(world: World):
    """Each form once: the manager's, and those that need a conductor."""
    manager, conductor = world.people["manager"], world.people["conductor"]
    return [
        (manager, [door for door in FORMS if may(manager, door.action)]),
        (conductor, [door for door in FORMS if may(conductor, door.action) and not may(manager, door.action)]),
    ]


@pytest.mark.parametrize("junk", JUNK)
def test_junk_in_every_field_of_every_form_is_answered_in_words(world: World, junk):
    for who, doors in shared_out(world):
        world.browser.as_(who)
        for door in doors:
            answer = world.knock_with(door, junk_for(door.form, JUNK[junk]))
            assert answer.status_code < 500, f"{door.label} with {junk} everywhere: {answer.status_code}"
            if "<form" in answer.text and answer.status_code == 422:
                assert "Error: " in answer.text, door.label
            assert "<img src=x" not in answer.text, door.label


@pytest.mark.parametrize("junk", ["a word", "a huge number", "null byte", "superscript", "ligature"])
def test_junk_in_one_field_at_a_time_is_answered_in_words(world: World, junk):
    """The other fields hold something plausible, so that the reading gets as far as the command."""
    for who, doors in shared_out(world):
        world.browser.as_(who)
        for door in doors:
            fair = plausible_for(door.form)
            for name in fair:
                answer = world.knock_with(door, {**fair, name: JUNK[junk]})
                assert answer.status_code < 500, f"{door.label} with {junk} as {name}: {answer.status_code}"


@pytest.mark.parametrize("kind", ["missing", "twice", "file", "extra"])
def test_a_body_of_the_wrong_shape_is_answered_in_words(world: World, kind):
    world.browser.as_(world.people["manager"])
    for door in shared_out(world)[0][1]:
        names = list(door.form().fields)  # type: ignore[misc]
        sent = {
            "missing": {"data": {}},
            "twice": {"data": {name: ["a", "b"] for name in names}},
            "file": {"files": dict.fromkeys(names[:4], ("../../x.txt\u202e", b"\x00\xff", "text/html"))},
            "extra": {"data": {"hats": "manager", "is_admin": "1", "programme_id": "2", "by": "1"}},
        }[kind]
        answer = world.browser.client.post(door.url(world.keys), follow_redirects=False, **sent)
        assert answer.status_code < 500, f"{door.label} {kind}: {answer.status_code}"


# --- one form looked at closely
@pytest.fixture
def settings_page(db, browser):
    team = make.programme(db)
    browser.as_(team.OW)
    return f"/programmes/{team.id}/settings"


def programme(**changed):
    return {"name": "Tarnwick", "team": "Kelvane", "car": "buggy", "time_zone": "UTC", "edition": "1", **changed}


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("a\x00b", "there is a NUL character in it"),
        ("abc\u202edef", "an invisible control character (U+202E)"),
        ("x" * 81, "it has 81 characters; at most 80 are kept"),
        ("x" * 1_000_000, "it has 1 000 000 characters; at most 80 are kept"),
        ("", "this is needed"),
        ("Tаrnwick", "mixes letters of Cyrillic and Latin"),
        ("\u200b\u200d", "no letter or figure that can be seen"),
    ],
)
def test_a_wrong_name_is_refused_at_its_field_and_everything_typed_comes_back(browser, settings_page, typed, said):
    answer = browser.post(settings_page, programme(name=typed, team="Typed with care"), status=422)
    assert said in text_of(answer.text)
    assert 'value="Typed with care"' in answer.text
    assert 'href="#name"' in answer.text
    assert 'aria-invalid="true"' in answer.text


def test_more_than_two_megabytes_is_413_with_the_limit(browser, settings_page):
    answer = browser.post(settings_page, programme(name="x" * 2_000_001), status=413)
    assert "at most that much is taken here" in text_of(answer.text)


def test_text_that_is_not_utf_8_is_refused_and_not_guessed(browser, settings_page):
    body = b"name=Tarn%FF%FEwick&team=Kelvane&car=&time_zone=UTC&edition=1"
    answer = browser.client.post(
        settings_page, content=body, headers={"Content-Type": "application/x-www-form-urlencoded"}
    )
    assert answer.status_code == 422
    assert "could not be read" in answer.text


def test_a_raw_broken_body_is_no_fault(browser, settings_page):
    for content_type in (
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "multipart/form-data",
        "application/json",
        "text/plain; charset=utf-7",
        "application/x-www-form-urlencoded; charset=nonsense",
    ):
        for body in (
            b"\xff\xfe\x00",
            b'--x\r\nContent-Disposition: form-data; name="name"\r\n\r\n\xff',
            b"{]",
            b"",
            b"%%%=&&&=",
        ):
            answer = browser.client.post(settings_page, content=body, headers={"Content-Type": content_type})
            assert answer.status_code in (400, 413, 422), f"{content_type} {body!r}: {answer.status_code}"


def test_html_that_was_typed_is_text(browser, settings_page):
    canary = '"><img src=x onerror=alert(1)>'
    browser.post(settings_page, programme(team=canary), status=200)
    answer = browser.get(settings_page)
    assert "<img" not in answer.text
    assert "&lt;img src=x" in answer.text


def test_a_hidden_field_that_was_tampered_with_is_no_fault(browser, settings_page):
    for edition in ("", "abc", "9" * 30, "-1", "1.5", "٣"):
        answer = browser.client.post(settings_page, data=programme(edition=edition, team="Mine"))
        assert answer.status_code in (409, 422), edition
        assert "Mine" in answer.text


def test_people_are_kept_apart_by_look_alike_names(browser, db):
    team = make.programme(db)
    browser.as_(team.OW)
    invite = f"/programmes/{team.id}/people/invitations"
    for initials in ("AQ", "aq", "ＡＱ", "A\u200bQ", " AQ "):
        answer = browser.post(invite, {"name": "Another", "initials": initials, "hats": Hat.DRIVER.value}, status=422)
        assert "belong to Asta Quillfeather" in text_of(answer.text), initials
    answer = browser.post(invite, {"name": "Аsta Quillfeather", "initials": "XY", "hats": "driver"}, status=422)
    assert "mixes letters of Cyrillic and Latin" in text_of(answer.text)
