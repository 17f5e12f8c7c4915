"""Pages of the bench: from a characteristic to a reading that moves the sheet, in words; what can't be is refused at its field."""

import pytest
from sqlalchemy import select

from app.bench.models import Chain, Characteristic, ExpectedEffect, Fit, Gauge, GaugeStudy, ReadingSet, SetReading
from app.bench.words import Kind
from tests import fixture
from tests.bench import steps
from tests.pages import text_of


@pytest.fixture
def w(db):
    return fixture.s03(db)


def only(db, model):
    db.rollback()  # what a page stored since is seen by a fresh read only
    (found,) = db.scalars(select(model)).all()
    return found


def study_text(spread=0.02):
    lines = ["operator,piece,trial,value"]
    for o, shift in (("SK", 0.0), ("RT", 0.003)):
        for p, size in (("#1", 4.46), ("#2", 4.5), ("#3", 4.53)):
            lines += [f"{o},{p},{k},{size + shift + spread * (k - 1):.3f}" for k in (1, 2)]
    return "\n".join(lines)


def test_an_empty_gauge_log_says_what_to_do_first(browser, w):
    browser.as_(w.team.RT)
    told = text_of(browser.get(w.path("/gauge-log"), max_queries=12).text)
    assert "First say what: a characteristic of a part with its limits" in told
    assert "None yet: readings need a gauge" in told


def test_from_nothing_to_a_reading_that_moves_the_sheet(db, browser, w):
    browser.as_(w.team.RT)
    part = steps.part_id(db, w)
    browser.get(w.path(f"/characteristics/new?part_id={part}"), max_queries=12)
    browser.post(w.path("/characteristics"), {"part_id": part, "kind": "thickness", "lower": "4,45", "upper": "4.55 mm",
                                              "revision_id": w.q.revisions["t45"]})  # fmt: skip
    own = only(db, Characteristic)
    assert own.name == "thickness"
    browser.as_(w.team.SK)
    form = browser.get(w.path(f"/characteristics/{own.id}/readings"), max_queries=12).text
    assert "No gauge here reads mm" in text_of(form)
    browser.post(w.path("/gauges"), {"name": "micrometer 1", "unit": "mm", "resolution": "10 µm", "standard_uncertainty": "0,005",
                                     "lowest": "0", "highest": "25"})  # fmt: skip
    gauge = only(db, Gauge)
    assert (gauge.resolution, gauge.standard_uncertainty, gauge.typed["resolution"]) == (0.01, 0.005, "10 µm")
    piece = w.q.pieces["t45"][0]
    assert f'value="{piece}" selected' in browser.get(w.path(f"/characteristics/{own.id}/readings?piece_id={piece}"), max_queries=12).text
    posted = {"piece_id": piece, "gauge_id": gauge.id, "readings": "4,32 4.31; 4.32\n4.33 4.32", "temperature": "21"}
    told = text_of(browser.post(w.path(f"/characteristics/{own.id}/readings"), posted).text)
    assert "4.320 + 0.013 = 4.333 mm, limits 4.45 to 4.55: fail." in told
    assert "1 run with FST-t45 r1 #1 does not count: piece out of tolerance." in told
    assert "4,32; 4.31; 4.32; 4.33; 4.32" in told  # as typed
    db.rollback()
    assert db.scalars(select(SetReading).order_by(SetReading.place)).first().raw == "4,32"
    browser.as_(w.team.RT)
    sheet = text_of(browser.get(w.path(f"/questions/{w.question_id}/sheet")).text)
    assert "Out of tolerance FST-t45 r1 #1, thickness: 4.320 ± 0.013 mm (limits 4.45 to 4.55 mm)." in sheet
    assert "t45: the panel reading was favours adopt and is now not enough evidence" in sheet
    assert "S-01/R-02 AQ : piece out of tolerance" in sheet
    for path in ("/gauge-log", f"/characteristics/{own.id}", f"/pieces/{piece}/readings", f"/reading-sets/{only(db, ReadingSet).id}",
                 f"/questions/{w.question_id}/sheet"):  # fmt: skip
        browser.get(w.path(path), max_queries=12)


