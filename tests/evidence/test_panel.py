"""The panel reading against the written acceptance scenarios and check values of the trade.

Source of the scenario numbers: our own acceptance scenarios 1-10 and check values 8 and 9 (arithmetic, so exact);
the limits themselves (W, drift, two thirds) are common practice, no source.
"""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.evidence.inputs import Evidence, Gate, Goal, Mark, OpenConcern, Question, Rule, Scale
from app.evidence.panel import repeatability, what_the_drivers_said
from tests.evidence.make import FIXTURE, HALF_STEPS, evidence, fixture_marks, outing, question


def reading_of(marks=None, variant="t45", **rule):
    panel = what_the_drivers_said(evidence(marks, **rule))
    return next(reading for reading in panel.readings if reading.variant == variant)


def effects_of(reading):
    return {d.driver: round(d.effect, 10) for d in reading.drivers}


def votes_of(reading):
    return reading.votes_for, reading.votes_none, reading.votes_against


def simple(effects, session="S-03", condition="cold carpet", control=6.0):
    """One mid-point bracket per driver with exactly this effect."""
    return [
        m
        for k, (driver, effect) in enumerate(effects.items())
        for m in outing(
            driver,
            "t40 t45 t40",
            (control, control + effect, control),
            car=str(k),
            session=session,
            condition=condition,
        )
    ]


def test_scenario_1_clear_lead():
    reading = reading_of()
    assert effects_of(reading) == {"AQ": 1.0, "MS": 0.5, "DH": 0.75}
    assert (reading.median, reading.low, reading.high) == (0.75, 0.5, 1.0)
    assert votes_of(reading) == (3, 0, 0)
    assert reading.reading == "favours_adopt"


def test_scenario_2_drivers_conflict():
    reading = reading_of(variant="t50")
    assert effects_of(reading) == {"AQ": 1.25, "MS": 0.25, "DH": -1.5}
    assert reading.median == 0.25
    assert votes_of(reading) == (1, 1, 1)
    assert reading.reading == "drivers_conflict"
    assert reading.sentence.startswith("drivers conflict: AQ for, DH against")
    assert "6.33" not in reading.sentence  # the pooled raw means appear nowhere
    assert "6.28" not in reading.sentence


def test_scenario_3_unequal_spacing():
    marks = outing("AQ", "t40 t45 t40", (6.0, 7.0, 7.0), times=(0.0, 12.0, 36.0))
    (bracket,) = reading_of(marks).brackets
    assert bracket.control == pytest.approx(6 + 1 / 3)
    assert bracket.effect == pytest.approx(2 / 3)


def test_scenario_4_bipolar_trap():
    bipolar = Question(
        "t40", ("t40", "t50"), {"balance": Scale(-5, 5, 1, "ideal_zero")}, Rule(goals=(Goal("balance"),))
    )
    rows = {"AQ": (2, -2, 2), "MS": (3, 2, 3), "DH": (1, 0, 1)}
    marks = [
        m for d, (a, b, c) in rows.items() for m in outing(d, "t40 t50 t40", (a, b, c), attribute="balance", car=d)
    ]
    (reading,) = what_the_drivers_said(Evidence(bipolar, tuple(marks))).readings
    assert sorted(reading.distances) == [0, 2, 2]
    assert reading.mean_distance == pytest.approx(4 / 3)
    assert sorted(reading.directions) == [-2, 0, 2]
    aq = next(b for b in reading.brackets if b.driver == "AQ")
    assert (aq.effect, aq.shift, aq.note) == (0, -4, "changed a lot, no nearer")


def test_scenario_5_loud_driver_has_one_voice():
    loud = [m for k in range(4) for m in simple({"AQ": 1.0}, session=f"S-0{k}")]
    reading = reading_of(loud + simple({"MS": 0.0, "DH": 0.0}))
    assert reading.median == 0.0
    assert votes_of(reading) == (1, 2, 0)
    assert reading.reading == "mixed_retest"
    assert reading.sentence.startswith("mixed: retest")


def test_scenario_6_drift_limits_a_bracket():
    marks = [replace(m, rating=7.0) if m.driver == "DH" and m.clock_min == 24 else m for m in fixture_marks()]
    reading = reading_of(marks)
    limited = next(b for b in reading.brackets if b.driver == "DH")
    assert (limited.drift, limited.state) == (1.5, "limited")
    assert limited.effect == pytest.approx(0.25)  # still visible
    assert sorted(effects_of(reading)) == ["AQ", "MS"]
    assert reading.sentence.startswith("not enough evidence: one more counted bracket from a third driver")


