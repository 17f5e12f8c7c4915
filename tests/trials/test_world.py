"""The simulator against its own stated settings, each with the Monte-Carlo error of the test's own number of draws.

Expected moments are those of the distributions named in `World` (closed forms); a mean of N draws may lie 4 standard
errors off, a standard deviation 4 * sd / sqrt(2 N): one false alarm in about 16,000 checks, and the seeds are fixed.
"""

import math
from collections import Counter, defaultdict
from dataclasses import replace

import numpy as np
import pytest

from app.evidence.rows import LAP_TIME
from app.trials.cells import EASE, HANDLING, all_cells, question_of, truths_of
from app.trials.world import World, generator, noisier, run_order, simulate, up_to_session

QUIET_WORLD = World(
    driver=0, session=0, driver_session=0, driver_variant=0, session_variant=0, halo=0, noise=0, scale_use=0, threshold_jitter=0,
    drift=0, lap_driver=0, lap_session=0, lap_driver_session=0, lap_driver_variant=0, lap_session_variant=0, lap_run=0, lap_noise=0,
    bad_share=0, track=0, track_sd=0, first_laps=(0.0, 0.0), fade=0, absent=0, lost=0,
)  # fmt: skip
HALVES = question_of("handling", step=0.5)
PACE = question_of("pace")


def made(world, number=0, question=HALVES, **improvements):
    return simulate(world, question, truths_of(question, **improvements), generator(7, "tests", number))


def percent(lap):
    return 100 * math.log(lap.time_s / 20.0)


def assert_sd(values, sd):
    assert np.std(values, ddof=1) == pytest.approx(sd, abs=4 * sd / math.sqrt(2 * len(values)))


def assert_mean(values, mean):
    assert np.mean(values) == pytest.approx(mean, abs=4 * np.std(values) / math.sqrt(len(values)))


def test_a_world_without_noise_shows_the_truth_itself():
    """Level 6.3 is marked 6.5 in half steps; one point better 7.5; 0.6 % faster is exp(-.006)."""
    found = made(QUIET_WORLD, handling=1.0, lap_time=0.6)
    marks = {(m.attribute, m.variant): m.rating for m in found.marks}
    assert marks == {(HANDLING, "A"): 6.5, (HANDLING, "B"): 7.5, (EASE, "A"): 6.5, (EASE, "B"): 6.5}
    assert {(x.variant, x.time_s) for x in found.laps} == {("A", 20.0), ("B", round(20 * math.exp(-0.006), 3))}
    assert len(found.marks) == 2 * 3 * 6 * 4
    assert len(found.laps) == 3 * 6 * 4 * 8


@pytest.mark.parametrize(("name", "by"), [("lap_noise", "lap"), ("lap_run", "run"), ("lap_driver_session", "cell"),
                                          ("lap_session", "session"), ("lap_driver", "driver")])  # fmt: skip
def test_each_spread_of_lap_times_is_what_it_says(name, by):
    """Only one source of spread at a time: one draw per lap, run, driver and session, session, driver."""
    values = {}
    world = replace(QUIET_WORLD, **{name: getattr(World(), name)}, drivers=4)
    for number in range(60 if by == "driver" else 15):
        for x in made(world, number, PACE).laps:
            key = {"lap": (x.run, x.lap), "run": x.run, "cell": (x.session, x.driver), "session": x.session, "driver": x.driver}[by]
            assert values.setdefault((number, key), x.time_s) == x.time_s  # nothing else varies
    logs = [100 * math.log(t / 20.0) for t in values.values()]
    assert_mean(logs, 0.0)
    assert_sd(logs, getattr(World(), name))


@pytest.mark.parametrize(("name", "by"), [("lap_driver_variant", "driver"), ("lap_session_variant", "session")])
def test_a_spread_of_the_difference_is_that_of_the_difference(name, by):
    differences = []
    world = replace(QUIET_WORLD, **{name: 0.5}, drivers=4)
    for number in range(80):
        logs = {(getattr(x, by), x.variant): percent(x) for x in made(world, number, PACE).laps}
        differences += [logs[key, "B"] - logs[key, "A"] for key in {key for key, _ in logs}]
    assert_mean(differences, 0.0)
    assert_sd(differences, 0.5)


def ratings(world, programmes, attribute=HANDLING):
    return [m.rating for number in range(programmes) for m in made(world, number).marks if m.attribute == attribute]


@pytest.mark.parametrize("name", ["noise", "halo"])
def test_each_spread_of_ratings_is_what_it_says(name):
    """One draw per mark or run; rounding to half steps adds .5^2 / 12 to the variance (Sheppard 1898, from memory)."""
    found = ratings(replace(QUIET_WORLD, **{name: 1.0}, level=5.5), 15)
    assert_mean(found, 5.5)
    assert_sd(found, math.sqrt(1.0 + 0.25 / 12))