def test_a_slipped_comma_is_asked_about_and_nothing_is_stored(db, browser, w):
    own, gauge = steps.thickness(db, w)
    browser.as_(w.team.SK)
    posted = {"piece_id": w.q.pieces["t45"][0], "gauge_id": gauge, "readings": "4.50 45.0 4.51"}
    answer = browser.post(w.path(f"/characteristics/{own}/readings"), posted, status=422)
    assert "Readings: reading 2, 45 mm? Did you mean 4.5?" in text_of(answer.text)
    assert "4.50 45.0 4.51" in answer.text
    assert 'name="readings_sure"' in answer.text
    assert db.scalars(select(ReadingSet)).all() == []
    db.rollback()
    browser.post(w.path(f"/characteristics/{own}/readings"), {**posted, "readings_sure": "yes"})
    assert len(db.scalars(select(SetReading)).all()) == 3


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"readings": ""}, "Readings: this is needed"), ({"readings": "1.250,5"}, "type it like 0.15 or 0,15"),
        ({"readings": "30"}, "30 lies outside the range of G-01: 0 to 25 mm"), ({"piece_id": "999"}, "is not one of the choices"),
        ({"taken": "after"}, "Before or after, and which session, go together"), ({"measured_at": "2099-01-01T10:00"}, "has not come yet"),
        ({"temperature": "warm"}, "can't be read as a number"),
    ],
)  # fmt: skip
def test_what_can_be_no_set_is_refused_at_its_field(db, browser, w, more, said):
    own = steps.characteristic(db, w)
    gauge = steps.gauge(db, w, lowest=0.0, highest=25.0)
    browser.as_(w.team.SK)
    posted = {"piece_id": w.q.pieces["t45"][0], "gauge_id": gauge, "readings": "4.5 4.5", **more}
    answer = browser.post(w.path(f"/characteristics/{own}/readings"), posted, status=422)
    assert said in text_of(answer.text)
    assert db.scalars(select(ReadingSet)).all() == []


def test_a_retired_gauge_takes_no_reading_and_says_why(db, browser, w):
    own, gauge = steps.thickness(db, w)
    browser.as_(w.team.SK)
    browser.post(w.path(f"/gauges/{gauge}/retire"), {"why": "it was dropped"})
    assert "retired: it was dropped" in text_of(browser.get(w.path("/gauges"), max_queries=12).text)
    answer = browser.post(w.path(f"/gauges/{gauge}/retire"), {"why": "it was dropped"}, status=409)
    assert "retired already" in text_of(answer.text)
    assert "No gauge here reads mm" in text_of(browser.get(w.path(f"/characteristics/{own}/readings")).text)


def test_limits_set_anew_ask_why_and_notice_a_stale_page(db, browser, w):
    own, _ = steps.thickness(db, w)
    browser.as_(w.team.RT)
    path = w.path(f"/characteristics/{own}/limits")
    answer = browser.post(path, {"lower": "4", "upper": "5", "reason": "x", "version": "1"}, status=422)
    assert "At least 5 characters" in text_of(answer.text)
    assert "is above the upper limit" in text_of(
        browser.post(path, {"lower": "5", "upper": "4", "reason": "wider drawing", "version": "1"}, status=422).text)  # fmt: skip
    browser.post(path, {"lower": "4", "upper": "5", "reason": "wider drawing", "version": "1"})
    told = text_of(browser.post(path, {"lower": "3", "upper": "5", "reason": "wider still", "version": "1"}, status=409).text)
    assert "set anew while this page was open" in told
    assert "wider drawing" in told