def test_scenario_7_one_variant_only_is_an_unpaired_opinion():
    alone = outing("PL", "t45 t45", (8.0, 8.5), session="S-own", car="9")
    reading = reading_of(fixture_marks() + alone)
    assert [(o.driver, o.marks) for o in reading.unpaired] == [("PL", (8.0, 8.5))]
    assert votes_of(reading) == (3, 0, 0)


def test_scenario_8_better_in_one_condition_only():
    turf = simple({"AQ": 1.0, "MS": 1.0, "DH": 0.5}, session="S-04", condition="turf 19 °C")
    carpet = simple({"AQ": 0.0, "MS": -0.5, "DH": -1.0}, session="S-05", condition="carpet 7 °C")
    reading = reading_of(turf + carpet)
    assert {c.condition: c.reading for c in reading.classes} == {
        "turf 19 °C": "favours_adopt",
        "carpet 7 °C": "favours_reject",
    }
    assert reading.reading == "depends_on_conditions"


def test_scenario_9_no_practical_difference():
    marks = [
        m
        for d, test in (("AQ", 6.25), ("MS", 6.0), ("DH", 5.75))
        for m in outing(d, "t40 t45 t40", (6.0, test, 6.0), car=d)
    ]
    quarter = Question("t40", ("t40", "t45"), {"precision": Scale(1, 10, 0.25)}, Rule(goals=(Goal("precision"),)))
    (reading,) = what_the_drivers_said(Evidence(quarter, tuple(marks))).readings
    assert sorted(effects_of(reading).values()) == [-0.25, 0.0, 0.25]
    assert reading.reading == "no_practical_difference"


def test_no_difference_reads_not_shown_when_the_noise_exceeds_w():
    steps = {"AQ": (5.5, 6.0, 6.5), "MS": (6.5, 6.0, 5.5), "DH": (5.5, 6.0, 6.5)}
    marks = [m for d, given in steps.items() for m in outing(d, "t40 t45 t40", given, car=d)]
    panel = what_the_drivers_said(evidence(marks))
    assert panel.bracket_noise == pytest.approx(0.75**0.5)  # three pairs one mark apart: s = sqrt(1/2), times sqrt(1.5)
    assert panel.readings[0].reading == "not_shown"
    assert "cannot show" in panel.sentences[0]


def test_scenario_10_late_evidence_moves_the_reading():
    late = outing("DH", "t40 t45 t40", (6.0, 4.0, 6.5), session="S-04", car="3", times=(0.0, 12.0, 24.0))
    reading = reading_of(fixture_marks() + late)
    assert effects_of(reading)["DH"] == -0.75
    assert votes_of(reading) == (2, 0, 1)
    assert reading.reading == "drivers_conflict"


def test_scenario_18_could_not_judge_is_no_zero():
    marks = [replace(m, rating=None) if m.driver == "DH" and m.variant == "t45" else m for m in fixture_marks()]
    reading = reading_of(marks)
    assert reading.judges_sentence == "2 of 3"
    assert reading.not_counted == {"could not judge": 1}
    assert reading.median == 0.75  # of AQ and MS


def test_scenario_21_swapped_cars_spoil_both_brackets():
    marks = [
        replace(m, spoiled=("cars swapped",)) if m.clock_min == 36 and m.driver in ("AQ", "MS") else m
        for m in fixture_marks()
    ]
    assert sorted(effects_of(reading_of(marks, "t45"))) == ["AQ", "DH"]
    assert sorted(effects_of(reading_of(marks, "t50"))) == ["DH", "MS"]
    assert {reading_of(marks, v).reading for v in ("t45", "t50")} == {"not_enough"}


def test_scenario_23_day_cut_short():
    marks = [m for m in fixture_marks() if m.clock_min < 48]
    assert sorted(effects_of(reading_of(marks, "t45"))) == ["AQ", "DH"]
    assert sorted(effects_of(reading_of(marks, "t50"))) == ["MS"]
    assert reading_of(marks, "t50").not_counted == {"no closing control": 2}


