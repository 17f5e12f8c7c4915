import pytest

from app.concerns import queries
from app.concerns.models import Danger
from tests import make
from tests.concerns.make_concerns import WORDS, concern
from tests.pages import text_of
from tests.parts import make_parts


@pytest.fixture
def team(db):
    return make.programme(db)


@pytest.fixture
def base(team):
    return f"/programmes/{team.id}"


TYPED = {"words": WORDS, "danger": "marginal", "product_severity": "5"}


def test_list_concerns_says_what_to_do_first(browser, team, base):
    page = browser.as_(team.AQ).get(f"{base}/concerns", max_queries=5)
    assert "say it now: anybody may, in a sentence" in text_of(page.text)


def test_a_driver_raises_a_concern_in_three_answers(browser, team, base):
    aq = browser.as_(team.AQ)
    page = aq.get(f"{base}/concerns/new", max_queries=8)
    shown = text_of(page.text)
    assert "Stop, make safe, tell people first, record second." in shown
    assert "stops_freeze" not in page.text
    shown = text_of(aq.post(f"{base}/concerns", {**TYPED, "danger": "critical"}).text)
    for words in ("Concern raised.", "C-01 The 2.5 mm pin bends", "yes, by rule", "5 of 10", "Stop, make safe"):
        assert words in shown
    listed = text_of(aq.get(f"{base}/concerns", max_queries=5).text)
    assert "1 concern stops the freeze: C-01." in listed
    assert "None is closed." in text_of(aq.get(f"{base}/concerns?show=closed").text)
    aq.get(f"{base}/concerns?show=%00'")


def test_show_new_concern_knows_the_page_it_came_from(browser, db, team, base):
    part_id = make_parts.tower(db, team.RT)
    revision_id = make_parts.revision(db, team.RT, part_id)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    run_id = make_parts.run_with(db, team.RT, piece_id)
    aq = browser.as_(team.AQ)
    page = aq.get(
        f"{base}/concerns/new?question_id=&run_id={run_id}&revision_id={revision_id}&piece_id={piece_id}", max_queries=8
    )
    for chosen in (f'"{run_id}" selected>S-03 R-04, RT, car 1', ">FST-t45 r1<", ">FST-t45 r1 #1<"):
        assert chosen in page.text
    page = aq.post(f"{base}/concerns", {**TYPED, "run_id": run_id, "piece_id": piece_id})
    shown = text_of(page.text)
    for words in ("FST-t45 r1 #1", "S-03 R-04", "its session is still open"):
        assert words in shown


@pytest.mark.parametrize(
    "query", ["revision_id=999", "piece_id=x", "run_id=-1", "question_id=" + "9" * 40, "run_id=%00"]
)
def test_show_new_concern_about_nothing_known_is_not_found(browser, team, base, query):
    browser.as_(team.AQ).get(f"{base}/concerns/new?{query}", status=404)


def test_the_page_says_that_a_new_drawing_closes_nothing(browser, db, team, base):
    concern_id = concern(db, team.AQ, severity=8)
    shown = text_of(browser.as_(team.RT).get(f"{base}/concerns/{concern_id}", max_queries=12).text)
    assert "A new drawing closes nothing" in shown
    assert "No closing rule yet" in shown


def test_a_concern_is_triaged_remarked_closed_and_opened_again(browser, db, team, base):
    concern_id = concern(db, team.AQ)
    at = f"{base}/concerns/{concern_id}"
    rt = browser.as_(team.RT)
    page = rt.post(
        f"{at}/triage",
        {"danger": "marginal", "product_severity": "8", "owner_id": str(team.RT.account_id), "edition": "1"},
    )
    shown = text_of(page.text)
    assert "product 5 → 8 of 10" in shown
    assert "owner nobody → RT" in shown
    assert "stops the freeze" in shown
    browser.as_(team.DH).post(f"{at}/remarks", {"text": "Seen on car 3 too."})
    closing = {"kind": "lived with under concession", "reason": "31 hits on r3, none bent", "edition": "2", "until": "2099-04-30",
               "scope": "carpet tests, cars 1 and 2"}  # fmt: skip
    rt = browser.as_(team.RT)
    assert "“Seen on car 3 too.”" in text_of(rt.get(at).text)
    rt.post(f"{at}/close", closing, status=403)
    rt = browser.as_(team.OW)
    shown = text_of(rt.post(f"{at}/close", closing).text)
    assert "closed it: lived with under concession" in shown
    assert "carpet tests, cars 1 and 2" in shown
    assert "no, it is closed" in shown
    shown = text_of(rt.post(f"{at}/close", closing, status=409).text)
    assert "is closed already" in shown
    shown = text_of(rt.post(f"{at}/reopen", {"reason": "bent again on a flat landing", "edition": "3"}).text)
    assert "opened it again; it had been closed as “lived with under concession”" in shown


def test_a_stale_triage_shows_what_stands_beside_what_was_chosen(browser, db, team, base):
    concern_id = concern(db, team.AQ)
    rt = browser.as_(team.RT)
    sent = {"danger": "marginal", "product_severity": "6", "edition": "1"}
    rt.post(f"{base}/concerns/{concern_id}/triage", sent)
    page = rt.post(f"{base}/concerns/{concern_id}/triage", {**sent, "product_severity": "8"}, status=409)
    shown = text_of(page.text)
    assert "Somebody else changed C-01" in shown
    assert "6: an adjustment or comfort function is lost 8: the car stops" in shown
    assert 'name="edition" value="2"' in page.text


