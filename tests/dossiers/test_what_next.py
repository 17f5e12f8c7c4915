"""What next: ranking without a database, and the page. All data is invented; sources: none needed."""

from dataclasses import dataclass
from datetime import date

from app.dossiers.rules import next_lines, shared_controls
from tests import fixture
from tests.pages import text_of


@dataclass
class Asked:
    id: int
    number: int
    decide_by: date | None = None

    @property
    def label(self) -> str:
        return f"Q-{self.number:02d}"


@dataclass
class Line:
    question: Asked
    readings: list


def read(variant, p, runs=12, verdict="retest", sessions=3):
    each = runs // 3
    candidates = [{"drivers": ["AQ", "DH", "MS"], "each": n, "runs": 3 * n, "p": p * n / each} for n in sorted({2, 4, each})]
    ahead = {"sentence": f"One more session settles {variant}.", "sessions": sessions, "candidates": candidates}
    return {"variant": variant, "verdict": verdict, "clause": "gain_not_shown", "nearest": f"Adopt needs more. {ahead['sentence']}",
            "ahead": ahead}  # fmt: skip


EARLY, LATE = Asked(1, 1, date(2026, 3, 1)), Asked(2, 2, date(2026, 6, 1))


def test_the_likeliest_comes_first_and_settled_rivals_are_left_out():
    lines = [Line(EARLY, [read("t45", 0.1), read("t50", 0.9, verdict="adopt")]), Line(LATE, [read("cf", 0.4)])]
    assert [(n.variant, n.p) for n in next_lines(lines, by="chance")] == [("cf", 0.4), ("t45", 0.1)]
    assert [n.variant for n in next_lines(lines, by="date")] == ["t45", "cf"]


def test_by_runs_the_cheapest_settled_question_comes_first():
    lines = [Line(EARLY, [read("t45", 0.3, runs=24)]), Line(LATE, [read("cf", 0.2, runs=12)])]
    for line, variant in zip(next_lines(lines, by="runs"), ("cf", "t45"), strict=True):
        assert line.variant == variant  # 12 runs at .2 are 60 a settled question, 12 at .15 are 80


def test_the_forecast_is_not_said_twice():
    (line,) = next_lines([Line(EARLY, [read("t45", 0.2)])], by="chance")
    assert line.nearest == "Adopt needs more."
    assert line.sentence == "One more session settles t45."


def test_a_chance_of_next_to_nothing_is_told_in_words():
    lines = [Line(EARLY, [read("t45", 0.001), read("t50", 0.2)])]
    assert [(n.variant, n.forecast) for n in next_lines(lines, by="chance")] == [("t50", True), ("t45", False)]


def test_one_car_with_all_controls_saves_control_runs():
    lines = next_lines([Line(EARLY, [read("t45", 0.2), read("t50", 0.1)]), Line(LATE, [read("cf", 0.4, runs=24)])], by="chance")
    shared = shared_controls([(1, "t40"), (2, "ny")], lines)
    assert shared.parts == [("Q-01", "t40"), ("Q-02", "ny")]
    assert (shared.apart, shared.together) == (6 + 6, 6)
    assert shared_controls([(1, "t40")], lines[:0]) is None


def test_a_rival_that_nobody_tried_has_no_forecast():
    bare = {"variant": "t45", "verdict": "retest", "clause": "thin", "nearest": "Any verdict needs a driver.", "ahead": None}
    (line,) = next_lines([Line(EARLY, [bare])], by="chance")
    assert (line.runs, line.p, line.sessions, line.nearest) == (0, 0.0, None, "Any verdict needs a driver.")


def test_the_page_says_what_to_do_first_when_nothing_is_open(db, browser):
    w = fixture.world(db)
    browser.as_(w.team.RT).get(w.path("/what-next"))
    shown = text_of(browser.get(w.path("/what-next"), max_queries=12).text)
    assert "Q-01" in shown
    assert "Nothing can be forecast before one driver has tried t45 and t40 in one session." in shown


def test_the_page_ranks_rivals_with_their_chance(db, browser):
    w = fixture.s03(db)
    browser.as_(w.team.RT).get(w.path("/what-next"))
    html = browser.get(w.path("/what-next"), max_queries=12).text
    shown = text_of(html)
    assert "12 runs by AQ, DH, MS" in shown
    assert " chance to settle it with" in shown
    assert "Sorted by chance to settle" in shown
    for order in ("date", "runs", "nonsense"):
        browser.get(w.path(f"/what-next?by={order}"), max_queries=12)
    sheet = text_of(browser.get(w.path(f"/questions/{w.question_id}/sheet"), max_queries=12).text)
    assert "What would settle it" in sheet
    assert "All measures side by side" in sheet
