"""Security headers and cookies, on every kind of answer there is."""

import itertools
from dataclasses import replace

import pytest
from fastapi import APIRouter

from app.access.actions import Action
from app.access.guard import allow
from app.errors import Conflict
from app.main import create_app
from tests import make
from tests.pages import Browser

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'; object-src 'none'"
)
ALWAYS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
}
FOREVER = "public, max-age=31536000, immutable"
STATIC = "/static/css/base.css"


@pytest.fixture
def faulty(app):
    """The app with two more routes: one that breaks, one that is refused."""
    router = APIRouter()

    @router.get("/breaks", dependencies=[allow(Action.OPEN_FRONT_DOOR)])
    @router.post("/breaks", dependencies=[allow(Action.OPEN_FRONT_DOOR)])
    def breaks():
        raise RuntimeError("the secret word is marzipan")

    @router.get("/conflict", dependencies=[allow(Action.OPEN_FRONT_DOOR)])
    def conflict():
        raise Conflict("Somebody was first")

    app.include_router(router)
    return app


def answers(browser: Browser, team: make.Team) -> dict[str, object]:
    """One answer of every kind, by what it is."""
    client, settings = browser.client, f"/programmes/{team.id}/settings"
    anonymous = {
        "303 to sign in": client.get(settings, follow_redirects=False),
        "401": client.post(settings, follow_redirects=False),
        "401 htmx": client.post(settings, headers={"HX-Request": "true"}),
        "422": client.post("/sign-in", data={"login": ""}),
        "404": client.get("/nowhere"),
        "404 static": client.get("/static/nowhere.css"),
        "405": client.put("/sign-in"),
        "405 HEAD": client.head("/sign-in"),
        "400 host": client.get("/sign-in", headers={"Host": "elsewhere.example"}),
        "403 origin": client.post("/sign-in", headers={"Origin": "https://elsewhere.example"}),
        "413": client.post("/sign-in", data={"login": "x" * 2_100_000}),
        "200 static": client.get(STATIC),
        "200 static HEAD": client.head(STATIC),
        "304 static": client.get(STATIC, headers={"If-None-Match": client.get(STATIC).headers["etag"]}),
        "500": client.get("/breaks"),
        "409": client.get("/conflict"),
    }
    browser.as_(team.AQ)
    signed_in = {
        "200": client.get(settings),
        "303": client.get("/", follow_redirects=False),
        "403": client.get(f"/programmes/{team.id}/people/1"),
        "422 in": client.post("/account/password", data={}),
    }
    return {**anonymous, **signed_in}


def test_every_kind_of_answer_carries_every_header(faulty, db):
    with Browser(faulty) as browser:
        found = answers(browser, make.programme(db))
    for kind, answer in found.items():
        assert str(answer.status_code) == kind.split(" ")[0] or kind.startswith("200"), f"{kind}: {answer.status_code}"
        for name, value in ALWAYS.items():
            assert answer.headers.get_list(name) == [value], f"{kind}: {name}"
        assert "strict-transport-security" not in answer.headers, kind
        stored = FOREVER if "static" in kind and kind[:3] in ("200", "304") else "no-store"
        assert answer.headers.get_list("cache-control") == [stored], kind
        assert "server" not in answer.headers, kind


def test_a_database_that_is_down_answers_with_the_headers_too(app, browser, monkeypatch):
    from sqlalchemy.exc import OperationalError

    def gone():
        raise OperationalError("SELECT 1", {}, Exception("connection refused at the secret place"))

    monkeypatch.setattr(app.state.database, "sessions", gone)
    answer = browser.get("/sign-in", status=503)
    assert {name: answer.headers[name] for name in ALWAYS} == ALWAYS
    assert answer.headers["retry-after"] == "5"
    assert "secret place" not in answer.text


def test_pages_never_mix_with_fragments_in_a_cache(db, browser):
    team = make.programme(db)
    answer = browser.as_(team.AQ).get(f"/programmes/{team.id}/settings")
    assert {"HX-Request", "HX-Target", "Cookie"} <= {name.strip() for name in answer.headers["vary"].split(",")}


def test_a_fault_shows_a_number_and_never_its_text(faulty, caplog):
    with Browser(faulty) as browser:
        answer = browser.get("/breaks", status=500)
        assert "marzipan" not in answer.text
        assert "RuntimeError" not in answer.text
        reference = answer.text.split("Reference <strong>")[1].split("<")[0]
        assert f"fault {reference}" in caplog.text
        again = browser.post("/breaks", {"words": "typed with care"}, status=500)
        assert reference not in again.text


# --- https and plain http
@pytest.fixture
def https(settings, database):
    with Browser(create_app(replace(settings, base_url="https://hall.example", plain_http=False), database)) as browser:
        browser.client.base_url = "https://hall.example"  # type: ignore[assignment]
        browser.client.headers["Origin"] = "https://hall.example"
        yield browser