def test_letting_a_blocker_go_is_refused_with_the_rule(browser, db, team, base):
    concern_id = concern(db, team.AQ, severity=8)
    sent = {"danger": "marginal", "product_severity": "8", "edition": "1"}
    page = browser.as_(team.OW).post(f"{base}/concerns/{concern_id}/triage", sent, status=422)
    assert "stops the freeze until it is closed. Close it with its evidence instead." in text_of(page.text)


@pytest.mark.parametrize(
    "kind, needed",
    [
        ("shown cured on a later revision", "Name the later revision"),
        ("same as another concern", "Choose the concern"),
        ("belongs to another part", "Choose the part’s revision, and a new concern is raised on it"),
        ("lived with under concession", "Give the day"),
        ("did not recur", "has no closing rule"),
        ("a new drawing was issued", "is not one of the choices"),
    ],
)
def test_a_close_that_names_too_little_is_refused_at_its_field(browser, db, team, base, kind, needed):
    concern_id = concern(db, team.AQ)
    sent = {"kind": kind, "reason": "twelve clean hits", "edition": "1"}
    page = browser.as_(team.OW).post(f"{base}/concerns/{concern_id}/close", sent, status=422)
    assert needed in text_of(page.text)
    assert "twelve clean hits" in page.text
    db.rollback()
    assert queries.get_concern_row(db, team.id, concern_id).open


BAD = [
    ("words", "", "this is needed"),
    ("words", "x" * 1_000_000, "at most 4 000"),
    ("words", "\u200b\u200b", "nothing readable"),
    ("words", "a\u202eb", "U+202E"),
    ("danger", "", "this is needed"),
    ("danger", "awful", "is not one of the choices"),
    ("product_severity", "11", "is not one of the choices"),
    ("revision_id", "77", "is not one of the choices"),
    ("run_id", "9" * 40, "is not one of the choices"),
    ("question_id", "1 OR 1=1", "is not one of the choices"),
]


@pytest.mark.parametrize("name, value, sentence", BAD, ids=range(len(BAD)))
def test_what_cant_be_a_concern_is_refused_at_its_field(browser, db, team, base, name, value, sentence):
    page = browser.as_(team.AQ).post(f"{base}/concerns", {**TYPED, name: value}, status=422)
    assert sentence in text_of(page.text)
    assert queries.list_concerns(db, team.id) == []


@pytest.mark.parametrize("number", ["999", "0", "-1", "9" * 40, "x"])
def test_a_concern_that_is_not_here_is_a_page_not_a_fault(browser, team, base, number):
    browser.as_(team.AQ).get(f"{base}/concerns/{number}", status=404)
    browser.as_(team.RT).post(f"{base}/concerns/{number}/close", {"kind": "did not recur"}, status=404)


@pytest.mark.parametrize("edition", ["", "abc", "9" * 30, "²"])
def test_an_altered_edition_is_a_conflict_and_nothing_worse(browser, db, team, base, edition):
    concern_id = concern(db, team.AQ)
    sent = {"danger": "marginal", "product_severity": "5", "edition": edition}
    browser.as_(team.RT).post(f"{base}/concerns/{concern_id}/triage", sent, status=409)


def test_another_programmes_concern_is_not_found(browser, db, team, base):
    concern_id = concern(db, team.AQ)
    other = make.programme(db, name="Merrow")
    rt = browser.as_(other.RT)
    at = f"/programmes/{other.id}/concerns/{concern_id}"
    rt.get(at, status=404)
    rt.get(f"{base}/concerns/{concern_id}", status=404)
    for act in ("remarks", "triage", "close", "reopen"):
        rt.post(
            f"{at}/{act}",
            {"text": "x", "danger": "marginal", "product_severity": "5", "edition": "1", "reason": "x" * 20},
            status=404,
        )


def test_a_driver_may_remark_but_not_judge(browser, db, team, base):
    concern_id = concern(db, team.AQ)
    page = browser.as_(team.DH).get(f"{base}/concerns/{concern_id}", max_queries=12)
    assert page.text.count('method="post"') == 2  # signing out, remark
    for act in ("triage", "close", "reopen"):
        browser.as_(team.DH).post(f"{base}/concerns/{concern_id}/{act}", {}, status=403)
    browser.as_(team.AQ).post(f"{base}/concerns", {**TYPED, "words": "other", "stops_freeze": "yes"}, status=403)


def test_a_rater_reads_the_danger_at_once_and_the_rest_later(browser, db, team, base):
    revision_id = make_parts.revision(db, team.RT, make_parts.tower(db, team.RT))
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    run_id = make_parts.run_with(db, team.RT, piece_id, drivers=(team.AQ.account_id, team.DH.account_id))
    mild = concern(db, team.AQ, "the thick one pushes", run_id=run_id, piece_id=piece_id)
    danger = concern(db, team.AQ, "the pack is swollen", Danger.CATASTROPHIC, run_id=run_id)
    dh = browser.as_(team.DH)
    listed = text_of(dh.get(f"{base}/concerns", max_queries=5).text)
    assert "Withheld from you" in listed
    assert "the thick one" not in listed
    assert "FST-t45 r1 #1" not in listed
    assert "the pack is swollen" in listed
    assert "the thick one" not in dh.get(f"{base}/concerns/{mild}").text
    assert "the pack is swollen" in dh.get(f"{base}/concerns/{danger}").text
    assert "the thick one pushes" in browser.as_(team.RT).get(f"{base}/concerns/{mild}").text
