"""What is refused, what is hashed, and that a sheet stored as JSON reads back equal. No source: our own form."""

import json
import subprocess
import sys
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.evidence import inputs
from app.evidence.inputs import Evidence, EvidenceError, Goal, Mark, Must, Question, Rule, Scale
from app.evidence.storing import sheet_from_json, to_json
from app.evidence.story import roll_up
from tests.evidence.make import evidence, fixture_marks, question

GOOD = Mark("AQ", "S-03", "R-01", "t40", "precision", 6.0, clock_min=0.0)


@pytest.mark.parametrize("module", ["inputs", "results", "refusals"])
def test_inputs_and_results_import_neither_numpy_nor_scipy(module):
    code = f"import app.evidence.{module}, sys; print([m for m in ('numpy', 'scipy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_core_does_not_load_scipys_slow_parts():
    code = "import app.evidence.story, sys; print(sorted(m for m in sys.modules if m.startswith('scipy')))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    "change, field",
    [
        ({"rating": float("nan")}, "rating"),
        ({"rating": float("inf")}, "rating"),
        ({"rating": 10.5}, "rating"),
        ({"rating": 6.3}, "rating"),
        ({"variant": "t99"}, "variant"),
        ({"attribute": "colour"}, "attribute"),
        ({"clock_min": float("nan")}, "clock_min"),
    ],
)
def test_a_mark_that_makes_no_sense_is_refused_with_a_sentence(change, field):
    with pytest.raises(EvidenceError) as refused:
        evidence([replace(GOOD, **change)])
    assert refused.value.field.startswith(field)
    assert refused.value.reason.endswith(".")


def test_two_counted_marks_for_one_run_are_refused_unless_one_is_spoiled():
    twice = replace(GOOD, rating=7.0)
    with pytest.raises(EvidenceError, match="two counted marks"):
        evidence([GOOD, twice])
    assert len(evidence([GOOD, replace(twice, spoiled=("filed twice",))]).marks) == 2


@pytest.mark.parametrize(
    "build",
    [
        lambda: question(goals=()),
        lambda: question(goals=(Goal("precision", 0.5),)),
        lambda: question(goals=(Goal("colour"),)),
        lambda: question(musts=(Must("precision", -1.0),)),
        lambda: question(worthwhile=0.0),
        lambda: question(drivers=0),
        lambda: question(blind_share=1.5),
        lambda: Question("t0", ("t40", "t45"), {"precision": Scale()}, Rule(goals=(Goal("precision"),))),
        lambda: Question("t40", ("t40",), {"precision": Scale()}, Rule(goals=(Goal("precision"),))),
        lambda: Scale(1, 10, 0.7),
        lambda: Scale(10, 1),
        lambda: Scale(-3, 5, 1, "ideal_zero"),
    ],
)
def test_a_rule_or_scale_that_makes_no_sense_is_refused(build):
    with pytest.raises(EvidenceError):
        build()


@pytest.mark.parametrize(
    "scale, unit, categories, worthwhile",
    [
        (Scale(), 1.0, 10, 0.5),
        (Scale(1, 10, 0.5), 1.0, 19, 0.5),
        (Scale(0, 100, 5), 100 / 9, 21, 50 / 9),
        (Scale(-5, 5, 1, "ideal_zero"), 1.0, 6, 1.0),
    ],
)
def test_scale_units(scale, unit, categories, worthwhile):
    """r = (highest - lowest) / 9; ideal at zero is modelled as a distance 0..highest: common practice, no source."""
    assert (scale.unit_r, scale.categories, scale.default_worthwhile) == (unit, categories, worthwhile)


@settings(max_examples=30, deadline=None)
@given(st.permutations(fixture_marks()))
def test_the_fingerprint_does_not_depend_on_row_order(rows):
    assert evidence(rows).fingerprint() == evidence().fingerprint()


@pytest.mark.parametrize(
    "other",
    [
        lambda: evidence([replace(fixture_marks()[0], rating=6.5), *fixture_marks()[1:]]),
        lambda: evidence([replace(fixture_marks()[0], open_label=True), *fixture_marks()[1:]]),
        lambda: evidence(worthwhile=0.75),
        lambda: evidence(fixture_marks()[1:]),
        lambda: replace(evidence(), lap_guard_worse=("t45",)),
    ],
)
def test_the_fingerprint_changes_with_any_fact(other):
    assert other().fingerprint() != evidence().fingerprint()


def test_the_fingerprint_changes_with_the_method(monkeypatch):
    before = evidence().fingerprint()
    monkeypatch.setattr(inputs, "METHOD_VERSION", "0.0.0")
    assert evidence().fingerprint() != before


def test_a_whole_number_mark_is_the_same_fact_as_its_float():
    rows = fixture_marks()
    assert evidence([replace(rows[0], rating=6), *rows[1:]]).fingerprint() == evidence(rows).fingerprint()


def test_a_stored_sheet_reads_back_equal():
    sheet = roll_up(evidence())
    assert sheet_from_json(json.loads(json.dumps(to_json(sheet)))) == sheet


def test_nothing_that_is_not_finite_is_ever_stored():
    with pytest.raises(ValueError, match="finite"):
        to_json({"x": float("nan")})


def test_rivals_are_sorted_after_the_control():
    scrambled = Question("t45", ("t50", "t45", "t40"), {"precision": Scale()}, Rule(goals=(Goal("precision"),)))
    assert scrambled.variants == ("t45", "t40", "t50")
    assert Evidence(scrambled).marks == ()
