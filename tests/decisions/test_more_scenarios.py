"""Acceptance scenarios 3 to 10 through the database; figures are arithmetic on the invented marks."""

from datetime import date

from app.decisions import queries
from app.parts.rules import Facts
from app.questions.rules import DeclaredRule, GoalRule
from tests import fixture
from tests.decisions import steps
from tests.fixture import scenes
from tests.pages import text_of


def sheet_text(browser, w, viewer=None):
    html = browser.as_(viewer or w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet"), max_queries=12).text
    return text_of(html)


def one_session(db, w, *driven, day=fixture.DAY, **where):
    """`driven`: (initials, car, order, marks[, minutes])."""
    session_id = fixture.session(db, w, day=day, **where)
    for initials, car, order, marks, *minutes in driven:
        more = {"minutes": minutes[0]} if minutes else {}
        w.drive(db, session_id, initials, car, order, marks, day=day, **more)
    fixture.close(db, w, session_id, day)
    return session_id


def test_3_unequal_spacing_interpolates_the_control_by_start_time(db, browser):
    w = fixture.world(db)
    one_session(db, w, ("AQ", 1, "t40 t45 t40", "6.0 7.0 7.0", [0, 12, 36]))
    (bracket,) = steps.reading(db, w, "t45").brackets
    assert (round(bracket.control, 2), round(bracket.effect, 2)) == (6.33, 0.67)
    shown = sheet_text(browser, w)
    assert "6.33 +0.67" in shown
    assert "6.33 +0.50" not in shown


def test_4_the_bipolar_trap_shows_distances_and_directions_and_never_ideal(db, browser):
    w = fixture.world(db, goal="Mid-corner balance")
    one_session(
        db, w, ("AQ", 1, "t40 t50 t40", "2 -2 2"), ("MS", 2, "t40 t50 t40", "3 2 3"), ("DH", 3, "t40 t50 t40", "1 0 1")
    )
    t50 = steps.reading(db, w, "t50")
    assert sorted(t50.distances) == [0, 2, 2]
    assert round(t50.mean_distance, 2) == 1.33
    of_aq = next(b for b in t50.brackets if b.driver == "AQ")
    assert (of_aq.effect, of_aq.shift, of_aq.note) == (0.0, -4.0, "changed a lot, no nearer")
    shown = sheet_text(browser, w)
    assert "(mean 1.33); marks" in shown
    assert "−2.0" in shown
    assert "+2.0" in shown
    assert "changed a lot, no nearer" in shown
    assert "0.00, ideal" not in shown
    assert "marks, + is nearer ideal" in shown
    assert "points" not in shown.split("What may be concluded")[0]


def test_5_one_loud_driver_is_one_voice(db, browser):
    w = fixture.world(db)
    one_session(
        db,
        w,
        ("AQ", 1, "t40 t45 t40 t45 t40 t45 t40 t45 t40", "6 7 6 7 6 7 6 7 6", [12 * n for n in range(9)]),
        ("MS", 2, "t40 t45 t40", "6 6 6"),
        ("DH", 3, "t40 t45 t40", "6 6 6"),
    )
    t45 = steps.reading(db, w, "t45")
    assert [(d.driver, d.brackets) for d in t45.drivers] == [("AQ", 4), ("DH", 1), ("MS", 1)]
    assert (t45.median, steps.votes(t45), t45.reading) == (0.0, (1, 2, 0), "mixed_retest")
    shown = sheet_text(browser, w)
    assert "t45, 4.5 mm: mixed: retest" in shown
    assert "+0.67" not in shown


def test_6_a_drifting_bracket_is_limited_and_the_missing_one_is_named(db, browser):
    w = fixture.world(db)
    one_session(
        db,
        w,
        ("AQ", 1, "t40 t45 t40", "6 7 6"),
        ("MS", 2, "t40 t45 t40", "7 7.5 7"),
        ("DH", 3, "t40 t45 t40", "5.5 6.5 7"),
    )
    t45 = steps.reading(db, w, "t45")
    limited = next(b for b in t45.brackets if b.driver == "DH")
    assert (limited.state, limited.drift) == ("limited", 1.5)
    assert t45.reading == "not_enough"
    html = browser.as_(w.team.RT).get(w.path(f"/questions/{w.question_id}/sheet")).text
    assert "not enough evidence: one more counted bracket from a third driver" in text_of(html)
    row = next(row for row in html.split("<tr") if ">DH<" in row and "limited" in row)
    assert "is-out" in row
    assert "drift over limit" in row


def test_7_one_variant_only_is_an_unpaired_opinion(db, browser):
    w = fixture.s03(db)
    before = steps.votes(steps.reading(db, w, "t45"))
    one_session(db, w, ("PL", 1, "t45 t45", "8.0 8.5"), day=date(2026, 2, 6), place="Own hall")
    t45 = steps.reading(db, w, "t45")
    assert [(u.driver, u.marks) for u in t45.unpaired] == [("PL", (8.0, 8.5))]
    assert steps.votes(t45) == before
    assert "Unpaired opinion (no control run that day, not counted): PL 8.0, 8.5" in sheet_text(browser, w)


def test_8_better_in_one_condition_only(db, browser):
    w = steps.arms(db)
    cf = steps.reading(db, w, "cf")
    assert cf.reading == "depends_on_conditions"
    assert {c.condition: c.reading for c in cf.classes} == {steps.WARM: "favours_adopt", steps.COLD: "favours_reject"}
    shown = sheet_text(browser, w)
    assert "cf, carbon-filled: depends on conditions" in shown
    ruling_id = steps.rule_on(db, w, "cf", w.team.OW, sign=True, scope="turf ≥ 12 °C")
    page = text_of(browser.as_(w.team.OW).get(w.path(f"/rulings/{ruling_id}"), max_queries=12).text)
    assert "turf ≥ 12 °C" in page
    assert "tested at 7 °C and 19 °C only; 12 °C is untested" in page


def test_9_no_practical_difference_shows_the_weight(db, browser):
    w = fixture.world(db)
    scenes.ask(
        db,
        w.season,
        "tower",
        title="Hinge pin: 2.5 or 3.0 mm?",
        part=("P-214", "RHP", "Rear outer hinge pin"),
        goal="Steering precision",
        variants={"p25": ("2.5 mm", Facts(2.9, 1.1)), "p30": ("3.0 mm", Facts(4.0, 1.2))},
        rule=DeclaredRule(goals=(GoalRule(w.season.attributes["Steering precision"]),), worthwhile_hundredths=50),
    )
    one_session(
        db,
        w,
        ("AQ", 1, "p25 p30 p25", "6.0 6.5 6.5"),
        ("MS", 2, "p25 p30 p25", "6.5 6.5 6.5"),
        ("DH", 3, "p25 p30 p25", "6.0 6.0 6.5"),
    )
    p30 = steps.reading(db, w, "p30")
    assert steps.effects(p30) == {"AQ": 0.25, "MS": 0.0, "DH": -0.25}
    shown = sheet_text(browser, w)
    assert "p30, 3.0 mm: no practical difference" in shown
    assert "4 g (+1.1 g)" in shown
    assert "1.2 (+0.1" in shown


def test_10_late_evidence_moves_the_reading_and_not_the_ruling(db, browser):
    w = fixture.s03(db)
    ruling_id = steps.rule_on(db, w, "t45", w.team.OW, sign=True)
    kept = queries.get_ruling(db, w.team.id, ruling_id).snapshot
    steps.again(db, w, "DH", 3, "6.0 4.0 6.5")
    t45 = steps.reading(db, w, "t45")
    assert steps.effects(t45)["DH"] == -0.75
    assert (steps.votes(t45), t45.reading) == ((2, 0, 1), "drivers_conflict")
    db.rollback()
    ruling = queries.get_ruling(db, w.team.id, ruling_id)
    assert (ruling.state, ruling.reading, ruling.snapshot) == ("standing", "favours_adopt", kept)
    shown = sheet_text(browser, w)
    assert "RL-1 adopt , standing; evidence has moved since 15 Feb" in shown
    page = text_of(browser.get(w.path(f"/rulings/{ruling_id}"), max_queries=12).text)
    assert "Evidence has moved since 15 Feb" in page
    assert "what the drivers said: favours adopt" in page
    assert "Votes for / none / against 3 / 0 / 0" in page
    driver_home = text_of(browser.as_(w.team.DH).get(w.path(""), max_queries=12).text)
    assert "Q-01 t45: adopt standing" in driver_home
    browser.as_(w.team.OW).get(w.path(""))  # brings the looks up to date
    assert "evidence has moved" in text_of(browser.get(w.path(""), max_queries=12).text)
