"""Sign-in sessions: a fresh token each time, ended for good, and nothing typed is lost when one has run out."""

import re
from datetime import timedelta
from html import unescape

import pytest
from sqlalchemy import select

from app import clock
from app.db import transaction
from app.people import commands, queries, rules
from app.people.models import Hat, SignIn
from app.people.sign_in import safe_path
from tests import make
from tests.pages import Browser, text_of


def sign_in(browser: Browser, login="AQ", password=make.PASSWORD, **more):
    return browser.client.post("/sign-in", data={"login": login, "password": password, **more}, follow_redirects=False)


def cookie_of(browser: Browser) -> str:
    return browser.client.cookies["proveout"]


def is_signed_in(app, cookie: str) -> bool:
    with Browser(app) as other:
        other.client.cookies.set("proveout", cookie)
        return other.client.get("/account", follow_redirects=False).status_code == 200


def test_the_right_password_signs_in_whatever_the_case_of_the_name(team, browser):
    for login in ("AQ", "aq", " ＡＱ "):
        assert sign_in(browser, login).status_code == 303
    assert "Asta Quillfeather" in browser.get("/account").text


def test_a_cookie_is_a_random_token_kept_as_its_digest(db, team, browser):
    sign_in(browser)
    token = cookie_of(browser)
    stored = db.scalars(select(SignIn)).all()
    assert [row.token_hash for row in stored] == [rules.digest(token)]
    assert len(token) >= 43
    assert token not in repr([vars(row) for row in stored])


def test_every_sign_in_has_a_fresh_token_and_ends_the_one_it_came_with(team, browser, app):
    browser.client.post("/sign-in", data={"login": "AQ", "password": make.PASSWORD}, follow_redirects=False,
                        headers={"Cookie": "proveout=planted-by-somebody"})  # fmt: skip
    first = cookie_of(browser)
    assert first != "planted-by-somebody"
    sign_in(browser)
    second = cookie_of(browser)
    assert second != first
    assert is_signed_in(app, second)
    assert not is_signed_in(app, first)
    assert not is_signed_in(app, "planted-by-somebody")


def test_signing_out_ends_the_cookie_for_good(team, browser, app):
    sign_in(browser)
    old = cookie_of(browser)
    browser.client.post("/sign-out")
    assert not is_signed_in(app, old)


def test_an_ended_sign_in_is_refused_and_the_others_stay(db, team, browser, app):
    with transaction(db):
        phone = commands.start_sign_in(db, team.AQ.account_id, device="phone", device_token="p")
        laptop = commands.start_sign_in(db, team.AQ.account_id, device="laptop", device_token="l")
    number = db.scalars(select(SignIn.id).where(SignIn.device == "phone")).one()
    browser.client.cookies.set("proveout", laptop)
    assert "phone" in browser.get("/account").text
    browser.post(f"/account/sign-ins/{number}/end")
    assert not is_signed_in(app, phone)
    assert is_signed_in(app, laptop)
    browser.as_(team.MS).post(f"/account/sign-ins/{number}/end", status=404)


@pytest.mark.parametrize("change", ["hats", "disabled", "password"])
def test_a_change_of_hat_or_password_and_disabling_end_old_sign_ins(db, team, app, change):
    with transaction(db):
        old = commands.start_sign_in(db, team.AQ.account_id, device="", device_token="d")
    assert is_signed_in(app, old)
    with transaction(db):
        if change == "hats":
            commands.set_hats(db, team.AQ.account_id, by=team.OW, hats=frozenset({Hat.DRIVER, Hat.DESIGNER}))
        elif change == "disabled":
            commands.disable_account(db, team.AQ.account_id, by=team.OW, why="left the team")
        else:
            commands.change_password(db, make.HASHER, by=team.AQ, old=make.PASSWORD, new="another good one")
    assert not is_signed_in(app, old)


def test_changing_the_password_keeps_the_browser_that_did_it(team, browser, app):
    sign_in(browser)
    first = cookie_of(browser)
    with Browser(app) as phone:
        sign_in(phone)
        other = cookie_of(phone)
    form = {"old": "wrong wrong wrong", "new": "another good one"}
    page = browser.post("/account/password", form, status=422)
    assert "not right" in text_of(page.text)
    assert "another good one" not in page.text
    assert "every other sign-in was ended" in text_of(
        browser.post("/account/password", {**form, "old": make.PASSWORD}).text
    )
    assert is_signed_in(app, first)
    assert not is_signed_in(app, other)
    assert sign_in(browser).status_code == 422
    assert sign_in(browser, password="another good one").status_code == 303


