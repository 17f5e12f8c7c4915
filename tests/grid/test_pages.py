"""Pages of fit grids: made, tried on a phone, ruled by its owner, read by everybody, refused in words."""

import re

import pytest
from sqlalchemy import func, select

from app.db import transaction
from app.grid import commands, list_queries
from app.grid.models import CellFit, GridRule
from app.grid.words import Fit, Proof
from tests.grid import steps
from tests.hall.steps import Entry
from tests.pages import text_of
from tests.parts import make_parts
from tests.photos import pictures


def count(db, model=CellFit):
    found = db.scalar(select(func.count()).select_from(model))
    db.rollback()
    return found


def test_a_designer_makes_a_grid_from_two_boxes_of_text(db, browser):
    w = steps.World(db)
    browser.as_(w.team.RT)
    empty = text_of(browser.get(f"/programmes/{w.team.id}/grids/new", max_queries=12).text)
    assert "a grid of 3 × 2 × 3 × 4 has 72 cells" in empty
    data = {"title": "Towers and cans", "options": "Tower: a, b, c", "items": "Can: S1, S2", "strength": "2", "proof": "combinations",
            "form_token": "t-1"}  # fmt: skip
    told = text_of(browser.post(f"/programmes/{w.team.id}/grids", data).text)
    assert "FG-02 6 of 6 required pairs unknown" in told
    assert "6 cells (3 × 2)" in told
    listed = text_of(browser.get(f"/programmes/{w.team.id}/grids", max_queries=12).text)
    assert "FG-01 Damper mounts, cans and wheels" in listed
    assert "FG-02 Towers and cans" in listed
    assert "72 of 72 required cells unknown. Owner RT." in listed


def test_a_wrong_line_is_told_at_its_box_and_nothing_typed_is_lost(db, browser):
    w = steps.World(db)
    data = {"title": "Towers", "options": "Tower a, b", "items": "Can: S1, S2", "strength": "2", "proof": "each cell"}
    html = browser.as_(w.team.RT).post(f"/programmes/{w.team.id}/grids", data, status=422).text
    assert "Line 1, “Tower a, b”, has no name with a colon. Write it like “Damper hole: inner, outer”." in text_of(html)
    assert "Tower a, b</textarea>" in html
    assert "Can: S1, S2</textarea>" in html
    unknown = {**data, "options": "Tower: t40 = FST-t40, b"}
    told = text_of(browser.post(f"/programmes/{w.team.id}/grids", unknown, status=422).text)
    assert "“FST-t40”, of the level “t40”, is no revision here" in told


def test_an_empty_book_says_what_to_do_first(db, browser):
    from tests import make

    team = make.programme(db)
    assert "No fit grid yet. Start with the option" in text_of(browser.as_(team.RT).get(f"/programmes/{team.id}/grids").text)
    assert "A designer or the manager makes the first one" in text_of(browser.as_(team.AQ).get(f"/programmes/{team.id}/grids").text)


def test_scenario_38c_on_the_grids_page(db, browser):
    w = steps.scenario_38(db)
    html = browser.as_(w.team.RT).get(w.path(), max_queries=12).text
    told = text_of(html)
    assert "FG-01 4 of 72 required cells unknown, 4 cells do not fit" in told
    assert "has Damper hole outer with Damper mount low and Motor can S3; no build that fits has it." in told
    assert "Exclude these cells with a sentence" in told
    assert len(re.findall(r'<td class="cell', html)) == 72
    ticked = browser.get(re.search(r'href="([^"]*/rules\?of=[^"]*)"', html).group(1).replace("&amp;", "&"), max_queries=12).text
    assert len(re.findall(r'name="factor_\d+" value="\d+"[^>]*checked', ticked)) == 3
    for viewer in (w.team.AQ, w.team.SK, w.team.OW):
        browser.as_(viewer).get(w.path(), max_queries=12)


