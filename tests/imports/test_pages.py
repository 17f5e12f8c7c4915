"""The import page, walked without JavaScript: choose, look, check, import, read the sheet."""

import re
from html import unescape

import html5lib
import pytest

from app.errors import Refused
from app.imports import forms
from app.imports.forms import pack, unpack
from app.tables import read_table
from tests import make
from tests.imports.tables import WINE, csv, dump
from tests.pages import XHTML, text_of

GOOD = ("AQ,S1,1,t40,7", "AQ,S1,2,t45,7.5", "MS,S1,3,t45,6", "MS,S1,4,t40,n/a")


def path(team: make.Team, step: str = "") -> str:
    return f"/programmes/{team.id}/import{step}"


def choose(browser, team, content: bytes, *, status: int = 200, name: str = "ratings.csv"):
    return browser.post(path(team, "/preview"), files={"table": (name, content, "text/csv")}, status=status)


def filled(html: str, **typed: str) -> dict[str, str]:
    """What a browser would send from the mapping form, with these answers changed."""
    document = html5lib.parse(html)
    form = next(node for node in document.iter(f"{XHTML}form") if node.get("action", "").endswith("/import/check"))
    found: dict[str, str] = {}
    for node in form.iter():
        name = node.get("name")
        if node.tag == f"{XHTML}select":
            chosen = [o for o in node.iter(f"{XHTML}option") if "selected" in o.attrib] or list(
                node.iter(f"{XHTML}option")
            )[:1]
            found[name] = chosen[0].get("value")
        elif node.tag == f"{XHTML}input" and (node.get("type") != "radio" or "checked" in node.attrib):
            found[name] = node.get("value", "")
    found.pop("form_token")
    return found | typed


def test_the_way_from_file_to_evidence_sheet(db, browser):
    team = make.programme(db)
    browser.as_(team.RT)
    assert "Choose the file" in text_of(browser.get(path(team)).text)
    page = choose(browser, team, WINE, name="wine.csv")
    assert "72 rows, cells parted by comma; the first 8" in text_of(page.text)
    assert "The column rating holds 1 to 5." in page.text
    answers = filled(
        page.text,
        session="temp",
        run="bottle",
        variant="contact",
        control="no",
        attribute_name="bitterness",
        lowest="1",
        highest="5",
        step="1",
        title="Contact: no or yes?",
    )
    assert (answers["driver"], answers["rating"]) == ("judge", "rating")
    before = dump(db)
    checked = browser.post(path(team, "/check"), answers)
    words = text_of(checked.text)
    assert "Checked: every line can be taken" in words
    assert "Marks 72" in words
    assert "known in 0 of 2 sessions" in words
    assert "bitterness 1 to 5 in steps of 1, higher is better new yes" in words
    assert dump(db) == before
    answers = filled(checked.text)
    sent = browser.client.post(path(team), data=answers, follow_redirects=False)
    assert sent.status_code == 303
    sheet = browser.get(sent.headers["location"])
    assert "Imported." in sheet.text
    assert "Contact: no or yes?" in unescape(sheet.text)


def test_an_empty_table_or_none_at_all_is_refused_in_words(db, browser):
    team = make.programme(db)
    browser.as_(team.OW)
    assert "choose a file" in browser.post(path(team, "/preview"), status=422).text
    assert "is empty" in choose(browser, team, b"", status=422).text
    page = choose(browser, team, b"driver,rating\nAQ,7\nAQ\n", status=422)
    assert "has 1 cell, the header line has 2; too few" in page.text
    assert page.text.count("<title>Error: Bring your spreadsheet") == 1


def test_bad_lines_are_a_table_of_line_column_value_and_reason_and_nothing_typed_is_lost(db, browser):
    team = make.programme(db)
    browser.as_(team.OW)
    page = choose(browser, team, csv(*GOOD, "AQ,S1,5,t40,11", "AQ,S1,6,T45,7"))
    answers = filled(page.text, control="t40", attribute_name="steering", title="Tower: 4.0 or 4.5?", goal="steering")
    before = dump(db)
    for step in ("/check", ""):
        refused = browser.post(path(team, step), answers, status=422)
        words = text_of(refused.text)
        assert "6 rating “11” is above the scale's highest mark 10" in words
        assert "7 variant “T45” looks like “t45” in line 3; write both the same way" in words
        assert filled(refused.text) == answers
        assert refused.text.count("<title>Error:") == 1
    assert dump(db) == before


