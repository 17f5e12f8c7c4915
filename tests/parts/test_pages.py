import pytest

from app.parts import queries
from tests import make
from tests.pages import text_of
from tests.parts import make_parts


@pytest.fixture
def team(db):
    return make.programme(db)


@pytest.fixture
def base(team):
    return f"/programmes/{team.id}"


@pytest.fixture
def fst(db, team):
    return make_parts.tower(db, team.RT)


PART = {"code": "FST", "number": "KT-0101", "title": "Front shock tower"}


def test_list_parts_says_what_to_do_first(browser, team, base):
    assert (
        "Start with the part your first question is about"
        in browser.as_(team.RT).get(f"{base}/parts", max_queries=4).text
    )
    assert "A designer or the manager adds the first one" in browser.as_(team.AQ).get(f"{base}/parts").text


def test_a_designer_adds_a_part_issues_a_revision_and_marks_pieces(browser, db, team, base):
    rt = browser.as_(team.RT)
    page = rt.post(f"{base}/parts", PART)
    assert "FST Front shock tower" in text_of(page.text)
    (part,) = queries.list_parts(db, team.id)
    file = {"drawing": ("FST-t45.step", b"solid", "application/octet-stream")}
    typed = {
        "line": "t45",
        "state": "issued",
        "alias": "four-five",
        "mass_g": "21,4",
        "unit_cost": "12.50",
        "lead_time_days": "9",
        "seen": "0",
    }
    page = rt.post(f"{base}/parts/{part.id}/revisions", typed, files=file)
    shown = text_of(page.text)
    for words in (
        "FST-t45 r1 Front shock tower",
        "21.4 g",
        "12.50 in your currency",
        "9 days",
        "FST-t45.step, 5 bytes",
    ):
        assert words in shown
    assert make_parts.sha256(b"solid") in page.text
    db.rollback()  # the browser wrote in a transaction of its own
    revision_id = queries.list_revisions(db, team.id)[0].id
    page = rt.post(
        f"{base}/revisions/{revision_id}/pieces",
        {"count": "2", "process": "waterjet carbon", "place": "pit box 2", "seen": "0"},
    )
    assert "2 pieces of FST-t45 r1" in text_of(page.text)
    listed = rt.get(f"{base}/parts", max_queries=6)
    assert "2 of 2" in text_of(listed.text)


def test_list_parts_finds_an_alias_that_was_changed(browser, db, team, base, fst):
    revision_id = make_parts.revision(db, team.RT, fst, "t50", alias="thick one")
    rt = browser.as_(team.RT)
    rt.post(f"{base}/revisions/{revision_id}", {"alias": "five-mil", "change_note": "as drawn", "edition": "1"})
    assert "once “thick one”" in text_of(rt.get(f"{base}/parts?q=thick", max_queries=6).text)
    assert "Nothing here is or was called “kerb”" in text_of(rt.get(f"{base}/parts?q=kerb").text)
    rt.get(f"{base}/parts?q=" + "x" * 3000)
    rt.get(f"{base}/parts?q=%00%E2%80%AE<script>")


def test_show_revision_refuses_another_file_after_a_run_and_offers_the_next_step(browser, db, team, base, fst):
    revision_id = make_parts.revision(db, team.RT, fst, content=b"solid")
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    make_parts.run_with(db, team.RT, piece_id)
    rt = browser.as_(team.RT)
    page = rt.post(f"{base}/revisions/{revision_id}/file", files={"drawing": ("new.step", b"other", "x/y")}, status=422)
    shown = text_of(page.text)
    assert "FST-t45 r1 has been run, so its definition can't change" in shown
    assert f'href="{base}/parts/{fst}/revisions/new?line=t45"' in page.text
    assert "Issue FST-t45 r2 instead" in shown
    page = rt.post(f"{base}/revisions/{revision_id}/file", files={"drawing": ("new.step", b"solid", "x/y")})
    assert "the same file, byte for byte: nothing was added" in page.text
    assert 'value="t45"' in rt.get(f"{base}/parts/{fst}/revisions/new?line=t45", max_queries=4).text