def test_excluding_needs_the_owners_sentence(db, browser):
    w = steps.scenario_38(db)
    known = steps.facts(db, w)
    levels = {f"factor_{known.factors[f].id}": str(known.level_at(f, n).id) for f, n in ((0, 2), (1, 1), (2, 2))}
    browser.as_(w.team.RT)
    refused = text_of(browser.post(w.path("/rules"), {**levels, "kind": "excluded", "sentence": "because"}, status=422).text)
    assert "“because” says too little. At least 20 characters" in refused
    assert count(db, GridRule) == 0
    none = text_of(browser.post(w.path("/rules"), {"kind": "excluded", "sentence": steps.REASON}, status=422).text)
    assert "No level is named" in none
    browser.as_(w.team.SK).post(w.path("/rules"), {**levels, "kind": "excluded", "sentence": steps.REASON}, status=403)
    told = text_of(browser.as_(w.team.RT).post(w.path("/rules"), {**levels, "kind": "excluded", "sentence": steps.REASON}).text)
    assert "Excluded: Damper hole outer; Damper mount low; Motor can S3" in told
    assert "4 of 68 required cells unknown" in text_of(browser.get(w.path()).text)
    rule = steps.facts(db, w).rules[0].id
    assert "says too little" in text_of(browser.post(w.path(f"/rules/{rule}/withdraw"), {"reason": "no"}, status=422).text)
    again = text_of(browser.post(w.path(f"/rules/{rule}/withdraw"), {"reason": "The can was shortened."}).text)
    assert "The can was shortened. (RT" in again
    assert "4 of 72 required cells unknown, 4 cells do not fit" in text_of(browser.get(w.path()).text)


def test_a_build_list_is_made_and_ticked_on_a_phone(db, browser):
    w = steps.World(db, proof=Proof.COMBINATIONS)
    browser.as_(w.team.SK)
    html = browser.post(w.path("/lists"), {"form_token": "t-1"}).text
    told = text_of(html)
    assert "FG-01 B-1 0 of 12 builds tried" in told
    assert "try 53 pairs of which nothing was proven; fewer builds can’t do that" in told
    assert "☐ fits ☐ fits with shim:" in told
    forms = re.findall(r'action="([^"]*/builds/\d+/fit)"', html)
    assert len(forms) == 12
    assert html.count("data-outbox=") == 12
    list_path = re.search(r"/grids/\d+/lists/\d+", str(browser.client.get(w.path()).text)).group(0)
    browser.get(f"/programmes/{w.team.id}{list_path}", max_queries=12)
    refused = text_of(browser.post(forms[0], {"result": "fits with shim"}, status=422).text)
    assert "Which shim it needs is missing" in refused
    assert "is needed" in text_of(browser.post(forms[0], {"result": ""}, status=422).text)
    told = text_of(browser.post(forms[0], {"result": "fits with shim", "shim": "0,5 mm under the stud", "note": "tight at droop"}).text)
    assert "1 of 12 builds tried" in told
    assert "fits with shim: 0,5 mm under the stud, SK" in told
    for form in forms[1:]:
        browser.post(form, {"result": "fits"})
    assert "All 53 required pairs known, and they fit" in text_of(browser.get(w.path(), max_queries=12).text)
    assert "Nothing is left to try" in text_of(browser.post(w.path("/lists"), {"form_token": "t-9"}, status=409).text)


def test_a_build_ticked_without_signal_arrives_once(db, browser):
    w = steps.World(db)
    list_id = steps.make_list(db, w)
    build = list_queries.list_builds(db, list_id)[0]
    db.rollback()
    browser.as_(w.team.SK)
    page = browser.get(w.path(f"/lists/{list_id}")).text
    token = re.search(r'name="form_token" value="([^"]*)"', page).group(1)
    entry = Entry(w.path(f"/builds/{build.id}/fit"), [("result", "rubs"), ("note", "at full droop"), ("form_token", token)],
                  w.team.SK.account_id)  # fmt: skip
    headers = {"X-Outbox": entry.token, "X-Outbox-Person": str(entry.person)}
    first = browser.client.post(entry.path, data=dict(entry.pairs), headers=headers).json()
    again = browser.client.post(entry.path, data=dict(entry.pairs), headers=headers).json()
    assert first["receipt"]["hash"] == entry.hash
    assert again["receipt"]["token"] == entry.token
    assert count(db) == 1
    bad = browser.client.post(entry.path, data={"result": "melts"}, headers={**headers, "X-Outbox": "b" * 32})
    assert bad.status_code == 422
    assert "is not one of the choices" in bad.json()["refusal"]["reason"]