@pytest.mark.parametrize(("name", "by"), [("driver", "driver"), ("session", "session"), ("driver_session", "cell")])
def test_levels_of_drivers_and_days_are_what_they_say(name, by):
    values = {}
    for number in range(150):
        for m in made(replace(QUIET_WORLD, **{name: 0.8}, level=5.5, sessions=3), number).marks:
            key = {"driver": m.driver, "session": m.session, "cell": (m.driver, m.session)}[by]
            values[number, m.attribute, key] = m.rating
    assert_mean(list(values.values()), 5.5)
    assert_sd(list(values.values()), math.sqrt(0.64 + 0.25 / 12))


def test_the_halo_is_shared_by_the_marks_of_a_run_and_noise_is_not():
    """Correlation of the two marks of a run: halo^2 / (halo^2 + noise^2 + rounding)."""
    world = replace(QUIET_WORLD, halo=0.8, noise=0.8, level=5.5)
    pairs = defaultdict(dict)
    for number in range(20):
        for m in made(world, number).marks:
            pairs[number, m.run][m.attribute] = m.rating
    both = np.array([[p[HANDLING], p[EASE]] for p in pairs.values()])
    expected = 0.64 / (1.28 + 0.25 / 12)
    assert np.corrcoef(both.T)[0, 1] == pytest.approx(expected, abs=4 * (1 - expected**2) / math.sqrt(len(both)))


def test_drivers_use_the_scale_more_or_less_widely():
    """Scale use multiplies what a driver feels: with a true gain of 2 the differences spread by 2 x 15 %, their mean stays 2."""
    world = replace(QUIET_WORLD, scale_use=0.15, level=4.0, sessions=1)
    fine = question_of("handling", step=0.1)
    gains = []
    for number in range(120):
        marks = {(m.driver, m.variant): m.rating for m in made(world, number, fine, handling=2.0).marks if m.attribute == HANDLING}
        gains += [marks[d, "B"] - marks[d, "A"] for d in ("D1", "D2", "D3")]
    assert_mean(gains, 2.0)
    assert_sd(gains, 2.0 * math.sqrt(math.expm1(0.15**2)))  # SD of a log-normal of mean 1


def test_laps_are_spoiled_flagged_and_lost_as_often_as_said():
    world = replace(QUIET_WORLD, bad_share=0.07, lost=0.08, absent=0.10)
    laps = [x for number in range(12) for x in made(world, number, PACE).laps]
    bad = [percent(x) for x in laps if x.time_s > 20.1]
    n = len(laps)
    assert len(bad) / n == pytest.approx(0.07, abs=4 * math.sqrt(0.07 * 0.93 / n))
    assert min(bad) >= 0.99
    assert np.mean(bad) == pytest.approx(7.0, abs=4 * 6.0 / math.sqrt(len(bad)))
    flagged = sum(bool(x.flag) for x in laps)
    assert flagged / len(bad) == pytest.approx(0.6, abs=4 * math.sqrt(0.24 / len(bad)))
    assert all(x.time_s > 20.1 for x in laps if x.flag)


def test_drivers_miss_sessions_and_runs_are_lost_as_often_as_said():
    seats, runs = 0, Counter()
    for number in range(60):
        for m in made(World(), number).marks:
            if m.attribute == HANDLING:
                runs[number, m.session, m.driver] += 1
    seats, of = len(runs), 60 * 6 * 3
    there = 0.90 * (1 - 0.08**4)
    assert seats / of == pytest.approx(there, abs=4 * math.sqrt(0.09 / of))
    assert sum(runs.values()) / (4 * seats) == pytest.approx(0.92, abs=4 * math.sqrt(0.92 * 0.08 / (4 * seats)))


def test_the_track_comes_up_and_flatters_what_is_driven_last():
    """First lap of a session against what the settings say: at time t it has moved track * (1 - exp(-t / tau))."""
    world = replace(QUIET_WORLD, track=-1.2, tau_min=(60.0, 60.0), order="A then B")
    for x in made(world, 0, PACE).laps:
        assert percent(x) == pytest.approx(-1.2 * (1 - math.exp(-x.clock_s / 3600)), abs=0.004)  # times are whole milliseconds
    gain = np.mean([percent(x) for x in made(world, 0, PACE).laps if x.variant == "A"]) - np.mean(
        [percent(x) for x in made(world, 0, PACE).laps if x.variant == "B"]
    )
    assert 0.3 < gain < 0.5  # an hour to come up, 34 minutes between the middles: 1.2 * (exp(-.2) - exp(-.8)) is about .4


