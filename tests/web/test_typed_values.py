"""What a person types: numbers with their units, moments of a venue, text. Nothing is guessed and nothing lost."""

import math
from contextlib import suppress
from datetime import UTC, datetime

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from app import clock, units
from app.units import OutOfBand, Quantity, TypedNumberError, parse_number, parse_quantity
from app.web.forms import _shown
from app.web.text import TextRefused, clean_line, clean_text

QUANTITIES = {name: value for name, value in vars(units).items() if isinstance(value, Quantity)}


# --- numbers
@pytest.mark.parametrize(
    ("typed", "quantity", "stored"),
    [
        ("0,15", units.PLAY, 0.15),
        ("0.15", units.PLAY, 0.15),
        ("0,15 mm", units.PLAY, 0.15),
        ("150 µm", units.PLAY, 0.15),
        ("6 mNm", units.TORQUE, 6.0),
        ("0.006 Nm", units.TORQUE, 6.0),
        ("0,006 Nm", units.TORQUE, 6.0),
        ("6", units.TORQUE, 6.0),
        ("18.5", units.RIDE_HEIGHT, 18.5),
        ("1,85 cm", units.RIDE_HEIGHT, 18.5),
        ("1712", units.CAR_MASS, 1712.0),
        ("1,7125 kg", units.CAR_MASS, 1712.5),
        ("−5", units.TEMPERATURE, -5.0),
        ("-5 °C", units.TEMPERATURE, -5.0),
        ("7400 mV", units.VOLTAGE, 7.4),
        (" 12 ", units.DAYS, 12.0),
    ],
)
def test_a_number_is_stored_in_its_storage_unit(typed, quantity, stored):
    assert parse_quantity(typed, quantity) == stored


@pytest.mark.parametrize(
    ("typed", "quantity", "asked"),
    [
        ("185", units.RIDE_HEIGHT, "185 mm? Did you mean 18.5? Usual is 14 to 30 mm."),
        ("2", units.RIDE_HEIGHT, "2 mm? Did you mean 20? Usual is 14 to 30 mm."),
        ("500", units.RIDE_HEIGHT, "500 mm? Usual is 14 to 30 mm."),
        ("17120", units.CAR_MASS, "17120 g? Did you mean 1712? Usual is 1200 to 2500 g."),
        ("1.712", units.CAR_MASS, "1.712 g? Usual is 1200 to 2500 g."),
    ],
)
def test_an_implausible_number_is_asked_about(typed, quantity, asked):
    with pytest.raises(OutOfBand) as doubt:
        parse_quantity(typed, quantity)
    assert str(doubt.value) == asked
    assert parse_quantity(typed, quantity, sure=True) == float(typed)


@pytest.mark.parametrize("quantity", [units.CAR_MASS, units.MASS, units.LENGTH, units.COST])
def test_a_comma_before_three_digits_is_asked_about_and_never_guessed(quantity):
    for sure in (False, True):
        with pytest.raises(TypedNumberError, match=r"1712 or 1\.712\? Type it without the comma"):
            parse_quantity("1,712", quantity, sure=sure)


@pytest.mark.parametrize(
    "typed",
    [
        "1.250,5",
        "1,250.5",
        "1 250",
        "1_0",
        "1e3",
        "nan",
        "inf",
        "١٢",
        "",
        "-",
        ".5",
        "5.",
        "0x10",
        "1.2.3",
        "½",
        "five",
        "12 fathoms",
        "6 MNm",
        "1\n2",
        "1;2",
        "--5",
    ],
)
def test_what_is_no_plain_number_is_refused(typed):
    with pytest.raises(TypedNumberError):
        parse_quantity(typed, units.TORQUE)
    with pytest.raises(TypedNumberError):
        parse_number(typed)


def test_a_refused_number_comes_with_an_example():
    with pytest.raises(TypedNumberError, match=r"0\.15 or 0,15, without thousands marks"):
        parse_quantity("1.250,5", units.PLAY)
    with pytest.raises(TypedNumberError, match="known: N·mm, Nmm, mNm"):
        parse_quantity("5 lbf", units.TORQUE)
    with pytest.raises(TypedNumberError, match="below 0, which can't be"):
        parse_quantity("-1", units.MASS)
    with pytest.raises(TypedNumberError, match="larger than anything"):
        parse_quantity("9" * 30, units.LENGTH, sure=True)


@st.composite
def typed_numbers(draw):
    """A quantity, a unit of it and a number as somebody types it."""
    quantity = draw(st.sampled_from(list(QUANTITIES.values())))
    alias, factor = draw(st.sampled_from([*quantity.aliases, ("", "1")]))
    digits = draw(st.decimals(min_value=0, max_value=99_999, places=draw(st.integers(0, 6))))
    text = f"{digits:f}"
    if draw(st.booleans()) and len(text.partition(".")[2]) != 3:
        text = text.replace(".", ",")
    return quantity, text + draw(st.sampled_from(["", " "])) * bool(alias) + alias, digits * type(digits)(factor)


@given(typed_numbers())
def test_every_unit_of_every_quantity_reads_back_exactly(case):
    quantity, typed, expected = case
    value = parse_quantity(typed, quantity, sure=True)
    assert value == float(expected)
    shown = _shown(value)  # as the form offers it for editing: saved untouched, it must stay the same
    assert parse_quantity(shown, quantity, sure=True) == value