def test_paired_limits_drift_and_a_batch_are_on_one_page(db, browser, w):
    play = steps.characteristic(db, w, Kind.PLAY, upper=0.10)
    torque = steps.characteristic(db, w, Kind.BREAKAWAY, upper=8.0, paired_with_id=play)
    dial, scale = steps.gauge(db, w, "dial", u=0.002), steps.gauge(db, w, "torque gauge", "N·mm", 0.1, 0.1)
    for n, piece in enumerate(w.q.pieces["t45"]):
        steps.read(db, w, play, dial, piece, [0.04 + 0.01 * n] * 5, hour=8)
        steps.read(db, w, torque, scale, piece, [7.0 - n] * 5, hour=8)
    steps.read(db, w, play, dial, w.q.pieces["t45"][0], [0.06] * 5, hour=20)
    browser.as_(w.team.RT)
    for own in (play, torque):
        answer = browser.get(w.path(f"/characteristics/{own}"), max_queries=12)
        assert answer.text.count("<svg") == (2 if own == play else 1)
    told = text_of(browser.get(w.path(f"/characteristics/{play}")).text)
    assert "95 % interval" in told
    assert "n = 3. That leaves open whether the process holds these limits: too few pieces." in told
    assert "radial play over laps driven" in told


def test_a_study_answers_in_words(db, browser, w):
    own, gauge = steps.thickness(db, w)
    browser.as_(w.team.SK)
    browser.get(w.path(f"/gauge-studies/new?characteristic_id={own}"), max_queries=12)
    posted = {"characteristic_id": own, "gauge_id": gauge, "trials": study_text()}
    told = text_of(browser.post(w.path("/gauge-studies"), posted).text)
    assert "No, this gauge can't see that limit: gauge and operators take up" in told
    browser.post(w.path("/gauge-studies"), {**posted, "trials": study_text(0.0005)})
    assert [row.label for row in db.scalars(select(GaugeStudy))] == ["GS-01", "GS-02"]
    browser.get(w.path("/gauge-studies/2"), max_queries=12)
    browser.post(w.path("/gauge-studies/1/withdraw"), {"why": "wrong gauge"})
    assert "wrong gauge" in text_of(browser.get(w.path("/gauge-studies/1")).text)


@pytest.mark.parametrize(
    ("trials", "said"),
    [("SK,#1,1", "Line 1"), ("SK,#1,1,x", "can't be read as a number"), ("SK,#1,1,4.5\nSK,#1,1,4.5", "stands there twice"),
     ("SK,#1,1,4.5", "at least two of each are needed"), (study_text().rsplit("\n", 1)[0], "RT on #3: 1 of 2")],
)  # fmt: skip
def test_a_study_that_is_none_is_refused_with_its_line(db, browser, w, trials, said):
    own, gauge = steps.thickness(db, w)
    browser.as_(w.team.SK)
    answer = browser.post(w.path("/gauge-studies"), {"characteristic_id": own, "gauge_id": gauge, "trials": trials}, status=422)
    assert said in text_of(answer.text)


def test_a_fit_by_code_with_measured_pieces_and_its_angle(db, browser, w):
    """Check values 27 and 28: 4 to 24 µm; the angle of the measured play over 12 mm."""
    bore = steps.characteristic(db, w, Kind.BORE)
    pin = steps.characteristic(db, w, Kind.PIN)
    gauge = steps.gauge(db, w)
    steps.read(db, w, bore, gauge, w.q.pieces["t45"][0], [4.10] * 5)
    steps.read(db, w, pin, gauge, w.q.pieces["t45"][1], [4.00] * 5)
    browser.as_(w.team.RT)
    browser.get(w.path("/fits/new"), max_queries=12)
    posted = {"name": "pin in arm", "nominal_mm": "4", "hole": "H7", "shaft": "g6", "spread_mm": "12", "hole_characteristic_id": bore,
              "shaft_characteristic_id": pin, "seed": "3"}  # fmt: skip
    told = text_of(browser.post(w.path("/fits"), posted).text)
    for words in ("clearance nominal 4 mm, H7 with g6: 4 to 24 µm", "ISO 286-2, read in a public table", "ISO 286-2, from memory",
                  "seed 3", "0.48°"):  # fmt: skip
        assert words in told
    fit = only(db, Fit)
    browser.get(w.path(f"/fits/{fit.id}"), max_queries=12)
    browser.post(w.path(f"/fits/{fit.id}/withdraw"), {"why": "another pin"})
    browser.get(w.path("/fits"), max_queries=12)