def test_a_stale_part_shows_both_texts(browser, db, team, base, fst):
    rt = browser.as_(team.RT)
    rt.post(f"{base}/parts/{fst}", {"title": "Tower, front", "number": "KT-0101", "edition": "1"})
    page = rt.post(f"{base}/parts/{fst}", {"title": "Shock stay", "number": "KT-0101", "edition": "1"}, status=409)
    shown = text_of(page.text)
    assert "Somebody else changed the part FST" in shown
    assert "Tower, front Shock stay" in shown
    rt.post(f"{base}/parts/{fst}", {"title": "Shock stay", "number": "KT-0101", "edition": "2"})


def test_a_stale_revision_state_and_piece_show_what_stands_now(browser, db, team, base, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    rt = browser.as_(team.RT)
    stale = {"alias": "mine", "change_note": "my note", "edition": "1"}
    rt.post(f"{base}/revisions/{revision_id}", {**stale, "alias": "theirs"})
    shown = text_of(rt.post(f"{base}/revisions/{revision_id}", stale, status=409).text)
    assert "theirs mine" in shown
    rt.post(f"{base}/revisions/{revision_id}/state", {"state": "in test", "edition": "1"}, status=409)
    rt.post(f"{base}/pieces/{piece_id}", {"state": "on car", "place": "car 1", "edition": "1"})
    shown = text_of(rt.post(f"{base}/pieces/{piece_id}", {"state": "broken", "edition": "1"}, status=409).text)
    assert "on car broken" in shown


def test_show_piece_modifies_by_hand_with_the_caution_about_carbon_dust(browser, db, team, base, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    sk = browser.as_(team.SK)
    page = sk.get(f"{base}/pieces/{piece_id}", max_queries=7)
    assert "conducts electricity" in page.text
    assert "No dry sanding in the pit or near chargers" in page.text
    sk.post(f"{base}/pieces/{piece_id}/modified", {"what": "filed", "edition": "1"}, status=422)
    page = sk.post(f"{base}/pieces/{piece_id}/modified", {"what": "lower hole filed out by 0.3 mm", "edition": "1"})
    assert "FST-t45 r1 #1m" in text_of(page.text)
    assert "goes on as #1m" in text_of(sk.get(f"{base}/pieces/{piece_id}").text)
    page = sk.post(f"{base}/pieces/{piece_id}", {"state": "on hand", "edition": "2"}, status=409)
    assert "no longer exists as such" in text_of(page.text)


BAD_PARTS = [
    ("code", "F\x00ST", "NUL"),
    ("code", "FЅT", "holds “Ѕ”"),
    ("code", "F" * 13, "13 characters"),
    ("code", "", "this is needed"),
    ("number", "☃", "can't be told from others"),
    ("title", "x" * 1_000_000, "at most 120"),
    ("title", "\u202egnat", "U+202E"),
    ("title", "\u200b\u200b", "nothing readable"),
    ("title", "Тower", "mixes letters"),
]


@pytest.mark.parametrize("name, value, sentence", BAD_PARTS, ids=range(len(BAD_PARTS)))
def test_what_cant_be_a_part_is_refused_at_its_field_and_kept_as_typed(browser, db, team, base, name, value, sentence):
    page = browser.as_(team.RT).client.post(f"{base}/parts", data={**PART, name: value})
    assert page.status_code == 422
    assert sentence in text_of(page.text)
    assert page.text.count('class="field__error"') == 1
    assert queries.list_parts(db, team.id) == []


BAD_REVISIONS = [
    ("mass_g", "1.250,5", "can't be read as a number"),
    ("mass_g", "9000", "Usual is"),
    ("mass_g", "12 stone", "is not a unit"),
    ("unit_cost", "-3", "below 0"),
    ("lead_time_days", "2.5", "not a whole number"),
    ("line", "t 45", "holds “ ”"),
    ("state", "frozen", "not one of the choices"),
    ("change_note", "x" * 2001, "at most 2 000"),
    ("mass_g", "9" * 400, "larger than anything"),
]


@pytest.mark.parametrize("name, value, sentence", BAD_REVISIONS, ids=range(len(BAD_REVISIONS)))
def test_what_cant_be_a_revision_is_refused(browser, db, team, base, fst, name, value, sentence):
    typed = {"line": "t45", "state": "issued", "seen": "0", name: value}
    page = browser.as_(team.RT).post(f"{base}/parts/{fst}/revisions", typed, status=422)
    assert sentence in text_of(page.text)
    assert queries.list_revisions(db, team.id) == []


@pytest.mark.parametrize(
    "file", [("empty.step", b"", "x/y"), ("x" * 200 + ".step", b"a", "x/y"), ("\u200b", b"a", "x/y")]
)
def test_a_file_that_cant_be_named_is_refused(browser, team, base, fst, file):
    page = browser.as_(team.RT).post(
        f"{base}/parts/{fst}/revisions", {"line": "t45", "state": "issued"}, files={"drawing": file}, status=422
    )
    assert "Drawing or CAD file:" in text_of(page.text)


def test_a_posted_text_in_place_of_a_file_is_refused(browser, db, team, base, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    browser.as_(team.RT).post(f"{base}/revisions/{revision_id}/file", {"drawing": "not a file"}, status=422)


@pytest.mark.parametrize("edition", ["", "abc", "-1", "9" * 30, "²", "1.0"])
def test_an_altered_edition_is_a_conflict_and_nothing_worse(browser, team, base, fst, edition):
    typed = {"title": "Tower", "number": "KT-0101", "edition": edition}
    browser.as_(team.RT).post(f"{base}/parts/{fst}", typed, status=409)


@pytest.mark.parametrize("path", ["parts/{}", "revisions/{}", "pieces/{}", "parts/{}/revisions/new"])
@pytest.mark.parametrize("number", ["999", "0", "-1", "9" * 40, "x", "1e3"])
def test_an_id_that_is_not_here_is_a_page_not_a_fault(browser, team, base, path, number):
    browser.as_(team.RT).get(f"{base}/{path.format(number)}", status=404)


def test_another_programmes_part_is_not_found(browser, db, team, base, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    other = make.programme(db, name="Merrow")
    rt = browser.as_(other.RT)
    for path in (f"parts/{fst}", f"revisions/{revision_id}", f"pieces/{piece_id}"):
        rt.get(f"/programmes/{other.id}/{path}", status=404)
        rt.get(f"{base}/{path}", status=404)
        rt.post(
            f"/programmes/{other.id}/{path}",
            {"title": "x", "number": "1", "edition": "1", "state": "lost", "alias": ""},
            status=404,
        )
    rt.post(f"/programmes/{other.id}/revisions/{revision_id}/pieces", {"count": "1", "process": "printed"}, status=404)


def test_a_driver_sees_parts_but_may_not_change_them(browser, db, team, base, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    aq = browser.as_(team.AQ)
    for path in (f"parts/{fst}", f"revisions/{revision_id}", f"pieces/{piece_id}"):
        page = aq.get(f"{base}/{path}", max_queries=8)
        assert page.text.count('method="post"') == 1  # signing out
        aq.post(f"{base}/{path}", {"title": "x"}, status=403)
    aq.get(f"{base}/parts/new", status=403)
    aq.post(f"{base}/parts", PART, status=403)
    aq.post(f"{base}/revisions/{revision_id}/pieces", {"count": "1"}, status=403)
    browser.as_(team.SK).post(f"{base}/revisions/{revision_id}/state", {"state": "in test"}, status=403)
    browser.as_(None).get(f"{base}/parts", status=200)  # the sign-in page