def cookies_of(answer) -> dict[str, set[str]]:
    found = {}
    for line in answer.headers.get_list("set-cookie"):
        first, *rest = [part.strip() for part in line.split(";")]
        found[first.split("=")[0]] = {
            part.split("=")[0].lower() + ("=lax" if "lax" in part.lower() else "") for part in rest
        }
    return found


def sign_in(browser: Browser):
    form = {"login": "AQ", "password": make.PASSWORD}
    return browser.client.post("/sign-in", data=form, follow_redirects=False)


def test_over_https_cookies_are_bound_to_the_host_and_hsts_is_set(db, https):
    make.programme(db)
    answer = sign_in(https)
    assert answer.status_code == 303
    for name in ("__Host-proveout", "__Host-proveout-device"):
        assert cookies_of(answer)[name] >= {"secure", "httponly", "path", "samesite=lax"}
        assert "domain" not in cookies_of(answer)[name]
    assert set(cookies_of(answer)) == {"__Host-proveout", "__Host-proveout-device"}
    page = https.get("/account")
    assert page.headers["strict-transport-security"] == "max-age=31536000; includeSubDomains"
    assert "Plain http" not in page.text
    assert https.get("/nowhere", status=404).headers["strict-transport-security"]


def test_over_https_a_form_from_a_plain_page_is_refused(db, https):
    make.programme(db)
    https.client.headers["Origin"] = "http://hall.example"
    assert sign_in(https).status_code == 403


def test_over_plain_http_a_banner_says_so(db, browser):
    make.programme(db)
    answer = sign_in(browser)
    assert set(cookies_of(answer)) == {"proveout", "proveout-device"}
    for flags in cookies_of(answer).values():
        assert flags >= {"httponly", "samesite=lax", "path"}
        assert "secure" not in flags
    page = browser.get("/account")
    assert "Plain http." in page.text
    assert "strict-transport-security" not in page.headers


def test_signing_out_takes_the_cookie_away(db, browser):
    make.programme(db)
    sign_in(browser)
    answer = browser.client.post("/sign-out", follow_redirects=False)
    assert 'proveout=""; ' in answer.headers["set-cookie"]
    assert "Max-Age=0" in answer.headers["set-cookie"]
    assert answer.headers["location"] == "/sign-in"


# --- where a form may come from
SAME, CROSS = "http://testserver", "https://elsewhere.example"
SITES = {"same-origin": True, "cross-site": False, "same-site": False, "none": False, "nonsense": False, None: False}
ORIGINS = {
    SAME: True,
    CROSS: False,
    "null": False,
    "": False,
    "http://[": False,
    "http://testserver:81": False,
    "https://testserver": False,
    "http://testserver.elsewhere.example": False,
    "http://testserver@elsewhere.example": False,
    None: False,
}


def test_sec_fetch_site_decides_and_origin_where_it_is_absent(browser):
    del browser.client.headers["Origin"]
    for origin, site in itertools.product(ORIGINS, SITES):
        headers = {name: value for name, value in (("Origin", origin), ("Sec-Fetch-Site", site)) if value is not None}
        allowed = ORIGINS[origin] if site is None else SITES[site]
        answer = browser.client.post("/sign-in", data={}, headers=headers)
        assert answer.status_code == (422 if allowed else 403), headers


def test_a_page_may_be_opened_from_anywhere(browser):
    assert browser.get("/sign-in", headers={"Origin": CROSS, "Sec-Fetch-Site": "cross-site"})


def test_an_unknown_host_is_refused(browser):
    for host in ("elsewhere.example", "", "testserver.elsewhere.example", "[::1", "testserver@elsewhere.example",
                 "testserver:80@elsewhere.example", "a b"):  # fmt: skip
        answer = browser.client.get("/sign-in", headers={"Host": host})
        assert answer.status_code == 400, host
        assert "elsewhere" not in answer.text


def test_our_own_host_is_known_with_any_port(browser):
    for host in ("testserver", "testserver:8000", "TESTSERVER"):
        assert browser.client.get("/sign-in", headers={"Host": host}).status_code == 200


def test_further_host_names_can_be_given(settings, database):
    with Browser(create_app(replace(settings, extra_hosts=("hall.local",)), database)) as browser:
        assert browser.client.get("/sign-in", headers={"Host": "hall.local"}).status_code == 200
        form = {"Host": "hall.local", "Origin": "http://hall.local"}
        assert browser.client.post("/sign-in", data={}, headers=form).status_code == 422
        assert (
            browser.client.post("/sign-in", data={}, headers={**form, "Origin": "http://testserver2"}).status_code
            == 403
        )


def test_the_body_is_counted_and_not_believed(browser):
    """A body without a length, sent in pieces: the limit counts what arrives."""
    answer = browser.client.post("/sign-in", content=(b"x" * 100_000 for _ in range(25)),
                                 headers={"Content-Type": "application/x-www-form-urlencoded"})  # fmt: skip
    assert answer.status_code == 413
    assert "2 MB" in answer.text