def test_a_sign_in_runs_out_after_thirty_days_and_when_idle_after_fourteen(db, team):
    with transaction(db):
        token = commands.start_sign_in(db, team.AQ.account_id, device="", device_token="d")
    start = clock.now()
    with clock.at(start + timedelta(days=13, hours=23)):
        assert queries.find_viewer(db, token, None)
    with clock.at(start + timedelta(days=14, minutes=1)):
        assert queries.find_viewer(db, token, None) is None


def test_a_sign_in_that_is_used_does_not_idle_out(db, team, app):
    start = clock.now()
    with clock.at(start - timedelta(days=13)), transaction(db):
        token = commands.start_sign_in(db, team.AQ.account_id, device="", device_token="d")
    assert is_signed_in(app, token)  # used today
    with clock.at(start + timedelta(days=13)):
        assert queries.find_viewer(db, token, None)
    with clock.at(start + timedelta(days=17, minutes=1)):  # thirty days after it began
        assert queries.find_viewer(db, token, None) is None


def test_a_disabled_person_keeps_what_they_filed_and_may_be_enabled(db, team, browser):
    person = f"/programmes/{team.id}/people/{team.RT.account_id}"
    with transaction(db):
        commands.invite(db, by=team.OW, name="N", initials="NM", hats=frozenset({Hat.DRIVER}))
    browser.as_(team.OW).post(f"{person}/disable", {"why": "left the team"})
    page = text_of(browser.get(f"/programmes/{team.id}/people").text)
    assert "Rhea Tarlowen designer left: no sign-in; what they filed stays" in page
    assert sign_in(browser.as_(None), "RT").status_code == 422
    browser.as_(team.OW).post(f"{person}/enable", {"why": "back again"})
    assert sign_in(browser.as_(None), "RT").status_code == 303


def test_nobody_locks_themselves_out(team, browser):
    own = f"/programmes/{team.id}/people/{team.OW.account_id}"
    browser.as_(team.OW)
    assert "can't disable yourself" in text_of(browser.post(f"{own}/disable", {"why": "x"}, status=422).text)
    assert "your own manager" in text_of(browser.post(f"{own}/hats", {"hats": "driver"}, status=422).text)
    assert "choose at least one" in text_of(browser.post(f"{own}/hats", {}, status=422).text)
    browser.get(own)


# --- a sign-in that ran out while somebody typed
def hidden(html: str, name: str) -> str:
    return unescape(re.search(rf'name="{name}" value="([^"]*)"', html).group(1))


TYPED = {
    "name": "Tarnwick",
    "team": "Kelvane & <Söhne>",
    "car": "typed with\u00a0care",
    "time_zone": "UTC",
    "edition": "1",
    "hats": ["designer", "manager"],
}


def test_what_was_typed_survives_an_expired_sign_in(db, team, browser):
    settings = f"/programmes/{team.id}/settings"
    asked = browser.as_(None).post(settings, TYPED, status=401)
    assert "nothing you typed is lost" in text_of(asked.text)
    assert "Kelvane & <Söhne>" in text_of(asked.text)
    again = browser.post("/sign-in", {"login": "OW", "password": "wrong wrong", "kept": hidden(asked.text, "kept"),
                                      "kept_path": hidden(asked.text, "kept_path")}, status=422)  # fmt: skip
    ready = browser.post("/sign-in", {"login": "OW", "password": make.PASSWORD, "kept": hidden(again.text, "kept"),
                                      "kept_path": hidden(again.text, "kept_path")})  # fmt: skip
    assert "has not been saved yet" in text_of(ready.text)
    assert "Send as Ottoline Weir" in text_of(ready.text)
    assert f'action="{settings}"' in ready.text
    names = re.findall(r'<input type="hidden" name="([^"]+)"', ready.text)
    assert names.count("hats") == 2
    sent = {name: hidden(ready.text, name) for name in ("name", "team", "car", "time_zone", "edition")}
    assert sent["team"] == TYPED["team"]
    assert "Saved." in browser.post(settings, sent).text
    db.rollback()
    from app.programmes.queries import get_programme

    assert get_programme(db, team.id).team == "Kelvane & <Söhne>"