def test_the_first_laps_are_slow_and_tyres_fade():
    world = replace(QUIET_WORLD, first_laps=(2.5, 0.8), fade=0.06)
    by_lap = {x.lap: percent(x) for x in made(world, 0, PACE).laps}
    assert by_lap[1] == pytest.approx(2.5 - 0.18, abs=0.004)
    assert by_lap[2] == pytest.approx(0.8 - 0.12, abs=0.004)
    assert by_lap[8] == pytest.approx(0.24, abs=0.004)


def test_marks_rise_as_grip_comes_up():
    world = replace(QUIET_WORLD, drift=0.3, tau_min=(60.0, 60.0), level=6.0)
    fine = question_of("handling", step=0.1)
    for m in made(world, 0, fine).marks:
        assert m.rating == pytest.approx(6.0 + 0.3 * (1 - math.exp(-m.clock_min / 60)), abs=0.0501)


def test_orders_are_those_that_were_asked_for():
    rng = np.random.default_rng(1)
    assert [run_order("ABBA", 2, turn, rng) for turn in (0, 1)] == [[0, 1, 1, 0], [1, 0, 0, 1]]
    assert run_order("A then B", 2, 0, rng) == [0, 0, 1, 1]
    assert run_order("A-B-A", 2, 0, rng) == [0, 1, 0]
    assert run_order("A-B-A", 3, 0, rng) == [0, 1, 0, 2, 0]
    assert run_order("ABBA", 3, 0, rng) == [0, 1, 2, 2, 1, 0]
    assert {tuple(sorted(run_order("random", 2, 0, rng))) for _ in range(20)} == {(0, 0, 1, 1)}
    assert len({tuple(run_order("random", 2, 0, rng)) for _ in range(60)}) == math.comb(4, 2)


def test_all_drivers_rotate_on_one_clock():
    starts = sorted({(m.session, m.clock_min, m.driver) for m in made(QUIET_WORLD).marks if m.session == "S1"})
    assert [driver for _, _, driver in starts] == ["D1", "D2", "D3"] * 4
    assert [start for _, start, _ in starts] == pytest.approx([k * (8 * 20 + 180) / 60 for k in range(12)])


def test_condition_classes_change_what_a_part_is_worth():
    world = replace(QUIET_WORLD, classes=("low", "high"), class_effect=2.0)
    marks = {(m.condition, m.variant): m.rating for m in made(world).marks if m.attribute == HANDLING}
    assert marks == {("low", "A"): 6.5, ("low", "B"): 7.5, ("high", "A"): 6.5, ("high", "B"): 5.5}


def test_preferences_follow_the_gain():
    """P(prefers B) = Phi(gain / noise), one choice for each driver and session (Thurstone 1927, case V)."""
    world = replace(QUIET_WORLD, preferences=True)
    choices = [p.preferred for number in range(30) for p in made(world, number, handling=0.5).preferences]
    assert len(choices) == 30 * 18
    assert np.mean([c == "B" for c in choices]) == pytest.approx(0.6915, abs=4 * math.sqrt(0.6915 * 0.3085 / len(choices)))


def test_the_same_name_seed_and_number_give_the_same_programme():
    cell = all_cells()["better1-d3"]
    prints = {}
    for key in [(1, cell.name, 0), (1, cell.name, 0), (2, cell.name, 0), (1, "other", 0), (1, cell.name, 1)]:
        found = simulate(cell.world, cell.question, cell.truths, generator(*key)).fingerprint()
        assert prints.setdefault(key, found) == found
    assert len(set(prints.values())) == 4


def test_a_look_holds_what_was_filed_by_then():
    whole = made(World(preferences=True))
    early = up_to_session(whole, 2)
    for rows, all_rows in ((early.marks, whole.marks), (early.laps, whole.laps), (early.preferences, whole.preferences)):
        assert set(rows) == {row for row in all_rows if row.session in ("S1", "S2")}
        assert 0 < len(rows) < len(all_rows)
    assert up_to_session(whole, 6) == whole


def test_a_noisier_panel_differs_in_noise_alone():
    loud = noisier(World(), 1.5)
    assert (loud.noise, loud.lap_noise, loud.driver_variant) == pytest.approx((1.125, 1.35, 0.6))
    assert (loud.driver, loud.lap_driver, loud.absent) == (World().driver, World().lap_driver, World().absent)


def test_a_truth_must_name_every_rival():
    with pytest.raises(ValueError, match=LAP_TIME):
        simulate(World(), PACE, {LAP_TIME: (0.0, 0.0), EASE: (0.0,)}, generator(1, "x", 0))