@pytest.mark.parametrize(("hole", "said"), [("Z9", "is not in this table"), ("4.00", "One figure alone"), ("h7", "capital one"),
                                            ("12 to 14", "more than 1 mm from the nominal")])  # fmt: skip
def test_a_fit_that_can_not_be_read_is_refused(browser, w, hole, said):
    browser.as_(w.team.RT)
    answer = browser.post(w.path("/fits"), {"name": "x", "nominal_mm": "4", "hole": hole, "shaft": "g6", "seed": "1"}, status=422)
    assert said in text_of(answer.text)


def test_a_chain_and_the_gap_that_is_wanted(db, browser, w):
    """Reference case F-stack-axle: worst case 0.25 to 0.67, root sum of squares 0.340 to 0.580 mm."""
    browser.as_(w.team.RT)
    browser.get(w.path("/chains/new"), max_queries=12)
    lines = "\n".join(("part,direction,nominal,plus,minus", "housing,+,62.0,0.1,0.1", "bearing L,-,12.0,0,0.06",
                       "spacer,−,37.6,0.05,0.05", "bearing R,-1,12,0,0.06"))  # fmt: skip
    posted = {"name": "axle", "lines": lines, "lowest_mm": "0.3", "highest_mm": "0.6", "seed": "1"}
    told = text_of(browser.post(w.path("/chains"), posted).text)
    for words in ("worst case 0.250 0.670 not inside", "root sum of squares 0.340 0.580 inside", "less than one of a million"):
        assert words in told
    assert only(db, Chain).typed.splitlines()[1] == "housing,+,62.0,0.1,0.1"
    answer = browser.post(w.path("/chains"), {"name": "axle", "lines": "housing,up,62,0,0", "seed": "1"}, status=422)
    assert "Line 1, “housing,up,62,0,0”. “up” is no direction; + opens the gap, − closes it" in text_of(answer.text)


@pytest.mark.parametrize(
    ("kind", "figures", "said"),
    [("round pin or bar", {"before": "3", "after": "4"}, "bending stiffness × 3.16, strength × 2.37"),
     ("flat plate", {"before": "3,5", "after": "4"}, "bending stiffness × 1.49, strength × 1.31"),
     ("anti-roll bar", {"before": "1.2", "after": "1.4"}, "rate × 1.85"),
     ("coil spring", {"before": "1.2", "after": "1.2", "coil_before": "14", "coil_after": "16", "turns_before": "6", "turns_after": "6"},
      "Rate × 0.67"),
     ("stiffness of a bar", {"before": "3", "length": "80", "modulus": "205000", "force": "10"},
      "Stiffness 4.78 N/mm at a free end, 2.09 mm"),
     ("Ackermann", {"wheelbase": "257", "track": "160", "inner": "20", "outer": "17"}, "16.53° outside; 17° as built is 86 %")],
)  # fmt: skip
def test_an_expected_effect_is_worked_out_and_noted(db, browser, w, kind, figures, said):
    """Check values 14 to 17 and the cases of stiffness and steering, on the page."""
    browser.as_(w.team.RT)
    browser.get(w.path(f"/expected-effects?kind={kind}"), max_queries=12)
    assert said in text_of(browser.post(w.path("/expected-effects"), {"kind": kind, **figures}).text)
    assert db.scalars(select(ExpectedEffect)).all() == []
    db.rollback()
    told = text_of(browser.post(w.path("/expected-effects"), {"kind": kind, **figures, "variant_id": w.q.variants["t45"]}).text)
    assert f"Q-01 t45: {kind}" in told
    assert said in told
    effect = only(db, ExpectedEffect)
    browser.post(w.path(f"/expected-effects/{effect.id}/withdraw"), {"why": "wrong wire"})
    assert "withdrawn: wrong wire" in text_of(browser.get(w.path("/expected-effects"), max_queries=12).text)


