"""The page "How far to trust this": its figures are those of the file, and it says what it lacks."""

import re

from app.evidence import METHOD_VERSION
from app.trials import RESULTS, report
from tests.pages import text_of
from tests.questions import steps
from tests.trials.conftest import outcomes

# situation: (programmes, of them adopted); the invented team has four drivers
CELLS = {"equal-d3": (400, 8), "equal-d4": (400, 11), "better1-d4": (200, 130), "trap1-d4": (200, 12), "variants3-equal-d3": (150, 9)}


def cells():
    return {name: outcomes(n, adopt=adopted, reject=20) for name, (n, adopted) in CELLS.items()}


def test_the_figures_are_those_of_the_file(db, browser, shown):
    desk = steps.desk(db)
    shown(cells())
    page = browser.as_(desk.team.RT).get(desk.path("/trust"), max_queries=12).text
    words = text_of(page)
    assert "Of 100 questions whose parts are equal, about 2.8 are adopted by mistake within six sessions (n 400" in words
    assert "one point better, about 65 are adopted within four sessions and 65 within six (n 200" in words
    rows = {re.sub(r"<[^>]+>", "|", row) for row in re.findall(r"<tr>.*?</tr>", page)}
    equal4 = next(row for row in rows if "Equal in everything" in row and "4 drivers" in row)
    assert "n&nbsp;400" in equal4
    assert "|2.8 |(1.5–4.9)|" in equal4  # 11 of 400; the range is checked in test_report
    assert "|5 |(3.3–7.6)|" in equal4  # 20 rejected of 400


def test_false_adoptions_of_this_programme(db, browser, shown):
    """One open question of two variants and one of three: 11/400 + 9/150 with four drivers."""
    desk = steps.desk(db)
    shown(cells())
    page_of = browser.as_(desk.team.OW)
    assert "No open question has a rival yet" in text_of(page_of.get(desk.path("/trust")).text)
    steps.asked(db, desk)
    words = text_of(page_of.get(desk.path("/trust"), max_queries=12).text)
    assert "1 open question has a rival. If every rival were equal to its control, about 0.03 would be adopted by mistake" in words
    one = report.expected_false_adoptions(report.read_report(), [2], 4)
    assert (one.number, one.n) == (11 / 400, 400)
    both = report.expected_false_adoptions(report.read_report(), [2, 3], 4)
    assert abs(both.number - (11 / 400 + 9 / 150)) < 1e-12
    assert both.unmeasured == ()
    assert abs(both.of_25 - 12.5 * (11 / 400 + 9 / 150)) < 1e-12
    assert "like these, all equal, would give about 0.7" in words  # 25 * 11 / 400


def test_a_situation_that_was_not_measured_is_named_with_its_command(shown):
    shown(cells())
    lacking = report.expected_false_adoptions(report.read_report(), [2, 4, 6], 1)
    assert lacking.unmeasured == ("equal-d2", "variants4-equal-d3")
    assert lacking.number == 0


def test_without_a_file_the_page_says_what_to_run(db, browser, shown):
    desk = steps.desk(db)
    shown(None)
    words = text_of(browser.as_(desk.team.AQ).get(desk.path("/trust"), max_queries=12).text)
    assert "No campaign has been run" in words
    assert "python -m app campaign" in words
    assert "No real programme was seen" in words


def test_a_file_that_cant_be_read_is_told(db, browser, shown):
    desk = steps.desk(db)
    shown(cells()).write_text('{"cells": {"equal-d3": {}}}')
    words = text_of(browser.as_(desk.team.AQ).get(desk.path("/trust")).text)
    assert "is not a result file of a campaign" in words


def test_figures_of_another_method_are_warned_of(db, browser, shown):
    desk = steps.desk(db)
    shown(cells(), method="0.9.0")
    page = browser.as_(desk.team.RT).get(desk.path("/trust"))
    assert f"figures are of method 0.9.0, but the sheets are made with method {METHOD_VERSION}" in text_of(page.text)
    shown(cells())
    assert "Out of date" not in browser.get(desk.path("/trust")).text


def test_few_programmes_are_told_as_few(db, browser, shown):
    desk = steps.desk(db)
    shown({"equal-d3": outcomes(12, adopt=1)})
    words = text_of(browser.as_(desk.team.RT).get(desk.path("/trust")).text)
    assert "as few as 12 programmes" in words
    assert "n 12" in words


def test_only_people_of_the_programme_see_it(db, browser, shown):
    from tests import make

    desk, other = steps.desk(db), make.programme(db, name="Fellside")
    browser.as_(other.OW).get(desk.path("/trust"), status=404)


def test_the_committed_file_is_of_the_running_method(db, browser):
    """Changed figures of the rule need a new campaign before they are released."""
    stored = report.read_report(RESULTS)
    assert stored is not None
    assert stored.method_version == METHOD_VERSION
    desk = steps.desk(db)
    words = text_of(browser.as_(desk.team.RT).get(desk.path("/trust"), max_queries=12).text)
    assert all(str(s.n) in words for s in stored.situations)
    assert "Out of date" not in words