def test_a_reader_is_led_back_to_the_page_they_wanted(team, browser):
    wanted = f"/programmes/{team.id}/settings?done=saved"
    answer = browser.client.get(wanted, follow_redirects=False)
    page = browser.get(answer.headers["location"])
    assert sign_in(browser, next=hidden(page.text, "next")).headers["location"] == wanted


def test_htmx_is_sent_to_sign_in_and_never_gets_the_page_in_a_fragment(team, browser):
    for method in ("get", "post"):
        answer = getattr(browser.client, method)(f"/programmes/{team.id}/settings", headers={"HX-Request": "true"})
        assert answer.status_code == 401
        assert answer.headers["hx-redirect"] == f"/sign-in?next=/programmes/{team.id}/settings"
        assert answer.text == ""


ELSEWHERE = [
    "//evil.example",
    "https://evil.example",
    "http:evil.example",
    "/\\evil.example",
    "\\\\evil.example",
    "/\t/evil.example",
    "javascript:alert(1)",
    "/..//evil.example\r\nSet-Cookie: a=b",
    "evil.example",
    "///evil.example",
    "//[",
    "/x\\evil.example",
    "http://[",
    "/%0d%0aSet-Cookie:a",
    " //evil.example",
    "\u2028//evil.example",
    "?next=//evil.example",
    "data:text/html,x",
]


@pytest.mark.parametrize("path", ELSEWHERE)
def test_the_way_after_signing_in_never_leads_elsewhere(team, browser, path):
    safe = safe_path(path)
    assert re.fullmatch(r"/(?![/\\]).*", safe), safe
    assert not re.search(r"[\r\n\t\\]", safe)
    answer = sign_in(browser, next=path)
    assert answer.status_code == 303 or "\r" in path  # a line break in a hidden field is no path of ours at all
    assert answer.headers.get("location", "/").startswith("/")
    assert not answer.headers.get("location", "/").startswith(("//", "/\\"))
    assert "set-cookie: a" not in str(answer.headers).lower()
    page = browser.client.get("/sign-in", params={"next": path})
    assert page.status_code == 200
    kept = sign_in(browser, kept='[["a", "b"]]', kept_path=path)
    assert 'action="/' in kept.text
    assert "evil.example" not in re.findall(r'action="([^"]*)"', kept.text)[-1] or 'action="/%0d' in kept.text


@pytest.mark.parametrize(
    "kept", ["{", "[1]", '{"a": 1}', '"x"', "[[1,2,3]]", "null", "[[null,null]]", "x" * 1000, "[" * 100_000]
)
def test_a_kept_form_that_was_tampered_with_is_dropped(team, browser, kept):
    assert sign_in(browser, kept=kept, kept_path="/account").status_code in (200, 303)


def test_a_password_is_never_kept_or_given_back(team, browser):
    page = browser.as_(None).post(
        "/account/password", {"old": "old secret 1", "new": "new secret 1", "other": "kept"}, status=401
    )
    assert "kept" in page.text
    assert "secret" not in page.text


# --- hashes
def test_a_password_is_stored_as_argon2id_of_the_agreed_strength(settings, tmp_path):
    from app.people.passwords import Hasher
    from app.settings import Settings

    own = Settings("sqlite://", "http://testserver", tmp_path)
    hasher = Hasher(time_cost=own.argon2_time, memory_kib=own.argon2_memory_kib)
    assert re.match(r"\$argon2id\$v=19\$m=19456,t=2,p=1\$", hasher.hash("quarry-hall-77"))
    assert hasher.hash("quarry-hall-77") != hasher.hash("quarry-hall-77")
    assert hasher.verify(hasher.hash("quarry-hall-77"), "quarry-hall-77")
    assert not hasher.verify(hasher.hash("quarry-hall-77"), "quarry-hall-78")
    assert not hasher.verify(None, "nobody's password, so that unknown names take as long")
    assert not hasher.verify("not a hash", "x")
