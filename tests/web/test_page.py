"""Pages, the one block of a page that htmx asked for, and redirects; every page is checked by `tests/pages.py`."""

import re

import pytest
from fastapi import APIRouter, Request
from jinja2 import ChoiceLoader, DictLoader

from app.access.actions import Action
from app.access.guard import allow
from app.settings import ROOT
from app.web.filters import mark, num, plural, probability, signed, when
from app.web.page import NEVER_TARGETS, page, path_for, redirect
from app.web.render import make_environment, static_url
from tests import make
from tests.pages import Browser, check_page

REGION = """{% extends "base.html" %}{% block title %}Region{% endblock %}
{% block content %}{{ ui.page_head("Region") }}
<section id="run-ratings">
{%- block run_ratings %}<p>{{ word }} {{ ui.link_button("go", "/") }}</p>{% endblock -%}
</section>{% endblock %}"""


@pytest.fixture
def regions(app):
    router = APIRouter()

    @router.get("/region", dependencies=[allow(Action.OPEN_FRONT_DOOR)])
    def show_region(request: Request):
        return page(request, "region.html", word="<b>seven</b>")

    @router.post("/region", dependencies=[allow(Action.OPEN_FRONT_DOOR)])
    def change_region(request: Request):
        return redirect(request, "show_sign_in", done="saved", fragment="end")

    app.include_router(router)
    environment = make_environment()
    app.state.templates = environment.overlay(
        loader=ChoiceLoader([DictLoader({"region.html": REGION}), environment.loader])
    )
    with Browser(app) as browser:
        yield browser


def htmx(target: str) -> dict[str, str]:
    return {"HX-Request": "true", "HX-Target": target}


def test_htmx_gets_the_one_block_that_its_target_names(regions):
    whole = regions.get("/region").text
    for target in ("section#run-ratings", "run-ratings", "#run-ratings"):
        part = regions.get("/region", headers=htmx(target)).text
        assert part.startswith("<p>&lt;b&gt;seven")
        assert "<html" not in part
        assert part in whole


@pytest.mark.parametrize(
    "target", ["", "div#nothing-here", "main#content", "div#messages", "title", "section#run_ratings;x"]
)
def test_any_other_target_gets_the_whole_page(regions, target):
    assert "<!doctype html>" in regions.get("/region", headers=htmx(target)).text


def test_a_target_alone_is_no_htmx_request(regions):
    assert "<!doctype html>" in regions.get("/region", headers={"HX-Target": "section#run-ratings"}).text
    assert {"content", "title", "messages"} == set(NEVER_TARGETS)


def test_a_redirect_is_303_and_for_htmx_a_header(regions):
    plain = regions.client.post("/region", follow_redirects=False)
    assert (plain.status_code, plain.headers["location"]) == (303, "/sign-in?done=saved#end")
    partial = regions.client.post("/region", headers=htmx("section#run-ratings"), follow_redirects=False)
    assert (partial.status_code, partial.headers["hx-redirect"], partial.content) == (
        204,
        "/sign-in?done=saved#end",
        b"",
    )


def test_the_sentence_after_a_redirect_comes_from_a_fixed_list(browser):
    assert "Saved." in browser.get("/sign-in?done=saved").text
    assert "Pwned" not in browser.get("/sign-in?done=Pwned").text


def test_an_address_is_made_from_the_route_and_known_parameters(app):
    request = Request({"type": "http", "app": app})
    assert path_for(request, "show_programme", programme_id=3, run_id=5) == "/programmes/3/settings"
    assert path_for(request, "show_sign_in", query={"next": "/a b&c"}) == "/sign-in?next=%2Fa+b%26c"


def test_a_name_that_no_page_gave_is_a_fault_and_not_a_blank():
    with pytest.raises(Exception, match="undefined"):
        make_environment().from_string("{{ nobody }}").render()


def test_everything_is_escaped_whatever_the_file_is_called():
    environment = make_environment().overlay(
        loader=DictLoader({"x.txt": "{{ x }}", "x.svg": "{{ x }}", "x.html": "{{ x }}"})
    )
    for name in ("x.txt", "x.svg", "x.html"):
        assert environment.get_template(name).render(x="<script>") == "&lt;script&gt;"


