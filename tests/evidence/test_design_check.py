"""The confounding check against the written table of designs.

Source: our own table of designs (VIF, n_eff, effective drivers, flags), which follows from least squares by hand for
the balanced rows; the slopes' 5.0 for A-then-B is 1 / (1 - 0.8) at four evenly spaced runs.
"""

from dataclasses import replace

import pytest

from app.evidence.design_check import check_design
from app.evidence.inputs import Evidence, Mark
from tests.evidence.make import pair_question


def plan(order, drivers=3, sessions=3, minutes=10.0, who=None, **extra):
    """`order(d, s)` gives the variants of one outing; all drivers on the same slots."""
    return [
        Mark(f"D{d}", f"S{s}", f"{s}-{d}-{k}", v, "grip", 6.0, clock_min=k * minutes, **extra)
        for s in range(sessions)
        for d in range(drivers)
        for k, v in enumerate(order(d, s))
    ]


def abba(d, s):
    return "ABBA" if (d + s) % 2 == 0 else "BAAB"


def read(marks):
    return check_design(Evidence(pair_question(), tuple(marks)), "B", "grip")


def kinds(reading):
    return {flag.kind for flag in reading.flags}


@pytest.mark.parametrize(
    "order, drivers, sessions, vif1, vif2, n_eff, d_inf, flags",
    [
        (abba, 3, 3, 1.0, 1.0, 36, 3.0, set()),
        (lambda d, s: "ABA", 3, 3, 1.0, 1.0, 24, 3.0, set()),
        (lambda d, s: "ABAB", 3, 3, 1.0, 1.25, 28.8, 3.0, set()),
        (lambda d, s: "AABB", 3, 3, 1.0, 5.0, 7.2, 3.0, {"late_only"}),
        (lambda d, s: "AABB" if s % 2 else "BBAA", 3, 3, 1.0, 5.0, 7.2, 3.0, {"late_only"}),
        (lambda d, s: "AABB", 1, 1, 1.0, 5.0, 0.8, 1.0, {"late_only", "one_driver"}),
        (lambda d, s: ("AAAA", "BBBB")[d], 2, 3, None, None, 0, 0, {"aliased"}),
        (lambda d, s: "AAAA" if s < 2 else "BBBB", 3, 4, None, None, 0, 0, {"aliased"}),
    ],
)
def test_the_table_of_designs(order, drivers, sessions, vif1, vif2, n_eff, d_inf, flags):
    reading = read(plan(order, drivers, sessions))
    near = {"abs": 0.05, "rel": 0.01}
    assert reading.vif_session == (None if vif1 is None else pytest.approx(vif1, **near))
    assert reading.vif_clock == (None if vif2 is None else pytest.approx(vif2, **near))
    assert reading.n_eff == pytest.approx(n_eff, **near)
    assert reading.drivers_eff == pytest.approx(d_inf, **near)
    assert kinds(reading) == flags


def test_aliases_name_the_partner():
    by_driver = read(plan(lambda d, s: ("AAAA", "BBBB")[d], 2, 3)).flags[0].sentence
    by_session = read(plan(lambda d, s: "AAAA" if s < 2 else "BBBB", 3, 4)).flags[0].sentence
    assert "drivers'" in by_driver
    assert "day's" in by_session


def test_only_one_driver_ever_drove_the_rival():
    reading = read(plan(lambda d, s: abba(d, s) if d == 0 else "AAAA"))
    assert reading.vif_session == pytest.approx(5 / 3)  # (6 * 30 / 36) / 3
    assert reading.n_eff == pytest.approx(12)
    assert reading.drivers_eff == pytest.approx(1.0)
    assert kinds(reading) == {"one_driver"}
    assert reading.informative_drivers == ("D0",)


def with_part(marks, fitted):
    return [replace(m, others=(("pin", "steel" if fitted(i, m) else "alu"),)) for i, m in enumerate(marks)]


def test_a_part_always_changed_along_is_an_alias_with_it():
    reading = read(with_part(plan(abba), lambda i, m: m.variant == "B"))
    assert kinds(reading) == {"aliased"}
    assert "pin=steel" in reading.flags[0].sentence
    assert reading.vif_parts is None
    assert abs(reading.part_correlation["pin=steel"]) == pytest.approx(1.0)


@pytest.mark.parametrize(
    "bare, vif, n_eff, d_inf, phi, flags",
    [
        ((2, 6), 7.5, 4.8, 2.3, 0.91, {"inflated", "warning"}),
        ((1, 3, 5, 6, 7, 11), 2.6, 13.6, 2.5, 0.78, {"warning"}),
        ((2, 4, 5, 6, 7, 10, 13, 14, 15), 1.8, 19.6, 3.0, 0.65, set()),
    ],
)
def test_a_part_nearly_always_changed_along_inflates(bare, vif, n_eff, d_inf, phi, flags):
    """The written table does not say which of the 18 rival runs lacked the part: these placements give its rows."""
    marks = plan(abba)
    rivals = [m.run for m in marks if m.variant == "B"]
    without = {rivals[i] for i in bare}
    reading = read(with_part(marks, lambda i, m: m.variant == "B" and m.run not in without))
    found = (reading.vif_parts, reading.n_eff, reading.drivers_eff)
    assert found == pytest.approx((vif, n_eff, d_inf), abs=0.06)
    assert abs(reading.part_correlation["pin=steel"]) == pytest.approx(phi, abs=0.03)
    assert kinds(reading) == flags


def test_new_tyres_for_both_in_one_session_are_harmless():
    reading = read(with_part(plan(abba), lambda i, m: m.session == "S2"))
    assert reading.vif_parts == pytest.approx(1.0)
    assert kinds(reading) == set()


def test_order_sentences():
    always = read(plan(lambda d, s: "AABB")).flags[0].sentence
    both = read(plan(lambda d, s: "AABB" if s % 2 else "BBAA")).flags[0].sentence
    assert "always driven after" in always
    assert "order and track change can't be told apart" in both


def test_a_clock_that_is_not_known_is_said():
    reading = read([replace(m, clock_min=None) for m in plan(abba)])
    assert kinds(reading) == {"warning"}
    assert "not known in 3 sessions" in reading.flags[0].sentence


def test_one_session_with_nearly_all_the_weight():
    marks = plan(abba, 3, 2)
    reading = read([m for m in marks if m.session == "S0" or m.variant == "A"])
    assert "one_session" in kinds(reading)


def test_the_reading_does_not_depend_on_row_order():
    marks = plan(abba)
    assert read(marks[::-1]) == read(marks)