@given(st.floats(min_value=-1e9, max_value=1e9, allow_nan=False).filter(lambda value: value == 0 or abs(value) > 1e-9))
@example(12345.678)
@example(0.1234567891)
@example(1e-7)
@example(250000000.0)
def test_a_number_shown_for_editing_keeps_every_digit(value):
    assert float(parse_number(_shown(value))) == value


@given(st.text(max_size=12))
def test_no_text_at_all_breaks_the_reader(typed):
    for quantity in QUANTITIES.values():
        with suppress(TypedNumberError):
            assert math.isfinite(parse_quantity(typed, quantity, sure=True))


# --- moments of a venue
def test_a_venue_time_becomes_utc():
    assert clock.venue_to_utc(datetime(2026, 2, 3, 10, 24), "Europe/Berlin") == datetime(2026, 2, 3, 9, 24, tzinfo=UTC)
    assert clock.venue_to_utc(datetime(2026, 7, 3, 10, 24), "Europe/Berlin") == datetime(2026, 7, 3, 8, 24, tzinfo=UTC)


def test_a_time_that_did_not_exist_is_refused_with_its_day():
    with pytest.raises(ValueError, match=r"02:30 did not exist there on 29 March 2026: clocks went forward"):
        clock.venue_to_utc(datetime(2026, 3, 29, 2, 30), "Europe/Berlin")
    assert clock.venue_to_utc(datetime(2026, 3, 29, 1, 59), "Europe/Berlin").hour == 0
    assert clock.venue_to_utc(datetime(2026, 3, 29, 3, 0), "Europe/Berlin").hour == 1


def test_a_time_that_existed_twice_is_refused_with_its_day():
    with pytest.raises(ValueError, match=r"02:30 existed twice there on 25 October 2026: clocks went back"):
        clock.venue_to_utc(datetime(2026, 10, 25, 2, 30), "Europe/Berlin")
    assert clock.venue_to_utc(datetime(2026, 10, 25, 1, 59), "Europe/Berlin") == datetime(
        2026, 10, 24, 23, 59, tzinfo=UTC
    )
    assert clock.venue_to_utc(datetime(2026, 10, 25, 3, 0), "Europe/Berlin") == datetime(2026, 10, 25, 2, 0, tzinfo=UTC)


@pytest.mark.parametrize("name", ["Mars/Base", "", "../../etc/passwd", "Europe", "x" * 300, "Europe/Berlin\x00"])
def test_an_unknown_zone_is_refused(name):
    with pytest.raises(ValueError, match="is not an IANA time zone"):
        clock.zone(name)


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)),
    st.sampled_from(["Europe/Berlin", "UTC", "Asia/Kolkata", "Australia/Lord_Howe", "America/St_Johns"]),
)
def test_a_venue_time_reads_back_or_is_refused(local, zone):
    there = clock.zone(zone)
    fold = [local.replace(tzinfo=there, fold=fold).astimezone(UTC) for fold in (0, 1)]
    if fold[0] != fold[1]:  # a clock-change day, in an hour that did not exist or existed twice
        with pytest.raises(ValueError, match=r"did not exist|existed twice"):
            clock.venue_to_utc(local, zone)
    else:
        assert clock.to_venue(clock.venue_to_utc(local, zone), zone).replace(tzinfo=None) == local


def test_the_clock_can_be_set_for_a_block_only():
    then = datetime(2026, 2, 3, tzinfo=UTC)
    with clock.at(then):
        assert clock.now() == then
    assert clock.now() != then
    assert clock.now().tzinfo is UTC


# --- text
def test_text_is_composed_and_trimmed():
    assert clean_line("  Zoe\u0308   Lindqvane ", longest=40) == "Zoë Lindqvane"
    assert clean_text("  first\r\nsecond\rthird  ", longest=40) == "first\nsecond\nthird"
    assert clean_line("two\tparts", longest=40) == "two parts"


@pytest.mark.parametrize(
    "bad", ["a\x00b", "a\x07b", "a\x1bb", "a\u202eb", "a\u2066b", "a" + chr(0xD800), "a\x9fb", "a\ufffdb"]
)
def test_invisible_and_broken_characters_are_refused(bad):
    with pytest.raises(TextRefused):
        clean_text(bad, longest=40)
    with pytest.raises(TextRefused):
        clean_line(bad, longest=40)


def test_every_mark_that_turns_the_direction_of_text_is_refused():
    for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A)):
        with pytest.raises(TextRefused, match=f"U\\+{code:04X}"):
            clean_text(f"a{chr(code)}b", longest=40)


def test_a_line_takes_no_line_break_but_a_text_does():
    with pytest.raises(TextRefused, match=r"U\+000A"):
        clean_line("one\ntwo", longest=40)
    assert clean_text("one\ntwo", longest=40) == "one\ntwo"


def test_too_long_a_text_is_refused_with_its_length():
    with pytest.raises(TextRefused, match=r"it has 1 000 000 characters; at most 120 are kept"):
        clean_text("x" * 1_000_000, longest=120)


@given(st.text(max_size=200))
def test_clean_text_is_clean_already(raw):
    try:
        once = clean_text(raw, longest=200)
    except TextRefused:
        return
    assert clean_text(once, longest=200) == once
    assert "\x00" not in once