def test_no_template_switches_escaping_off_or_runs_script_in_a_page():
    bad = re.compile(
        r"\|\s*safe\b|autoescape|\bon(click|load|error|submit|change)\s*=|hx-on|javascript:|<style|style=\"|<script>|js:"
    )
    found = [f"{path.relative_to(ROOT)}:{number} {hit.group()}" for path in (ROOT / "templates").rglob("*.html")
             for number, line in enumerate(path.read_text().splitlines(), 1) if (hit := bad.search(line))]  # fmt: skip
    assert not found, "\n".join(found)


def test_a_static_file_is_named_by_its_content(browser):
    address = static_url("css/base.css")
    assert re.fullmatch(r"/static/css/base\.css\?v=[0-9a-f]{12}", address)
    assert browser.client.get(address).headers["content-type"].startswith("text/css")


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app/main.py",
        "/static/..%2fapp/main.py",
        "/static/%2e%2e/app/main.py",
        "/static//etc/passwd",
        "/static/css",
        "/static/",
        "/static/css/../../pyproject.toml",
    ],
)
def test_nothing_but_static_files_is_served(browser, path):
    answer = browser.client.get(path)
    assert answer.status_code in (404, 405)
    assert "create_app" not in answer.text


def test_the_description_of_the_interface_is_not_published(browser):
    for path in ("/docs", "/redoc", "/openapi.json"):
        browser.get(path, status=404)


def test_every_page_of_a_new_programme_is_in_order(db, browser):
    """Fetched with all checks of `tests/pages.py`, as manager and as driver, with its number of queries."""
    team = make.programme(db)
    for viewer in (team.OW, team.AQ):
        browser.as_(viewer)
        for path in ("", "/settings", "/people", "/parts", "/questions", "/sessions", "/concerns"):
            browser.get(f"/programmes/{team.id}{path}", max_queries=14)
        browser.get("/account", max_queries=5)


# --- the checker itself: each kind of fault is found
GOOD = '<!doctype html><html lang="en"><head><title>Runs – x</title></head><body><h1 id="a">Runs</h1>{}</body></html>'


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("<p><div></p>", "not valid"),
        ("<h1>Two</h1>", "h1"),
        ('<p id="a">x</p>', "stand twice"),
        ('<form method="post" action="/"><input name="x"></form>', "no label"),
        ('<form><label>x <input name="x"></label></form>', "form without"),
        ("<table><tr><td>x</td></tr></table>", "caption"),
        ("<table><caption>c</caption><tbody><tr><th>x</th></tr></tbody></table>", "scope"),
        ('<a href="/"></a>', "without a name"),
        ('<a href="/" hx-target="#nowhere">x</a>', "not on the page"),
    ],
)
def test_the_page_checker_finds_a_planted_fault(body, said):
    check_page(GOOD.format(""), "good")
    with pytest.raises(AssertionError, match=said):
        check_page(GOOD.format(body), "planted")


def test_the_page_checker_finds_a_title_that_is_not_the_heading():
    with pytest.raises(AssertionError, match="does not begin"):
        check_page(GOOD.format("").replace("<title>Runs", "<title>Something"), "planted")


# --- how values are shown
def test_figures_are_shown_with_sign_and_without_a_false_zero():
    assert [num(value) for value in (1.005, -0.001, -1.5, None)] == ["1.00", "0.00", "−1.50", "–"]
    assert [signed(value) for value in (0.75, -1.5, 0.001, -0.001)] == ["+0.75", "−1.50", "0.00", "0.00"]
    assert [mark(value) for value in (750, 800, -50, None)] == ["7.5", "8", "−0.5", "could not judge"]
    assert [plural(count, "run") for count in (0, 1, 2)] == ["0 runs", "1 run", "2 runs"]


def test_a_probability_is_never_rounded_to_certainty():
    assert [probability(value) for value in (1.0, 0.9951, 0.91, 0.5, 0.004, 0.0)] == [
        "> .99",
        "> .99",
        ".91",
        ".50",
        "< .01",
        "< .01",
    ]


def test_a_moment_is_shown_in_the_zone_of_its_venue():
    from datetime import UTC, datetime

    assert when(datetime(2026, 2, 3, 9, 24, tzinfo=UTC), "Europe/Berlin") == "3 Feb 2026 10:24 CET"
    assert when(None) == "–"