def test_a_build_that_waited_on_a_phone_proves_the_revision_it_was_built_with(db, browser):
    w = steps.World(db)
    part = make_parts.tower(db, w.team.RT)
    first = make_parts.revision(db, w.team.RT, part, "t40")
    w.grid_id = steps.new_grid(db, w.team.RT, options="Tower: t40 = FST-t40, none", items="Can: S1, S2")
    list_id = steps.make_list(db, w)
    tower = steps.level(steps.facts(db, w), "Tower", "t40")
    build = next(b for b in list_queries.list_builds(db, list_id) if tower in b.cell)
    db.rollback()
    page = browser.as_(w.team.SK).get(w.path(f"/lists/{list_id}")).text
    assert f'name="on" value="{tower}:{first}"' in page
    make_parts.revision(db, w.team.RT, part, "t40", note="thicker")
    browser.post(w.path(f"/builds/{build.id}/fit"), {"result": "fits", "on": f"{tower}:{first}"})
    told = text_of(browser.get(w.path(), max_queries=12).text)
    assert "1 unknown again since a new revision" in told
    assert "fits on FST-t40 r1, now r2" in told
    broken = text_of(browser.post(w.path(f"/builds/{build.id}/fit"), {"result": "fits", "on": "x:y"}, status=422).text)
    assert "can't be read" in broken
    carry = {"from": f"{tower}-{first}", "sentence": "Thicker to the outside only, seen in CAD."}
    assert "FST-t40 r1 to FST-t40 r2" in text_of(browser.as_(w.team.RT).post(w.path("/carry-overs"), carry).text)
    assert "unknown again" not in text_of(browser.get(w.path()).text)


def test_a_cell_with_its_photo_and_its_history(db, browser):
    w = steps.World(db)
    key = steps.facts(db, w).key((2, 1, 2, 0))
    browser.as_(w.team.SK)
    before = text_of(browser.get(w.path(f"/cell?of={key}"), max_queries=12).text)
    assert "outer, low, S3, +0: not tried" in before
    photo = {"photo": ("rub.jpg", pictures.saved("JPEG"), "image/jpeg")}
    data = {"result": "rubs", "how": "by hand", "cell": key, "note": "can touches the damper"}
    unnamed = browser.client.post(w.path("/cell"), data=data, files=photo)
    assert unnamed.status_code == 422
    assert "What the photo shows" in text_of(unnamed.text)
    filed = browser.client.post(w.path("/cell"), data={**data, "alt": "rub mark on the can"}, files=photo)
    assert filed.status_code == 200
    told = text_of(filed.text)
    assert "outer, low, S3, +0: rubs" in told
    assert "“can touches the damper”" in told
    picture = re.search(r'href="([^"]*/photos/\d+)"', filed.text).group(1)
    assert browser.client.get(picture).headers["content-type"] == "image/jpeg"
    fit = steps.facts(db, w).results[0].id
    assert "says too little" in text_of(browser.post(w.path(f"/fits/{fit}/withdraw"), {"reason": "no"}, status=422).text)
    gone = text_of(browser.post(w.path(f"/fits/{fit}/withdraw"), {"reason": "It was can S2, not S3."}).text)
    assert "withdrawn It was can S2, not S3. (SK" in gone
    assert "outer, low, S3, +0: not tried" in gone


@pytest.mark.parametrize("of", ["1-2", "9-9-9-9", "x", "1-1-1-1-1-1", "-", "99999999999"])
def test_a_cell_that_is_none_is_not_found(db, browser, of):
    w = steps.World(db)
    browser.as_(w.team.SK).get(w.path(f"/cell?of={of}"), status=404)
    browser.post(w.path("/cell"), {"cell": of, "result": "fits", "how": "by hand"}, status=404)