@pytest.mark.parametrize("between, counted", [(2, True), (3, False)])
def test_a_bracket_holds_at_most_two_test_runs(between, counted):
    variants = " ".join(["t40", *["t45"] * between, "t40"])
    marks = outing("AQ", variants, [6.0] * (between + 2))
    assert bool(reading_of(marks).drivers) is counted


def test_check_value_8_repeatability_of_the_fixture():
    """0.29 mark pooled, 0.35 for one mid-point bracket: arithmetic on the fixture's controls."""
    pooled = repeatability(evidence().marks, question(), "precision")[-1]
    assert pooled.driver is None
    assert round(pooled.s, 2) == 0.29
    assert round(pooled.bracket_noise, 2) == 0.35


def test_check_value_9_hidden_repeats():
    """s = sqrt(sum d^2 / 2n) over three pairs: 0.46."""
    pairs = {"AQ": (6.0, 6.5), "MS": (7.0, 7.0), "DH": (5.5, 6.5)}
    marks = [m for d, pair in pairs.items() for m in outing(d, "t40 t40", pair, car=d)]
    assert round(repeatability(marks, question(), "precision")[-1].s, 2) == 0.46


def test_repeatability_of_a_bipolar_mark_is_that_of_its_distance_from_ideal():
    """+2 then -2 on the control is the same distance twice: s = 0; 3 then -2 differ by one: s = sqrt(1 / 2)."""
    asked = Question("t40", ("t40", "t45"), {"balance": Scale(-5, 5, 1, "ideal_zero")}, Rule(goals=(Goal("balance"),)))
    same, one = (outing("AQ", "t40 t40", pair, attribute="balance") for pair in ((2, -2), (3, -2)))
    assert repeatability(same, asked, "balance")[-1].s == 0
    assert repeatability(one, asked, "balance")[-1].s == pytest.approx(0.5**0.5)


def test_a_failed_gate_or_blocking_concern_reads_blocked_whatever_the_marks():
    base = evidence()
    gate = replace(base, gates=(Gate("20 board hits", False, "t45", "1 crack in 20 board hits"),))
    concern = replace(base, concerns=(OpenConcern("C-01", "t45", blocks=True),))
    for blocked in (gate, concern):
        readings = {r.variant: r for r in what_the_drivers_said(blocked).readings}
        assert readings["t45"].reading == "blocked"
        assert readings["t50"].reading == "drivers_conflict"


def test_secondary_loss_or_slower_laps_stop_favours_adopt():
    scales = {"precision": HALF_STEPS, "forgiveness": HALF_STEPS}
    asked = Question("t40", ("t40", "t45", "t50"), scales, Rule(goals=(Goal("precision"),), secondary=("forgiveness",)))
    worse = [
        m for d, (car, order, _) in FIXTURE.items()
        for m in outing(d, order, [5.0 if v == "t45" else 6.0 for v in order.split()], attribute="forgiveness", car=car)
    ]  # fmt: skip
    (t45, _) = what_the_drivers_said(Evidence(asked, tuple(fixture_marks() + worse))).readings
    assert t45.secondary_medians == {"forgiveness": -1.0}
    assert t45.reading == "mixed_retest"
    slower = replace(evidence(), lap_guard_worse=("t45",))
    assert what_the_drivers_said(slower).readings[0].reading == "mixed_retest"


def test_a_missing_condition_class_and_blind_share_are_named():
    reading = reading_of(conditions=("cold carpet", "warm turf"), blind_share=0.5)
    assert reading.reading == "not_enough"
    assert "on warm turf" in reading.sentence
    opened = [replace(m, open_label=True) for m in fixture_marks()]
    assert "0% of the marks are blind" in reading_of(opened, blind_share=0.5).sentence


@settings(max_examples=40, deadline=None)
@given(st.permutations(fixture_marks()))
def test_the_order_of_rows_changes_nothing(rows):
    assert what_the_drivers_said(evidence(rows)) == what_the_drivers_said(evidence())


@settings(max_examples=30, deadline=None)
@given(st.fixed_dictionaries({d: st.sampled_from([-2.0, -1.0, 0.0, 0.5, 1.5]) for d in FIXTURE}))
def test_a_driver_who_marks_higher_throughout_changes_no_effect(offsets):
    """Invariance: the driver is their own control."""
    moved: list[Mark] = [replace(m, rating=m.rating + offsets[m.driver]) for m in fixture_marks()]
    for variant in ("t45", "t50"):
        assert effects_of(reading_of(moved, variant)) == effects_of(reading_of(variant=variant))
