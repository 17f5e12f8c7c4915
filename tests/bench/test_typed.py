"""Every typed form of the bench reads back as what was meant, and no text breaks a reader. Property tests; values are drawn."""

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.bench.rules import quantity_of
from app.bench.typed import read_chain, read_feature, read_readings, read_trials, with_limits
from app.bench.words import PRESETS, Kind
from app.errors import Refused
from app.gauging import iso286
from app.units import LENGTH, PLAY, SIZE, OutOfBand, TypedNumberError, parse_quantity

PARTED = (" ", "; ", "\n", ";", "\t", ", ", "  ", " ;\n")


@st.composite
def number(draw, most=99_999, places=4):
    """A number with the text that somebody types for it: point or comma, never a comma before three digits alone."""
    value = draw(st.decimals(min_value=0, max_value=most, places=draw(st.integers(0, places))))
    text = f"{value:f}"
    if draw(st.booleans()) and len(text.partition(".")[2]) != 3:
        text = text.replace(".", ",")
    return value, text


@st.composite
def sets_of_readings(draw):
    """(kind, text of the whole field, texts of its readings, values in the kind's unit)."""
    kind = draw(st.sampled_from(list(Kind)))
    parts, values = [], []
    for _ in range(draw(st.integers(1, 8))):
        value, text = draw(number())
        alias, factor = draw(st.sampled_from([*PRESETS[kind].quantity.aliases, ("", "1")]))
        parts.append(text + draw(st.sampled_from(["", " "])) * bool(alias) + alias)
        values.append(float(value * type(value)(factor)))
    between = draw(st.sampled_from(PARTED))
    return kind, between.join(parts), parts, values


@given(sets_of_readings())
def test_a_set_reads_back_in_every_unit_however_it_is_parted_and_keeps_each_text(case):
    kind, text, parts, values = case
    found = read_readings(text, quantity_of(kind), sure=True)
    assert [value for _, value in found] == values
    assert [raw for raw, _ in found] == parts
    for raw, value in found:  # what is kept is enough to find the value again
        assert parse_quantity(raw, quantity_of(kind), sure=True) == value


@given(st.text(max_size=60))
def test_no_text_breaks_a_reader_of_the_bench(text):
    for kind in Kind:
        with suppress(TypedNumberError):
            assert all(math.isfinite(value) for _, value in read_readings(text, quantity_of(kind), sure=True))
    with suppress(Refused):
        read_trials(text, SIZE)
    with suppress(Refused):
        read_chain(text, LENGTH)
    for hole in (True, False):
        with suppress(Refused):
            found = read_feature(text, 4.0, hole=hole, field="hole")
            assert found.lower_um <= found.upper_um


@given(st.floats(0.01, 300), st.floats(0.001, 5), st.floats(-1, 2))
def test_a_reading_near_its_limits_is_never_asked_about_and_one_shifted_by_ten_is(lower, width, place):
    upper = lower + width
    near = with_limits(SIZE, lower, upper)
    value = max(0.0, lower + place * width)
    assert read_readings(f"{value:.6f}", near)
    if value * 10 > upper + 11 * width:
        with pytest.raises(OutOfBand):
            read_readings(f"{value * 10:.6f}", near)


@given(st.sampled_from(sorted(iso286.HOLES)), st.sampled_from(sorted(iso286.GRADES)), st.floats(0.5, 30))
def test_limits_of_a_code_read_back_as_deviations_and_as_sizes(letter, grade, nominal):
    nominal = round(nominal, 2)
    code = read_feature(f"{letter}{grade}", nominal, hole=True, field="hole")
    low, high = code.lower_um / 1000, code.upper_um / 1000
    for text in (f"{high:+.4f}/{low:+.4f}", f"{low:+.4f} / {high:+.4f}", f"{high:+.4f}/{low:+.4f}".replace(".", ","),
                 f"{nominal + low:.4f} to {nominal + high:.4f}", f"{code.upper_um:+.1f} µm / {code.lower_um:+.1f} µm"):  # fmt: skip
        found = read_feature(text, nominal, hole=True, field="hole")
        assert (found.lower_um, found.upper_um) == (pytest.approx(code.lower_um), pytest.approx(code.upper_um)), text
        assert found.source == "as typed"


@given(st.floats(0.001, 0.9))
def test_plus_minus_is_symmetric(half):
    found = read_feature(f"±{half:.3f}", 4.0, hole=False, field="shaft")
    assert found.upper_um == -found.lower_um == pytest.approx(round(half, 3) * 1000)


@st.composite
def chains(draw):
    """(lines, what they say): decimal points parted by commas, decimal commas by semicolons."""
    comma = draw(st.booleans())
    lines, links = [], []
    for n in range(draw(st.integers(1, 6))):
        sign = draw(st.sampled_from(["+", "-", "−", "+1", "-1"]))
        figures = [draw(st.decimals(min_value=0, max_value=50, places=2)) for _ in range(3)]
        cells = [f"part {n}", sign, *(f"{figure:f}".replace(".", ",") if comma else f"{figure:f}" for figure in figures)]
        lines.append((";" if comma else ",").join(cells))
        links.append((-1 if sign in ("-", "−", "-1") else 1, *map(float, figures)))
    return "\n".join(lines), links


@given(chains())
def test_a_chain_reads_back_line_by_line(case):
    text, links = case
    assert [(link.direction, link.nominal, link.plus, link.minus) for link in read_chain(text, LENGTH)] == links


@given(st.lists(st.tuples(st.sampled_from(["AQ", "SK"]), st.sampled_from(["#1", "#2"]), number(1, 3)), max_size=12))
def test_trials_read_back_with_their_typed_text(rows):
    lines = [f"{operator};{piece};{k};{text}" for k, (operator, piece, (_, text)) in enumerate(rows)]
    found = read_trials("\n".join(lines), PLAY)
    assert [(t.operator, t.piece, t.value, raw) for t, raw in found] == [(o, p, float(v), text) for o, p, (v, text) in rows]