@pytest.mark.parametrize(
    "changed, words",
    [
        ({"driver": ""}, "Column: driver: this is needed"),
        ({"run": "driver"}, "is chosen twice"),
        ({"attribute_name": ""}, "Nothing says what was rated"),
        ({"control": ""}, "Control: this is needed"),
        ({"lowest": "10", "highest": "1"}, "The top must be above the bottom"),
        ({"step": "0.4"}, "steps of 0.4 don't lead"),
        ({"step": "0.005"}, "hundredths"),
        ({"step": "-1"}, "A step of -1"),
        ({"highest": "nan"}, "can't be read as a number"),
        ({"title": ""}, "Question: this is needed"),
        ({"title": "x" * 121}, "at most 120"),
        ({"worthwhile": "0"}, "more than nothing"),
        ({"minutes_per_run": "0"}, "1 to 240"),
        ({"driver": "nobody"}, "is not one of the choices"),
        ({"attribute_name": "stееring"}, "mixes letters"),
        ({"kind": "ideal_zero"}, "equally far both ways"),
        ({"lowest": "1e9"}, "not a plain number"),
        ({"programme_name": "Tarnwick"}, "already"),
        ({"highest": "1000000"}, "up to 10000"),
    ],
)
def test_an_answer_that_does_not_fit_gets_its_sentence_in_both_steps(db, browser, changed, words):
    team = make.programme(db)
    browser.as_(team.OW)
    page = choose(browser, team, csv(*GOOD))
    answers = filled(page.text, **{"control": "t40", "attribute_name": "steering", "title": "Tower?"} | changed)
    before = dump(db)
    for step in ("/check", ""):
        assert words.casefold() in unescape(browser.post(path(team, step), answers, status=422).text).casefold()
    assert dump(db) == before


def test_the_same_file_again_adds_nothing_and_says_so(db, browser):
    team = make.programme(db)
    browser.as_(team.OW)
    answers = filled(choose(browser, team, csv(*GOOD)).text, control="t40", attribute_name="steering", title="Tower?")
    browser.post(path(team), answers)
    before = dump(db)
    again = browser.post(path(team), answers | {"title": "Other?"})
    assert "This very file (ratings.csv) came in on" in text_of(again.text)
    assert dump(db) == before
    assert "Imported already" in browser.post(path(team, "/check"), answers | {"title": "Other?"}).text


def test_a_table_may_go_into_a_programme_of_its_own(db, browser):
    team = make.programme(db)
    browser.as_(team.OW)
    answers = filled(
        choose(browser, team, csv(*GOOD)).text,
        control="t40",
        attribute_name="steering",
        title="Tower?",
        programme_name="Fellside",
    )
    assert "AQ and MS" in text_of(browser.post(path(team, "/check"), answers).text)
    sent = browser.client.post(path(team), data=answers, follow_redirects=False)
    assert re.match(rf"/programmes/(?!{team.id}/)\d+/questions/\d+", sent.headers["location"])
    assert "Fellside" in browser.get(sent.headers["location"]).text


def test_who_may_not_start_programmes_is_not_offered_one(db, browser):
    team = make.programme(db)
    browser.as_(team.RT)
    page = choose(browser, team, csv(*GOOD))
    assert "programme_name" not in page.text
    answers = filled(page.text, control="t40", attribute_name="steering", title="Tower?", programme_name="Fellside")
    assert "only who set up" in browser.post(path(team), answers, status=403).text.lower()


def test_drivers_and_strangers_are_turned_away(db, browser):
    team, other = make.programme(db), make.programme(db, name="Fellside")
    browser.as_(team.AQ).get(path(team), status=403)
    browser.as_(other.OW).get(path(team), status=404)
    for step in ("/preview", "/check", ""):
        browser.as_(team.AQ).post(path(team, step), status=403)


@pytest.mark.parametrize(
    "kept", ["", "!!!", "eJwz", "é", "A" * 5000, pack(b"driver,rating\n") or "", pack(b"\x00") or ""]
)
def test_a_carried_table_that_was_tampered_with_is_refused_not_a_fault(db, browser, kept):
    team = make.programme(db)
    browser.as_(team.OW)
    for step in ("/check", ""):
        response = browser.client.post(path(team, step), data={"kept": kept})
        assert response.status_code in (400, 422)
        assert "Choose the file again" in unescape(response.text) or "again" in unescape(response.text)


def test_a_table_larger_than_a_page_carries_is_sent_to_the_command_line(db, browser, monkeypatch):
    monkeypatch.setattr(forms, "MOST_CARRIED", 40)
    team = make.programme(db)
    page = choose(browser.as_(team.OW), team, csv(*GOOD), status=422)
    assert "python -m app import-ratings FILE" in page.text


def test_packing_is_undone_and_a_packed_bomb_is_refused():
    assert unpack(pack(WINE) or "") == WINE
    bomb = pack(b"a,b\n" + b"0" * 40_000_000) or ""
    assert len(bomb) < 60_000
    with pytest.raises(Refused):
        read_table(unpack(bomb))