def test_an_effect_without_a_figure_or_with_a_zero_is_refused(browser, w):
    browser.as_(w.team.RT)
    answer = browser.post(w.path("/expected-effects"), {"kind": "flat plate", "before": "3"}, status=422)
    assert "After: this is needed" in text_of(answer.text)
    answer = browser.post(w.path("/expected-effects"), {"kind": "flat plate", "before": "0", "after": "3"}, status=422)
    assert "The before must be above 0" in text_of(answer.text)


def test_a_driver_reads_and_notes_nothing(db, browser, w):
    own, _ = steps.thickness(db, w)
    browser.as_(w.team.AQ)
    told = text_of(browser.get(w.path(f"/characteristics/{own}"), max_queries=12).text)
    assert "Note readings" not in told
    browser.get(w.path(f"/characteristics/{own}/readings"), status=403)


def test_a_revisions_pieces_are_on_one_page_and_the_log_is_shown_of_one_part(db, browser, w):
    own, gauge = steps.thickness(db, w)
    browser.as_(w.team.RT)
    revision, part = w.q.revisions["t45"], steps.part_id(db, w)
    empty = text_of(browser.get(w.path(f"/revisions/{revision}/readings"), max_queries=12).text)
    assert "No piece of FST-t45 r1 was gauged yet" in empty
    for piece, value in zip(w.q.pieces["t45"], (4.50, 4.51, 4.32), strict=True):
        steps.read(db, w, own, gauge, piece, [value] * 5)
    told = text_of(browser.get(w.path(f"/revisions/{revision}/readings"), max_queries=12).text)
    for words in ("#3 fail 4.320 ± 0.012 mm, n = 5", "thickness 3 Cpk", "95 % interval −", "3 sets, newest first"):
        assert words in told
    assert "no such" in text_of(browser.get(w.path("/revisions/999/readings"), status=404).text).casefold()
    log = text_of(browser.get(w.path(f"/gauge-log?part_id={part}"), max_queries=12).text)
    assert "Only FST" in log
    assert "FST-t45 r1 #3, thickness" in log
    browser.get(w.path("/gauge-log?part_id=999"), status=404)
    browser.get(w.path("/gauge-log?part_id=x"))  # no number: the whole log
    assert "Gauge log of FST" in text_of(browser.get(w.path(f"/parts/{part}")).text)
    assert "Gauge readings of FST-t45 r1" in text_of(browser.get(w.path(f"/revisions/{revision}")).text)


def test_expected_effects_of_one_question(db, browser, w):
    browser.as_(w.team.RT)
    assert "What is expected of them by mechanics" in text_of(browser.get(w.path(f"/questions/{w.question_id}"), max_queries=12).text)
    own = browser.get(w.path(f"/expected-effects?question_id={w.question_id}&kind=flat+plate"), max_queries=12).text
    assert "With variants of Q-01" in text_of(own)
    posted = {"kind": "flat plate", "question_id": w.question_id, "before": "4", "after": "4.5", "variant_id": w.q.variants["t45"]}
    answer = browser.post(w.path("/expected-effects"), posted)
    assert f"question_id={w.question_id}" in str(answer.url)
    assert "Q-01 t45: flat plate 4 to 4.5 mm: bending stiffness × 1.42, strength × 1.27." in text_of(answer.text)
    browser.get(w.path("/expected-effects?question_id=999"), status=404)