def test_cad_settles_many_cells_and_says_how_many_are_unknown(db, browser):
    w = steps.World(db)
    known = steps.facts(db, w)
    browser.as_(w.team.RT)
    assert "72 required cells are unknown" in text_of(browser.get(w.path("/cad"), max_queries=12).text)
    data = {"result": "fits", f"factor_{known.factors[1].id}": str(known.level_at(1, 0).id)}
    assert "36 of 72 required cells unknown" in text_of(browser.post(w.path("/cad"), data).text)
    assert "No required cell with these levels is unknown" in text_of(browser.post(w.path("/cad"), data, status=409).text)


def test_settings_are_marked_and_refused_in_words(db, browser):
    w = steps.World(db, options="\n".join(f"Point {n}: off, on" for n in range(4)), items="")
    browser.as_(w.team.RT)
    html = browser.get(w.path("/settings"), max_queries=12).text
    assert "FG-01 16 settings, 0 published" in text_of(html)
    keys = re.findall(r'<option value="(\d+-\d+-\d+-\d+)"', html)
    assert len(keys) == 32  # sixteen to mark, and to be equivalent to
    told = text_of(browser.post(w.path("/settings"), {"setting": keys[0], "mark": "published", "sentence": "as delivered"}).text)
    assert "16 settings, 1 published" in told
    assert "published, and not proven" in told
    told = text_of(browser.post(w.path("/settings"), {"setting": keys[1], "mark": "equivalent", "same_as": keys[0]}).text)
    assert "equivalent to off, off, off, off" in told
    assert "To which setting it is equivalent is missing" in text_of(
        browser.post(w.path("/settings"), {"setting": keys[2], "mark": "equivalent"}, status=422).text)  # fmt: skip
    assert "The sentence is missing" in text_of(browser.post(w.path("/settings"), {"setting": keys[2], "mark": "unsafe"}, status=422).text)


def test_a_grid_is_edited_and_gets_a_level(db, browser):
    w = steps.World(db)
    found = steps.facts(db, w)
    browser.as_(w.team.RT)
    data = {"title": "Mounts", "strength": "3", "proof": "combinations", "question_id": "", "edition": "1"}
    told = text_of(browser.post(w.path("/edit"), data).text)
    assert "Mounts" in told
    assert "required triples unknown" in told
    stale = text_of(browser.post(w.path("/edit"), data, status=409).text)
    assert "changed by somebody else meanwhile" in stale
    level = {"factor_id": str(found.factors[2].id), "level": "S4"}
    assert "96 cells (3 × 2 × 4 × 4)" in text_of(browser.post(w.path("/levels"), level).text)
    assert "has a level “S4” already" in text_of(browser.post(w.path("/levels"), level, status=422).text)
    assert "2 levels are typed" in text_of(browser.post(w.path("/levels"), {**level, "level": "S5, S6"}, status=422).text)


def test_a_large_grid_lists_what_was_tried(db, browser):
    w = steps.World(db, options="\n".join(f"P{n}: a, b" for n in range(15)), items="", proof=Proof.COMBINATIONS)
    browser.as_(w.team.SK)
    told = text_of(browser.get(w.path(), max_queries=12).text)
    assert "32768 cells" in told
    assert "at least 4 builds would try them all" in told
    assert "FG-01 B-1 0 of 7 builds tried" in text_of(browser.post(w.path("/lists"), {"form_token": "t"}).text)
    browser.get(w.path("/settings"), max_queries=12)


def test_the_same_form_twice_files_one_result(db, browser):
    w = steps.World(db)
    key = steps.facts(db, w).key((0, 0, 0, 0))
    browser.as_(w.team.SK)
    for _ in range(2):
        browser.post(w.path("/cell"), {"cell": key, "result": "fits", "how": "by hand", "form_token": "t-1"})
    assert count(db) == 1


def test_what_was_filed_is_in_the_trail(db, browser):
    w = steps.World(db)
    steps.file(db, w, [(0, 0, 0, 0)], Fit.RUBS, note="at full lock")
    with transaction(db):
        commands.withdraw_fit(db, w.grid_id, 1, by=w.team.SK, reason="wrong can fitted")
    told = text_of(browser.as_(w.team.OW).get(f"/programmes/{w.team.id}/trail").text)
    assert "filed “rubs” by hand for" in told
    assert "withdrew “rubs” of" in told
    assert "wrong can fitted" in told
