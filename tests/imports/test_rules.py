"""A table's columns and cells: what is read, and what is refused with line, column, value and reason."""

import pytest

from app.errors import Refused
from app.imports.names import initials, login
from app.imports.plan import Plan, make_plan
from app.imports.rules import Choices, Scale, guess_columns
from app.people.rules import name_key
from app.tables import LineError, TableRefused, read_table
from tests.imports.tables import FIVE, PLAIN, TEN, WINE, choices, csv, wine_choices


def plan(content: bytes, chosen: Choices | None = None, known: dict[str, Scale] | None = None) -> Plan:
    return make_plan(read_table(content), chosen or choices(), known or {})


def refused(content: bytes, chosen: Choices | None = None) -> list[LineError]:
    with pytest.raises(TableRefused) as caught:
        plan(content, chosen)
    return caught.value.errors.lines


def only(content: bytes, chosen: Choices | None = None) -> tuple[int, str, str, str]:
    errors = refused(content, chosen)
    assert len(errors) == 1, errors
    return errors[0].line, errors[0].column, errors[0].value, errors[0].reason


GOOD = ("AQ,S1,1,t40,7", "AQ,S1,2,t45,7.5")


def test_the_wine_panel_has_72_marks_of_9_judges_and_no_known_order_since_judges_share_bottle_numbers():
    made = plan(WINE, wine_choices())
    assert (made.marks, len(made.drivers), len(made.runs)) == (72, 9, 72)
    assert [(s.name, len(s.runs), s.order_known) for s in made.sessions] == [("cold", 36, False), ("warm", 36, False)]
    assert made.variants == ["no", "yes"]
    assert all(run.clock_min is None for run in made.runs)


def test_columns_are_guessed_by_their_usual_names_and_each_is_used_once():
    assert guess_columns(["Judge", "session", "run", "Variant", "rating", "note"]) == {
        "driver": "Judge",
        "session": "session",
        "run": "run",
        "variant": "Variant",
        "rating": "rating",
        "remark": "note",
    }
    assert guess_columns(["a", "b"]) == {}


@pytest.mark.parametrize(
    "raw, mark",
    [
        ("7", 700),
        ("7.5", 750),
        ('"7,5"', 750),
        ("+7", 700),
        ("", None),
        ("n/a", None),
        ("N/A", None),
        ("–", None),
        ("-", None),
        ("could not judge", None),
        ("07", 700),
        ("7.50", 750),
    ],
)
def test_marks_are_read_with_point_or_comma_and_empty_is_could_not_judge(raw, mark):
    assert plan(csv(*GOOD, f"AQ,S1,3,t40,{raw}")).runs[-1].marks == {"steering": mark}


@pytest.mark.parametrize(
    "raw, words",
    [
        ("11", "is above the scale's highest mark 10"),
        ("0.5", "is below the scale's lowest mark 1"),
        ("7.25", "is between the steps of the scale: from 1 in steps of 0.5"),
        ("7.005", "is finer than a hundredth"),
        ("seven", "is not a number"),
        ("7_0", "is not a number"),
        ("nan", "is not a number"),
        ("inf", "is not a number"),
        ("-inf", "is not a number"),
        ("７", "is not a number"),
        ("٧", "is not a number"),
        ("1e1", "is not a number"),
        ("7 points", "is not a number"),
        ("0x7", "is not a number"),
        ("7..5", "is not a number"),
        ("1 000", "is not a number"),
        ('"1,712"', "can be read in two ways"),
        ("99999999999", "is not a number"),
    ],
)
def test_a_mark_that_is_none_is_refused_with_line_column_and_value(raw, words):
    line, column, value, reason = only(csv(*GOOD, f"AQ,S1,3,t40,{raw}"))
    assert (line, column, value) == (4, "rating", raw.strip('"'))
    assert words in reason


@pytest.mark.parametrize(
    "row, column, words",
    [
        (",S1,3,t40,7", "driver", "is empty"),
        ("AQ,,3,t40,7", "session", "is empty"),
        ("AQ,S1,,t40,7", "run", "is empty"),
        ("AQ,S1,3,,7", "variant", "is empty"),
        ("aq,S1,3,t40,7", "driver", "looks like “AQ” in line 2"),
        ("AQ,S1,3,T40,7", "variant", "looks like “t40” in line 2"),
        ("AQ,s1,3,t40,7", "session", "looks like “S1”"),
        ("AQ,S1,01,t40,7", "run", "looks like “1”"),
        ("AQ,S1,１,t40,7", "run", "looks like “1”"),
        ("AQ,S1,3,t4о,7", "variant", "mixes letters"),
        ("\u200b,S1,3,t40,7", "driver", "no letter that can be seen"),
        ("A\u202eQ,S1,3,t40,7", "driver", "invisible control character"),
        ("A\u0007Q,S1,3,t40,7", "driver", "invisible"),
        ("A" * 81 + ",S1,3,t40,7", "driver", "at most 80"),
        ("AQ,S1,3," + "t" * 25 + ",7", "variant", "at most 24"),
    ],
)
def test_a_name_that_can_not_be_taken_is_refused_at_its_column(row, column, words):
    line, at, _, reason = only(csv(*GOOD, row))
    assert (line, at) == (4, column)
    assert words in reason


def test_variants_in_letters_that_only_look_latin_are_told_apart():
    errors = refused(csv("AQ,S1,1,no,7", "AQ,S1,2,yes,7", "AQ,S1,3,по,7", "AQ,S1,4,nо,7"), choices(control="no"))
    assert [(e.line, e.reason[:18]) for e in errors] == [(5, "can't be taken: “n")]
    whole_word = refused(csv("AQ,S1,1,A,7", "AQ,S1,2,B,7", "AQ,S1,3,А,7"), choices(control="A"))
    assert "looks like “A” in line 2" in whole_word[0].reason
    numbers = refused(csv("AQ,S1,1,4.0,7", "AQ,S1,2,4.5,7", "AQ,S1,3,4.00,7"), choices(control="4.0"))
    assert "looks like “4.0” in line 2" in numbers[0].reason


def test_the_same_driver_session_run_and_attribute_twice_names_the_first_line():
    line, column, value, reason = only(csv(*GOOD, "AQ,S1,1,t40,8"))
    assert (line, column, value) == (4, "rating", "8")
    assert "the first is in line 2" in reason


def test_one_run_with_two_variants_is_refused():
    rows = ("AQ,S1,1,t40,7,a", "AQ,S1,2,t45,7,a", "AQ,S1,1,t45,8,b")
    line, column, _, reason = only(
        csv(*rows, header="driver,session,run,variant,rating,attribute"), choices("attribute")
    )
    assert (line, column) == (4, "variant")
    assert "second variant of run “1” of AQ in session “S1”; line 2 says “t40”" in reason


@pytest.mark.parametrize(
    "rows, other, words",
    [
        (GOOD, {"control": "t50"}, "not among the variants, so it can't be the control; they are: t40, t45"),
        (GOOD[:1], {}, "the only variant"),
        (tuple(f"AQ,S1,{n},t{n},7" for n in range(40, 47)), {}, "has 7 variants"),
        (GOOD, {"goal": "braking"}, "not among the attributes, so it can't be the goal; they are: steering"),
        (tuple(f"D{n},S1,1,t{40 + n % 2},7" for n in range(201)), {}, "has 201 drivers; at most 200"),
        (tuple(f"AQ,S{n},1,t{40 + n % 2},7" for n in range(501)), {}, "has 501 sessions; at most 500"),
    ],
)
def test_what_makes_no_question_is_refused_at_the_header(rows, other, words):
    assert words in only(csv(*rows), choices(**other))[3]


def test_a_control_written_in_another_case_is_the_variant_it_looks_like():
    assert plan(csv(*GOOD), choices(control="T40")).control == "t40"


@pytest.mark.parametrize(
    "columns, other, field",
    [
        (PLAIN | {"driver": ""}, {}, "driver"),
        (PLAIN | {"run": "bottle"}, {}, "run"),
        (PLAIN | {"run": "session"}, {}, "session"),
        (PLAIN, {"attribute_name": ""}, "attribute_name"),
        (PLAIN, {"worthwhile_hundredths": 0}, "worthwhile"),
    ],
)
def test_choices_that_do_not_fit_the_header_are_refused_at_their_field(columns, other, field):
    with pytest.raises(Refused) as caught:
        plan(csv(*GOOD), choices(columns=columns, **other))
    assert caught.value.field == field


def test_whole_run_numbers_that_no_two_drivers_share_tell_the_order():
    made = plan(csv("AQ,S1,3,t40,7", "MS,S1,1,t45,7", "AQ,S1,4,t45,7"), choices(minutes_per_run=10))
    (session,) = made.sessions
    assert session.order_known
    assert [(run.number, run.clock_min) for run in made.runs] == [(3, 20.0), (1, 0.0), (4, 30.0)]


@pytest.mark.parametrize("runs", [("1", "1"), ("a", "b"), ("0", "1"), ("1", "1000"), ("1.5", "2")])
def test_shared_or_unnumbered_runs_tell_no_order(runs):
    made = plan(csv(f"AQ,S1,{runs[0]},t40,7", f"MS,S1,{runs[1]},t45,7"))
    assert not made.sessions[0].order_known
    assert [(run.number, run.name, run.clock_min) for run in made.runs] == [(1, runs[0], None), (2, runs[1], None)]


def test_minutes_tell_the_order_even_when_drivers_share_run_numbers():
    header = "driver,session,run,variant,rating,clock_min"
    made = plan(csv("AQ,S1,1,t40,7,24", "MS,S1,1,t45,7,12", header=header), choices("clock_min"))
    assert made.sessions[0].order_known
    assert [(run.driver, run.number, run.clock_min) for run in made.runs] == [("AQ", 2, 24.0), ("MS", 1, 12.0)]


@pytest.mark.parametrize(
    "minutes, words",
    [
        (("24", ""), "is empty, but other runs of session “S1” have it"),
        (("24", "24"), "nobody drives two at once"),
        (("24", "soon"), "not a number of minutes"),
        (("24", "-1"), "no minute of a session"),
        (("24", "1441"), "no minute"),
    ],
)
def test_minutes_that_can_not_be_are_refused(minutes, words):
    rows = [f"AQ,S1,{n},t{40 + n},7,{minute}" for n, minute in enumerate(minutes)]
    assert words in only(csv(*rows, header="driver,session,run,variant,rating,clock_min"), choices("clock_min"))[3]


def test_facts_of_a_session_and_a_run_must_agree_between_their_rows():
    header = "driver,session,run,variant,rating,date,place,surface,grip,car,confidence,attribute"
    good = "AQ,S1,1,t40,7,2026-02-03,Quarry,carpet,low,car 1,sure,a"
    chosen = choices("date", "place", "surface", "grip", "car", "confidence", "attribute")
    for old, new, column in (
        ("2026-02-03", "2026-02-04", "date"),
        ("Quarry", "Hill", "place"),
        ("carpet", "dirt", "surface"),
        ("low", "high", "grip"),
        ("car 1", "car 2", "car"),
        ("sure", "guess", "confidence"),
    ):
        rows = (good, "AQ,S1,2,t45,7,,,,,,,a", good.replace(old, new)[:-1] + "b")
        assert only(csv(*rows, header=header), chosen)[:3] == (4, column, new)
    made = plan(csv(good, "AQ,S1,2,t45,7,,,,,,,a", header=header), chosen)
    assert (made.sessions[0].place, made.sessions[0].surface, made.cars) == ("Quarry", "carpet", ["car 1", "imported"])


@pytest.mark.parametrize(
    "column, value, words",
    [
        ("date", "3.2.2026", "not a date written like"),
        ("date", "2026-02-30", "not a day"),
        ("date", "1890-01-01", "plausible"),
        ("date", "２０２６-02-03", "not a date"),
        ("surface", "moss", "is not one of: carpet"),
        ("grip", "some", "is not one of: low"),
        ("confidence", "very", "is not one of: sure"),
        ("remark", "x" * 4001, "at most 4 000"),
        ("remark", "a\x07b", "invisible"),
    ],
)
def test_an_optional_cell_that_can_not_be_read_is_refused(column, value, words):
    content = csv(
        *(row + "," for row in GOOD), f"AQ,S1,3,t40,7,{value}", header=f"driver,session,run,variant,rating,{column}"
    )
    line, at, _, reason = only(content, choices(column))
    assert (line, at) == (4, column)
    assert words in reason


def test_remarks_on_one_run_are_joined_once_each():
    header = "driver,session,run,variant,rating,attribute,remark"
    made = plan(
        csv(
            "AQ,S1,1,t40,7,a,stiff", "AQ,S1,1,t40,6,b,stiff", "AQ,S1,1,t40,6,c,loud", "AQ,S1,2,t45,6,c,", header=header
        ),
        choices("attribute", "remark"),
    )
    assert made.runs[0].remark == "stiff\nloud"
    assert made.runs[0].marks == {"a": 700, "b": 600, "c": 600}


def test_an_attribute_the_programme_has_keeps_its_scale():
    content = csv(
        "AQ,S1,1,t40,3,steering", "AQ,S1,2,t45,9,braking", header="driver,session,run,variant,rating,attribute"
    )
    made = plan(content, choices("attribute"), {"steering": FIVE})
    assert made.scales == {"steering": FIVE, "braking": TEN}
    assert made.known_attributes == {"steering"}
    with pytest.raises(TableRefused, match="One thing"):
        plan(content, choices("attribute"), {"braking": FIVE})


def test_a_scale_finer_than_hundredths_is_refused():
    with pytest.raises(Refused, match="hundredths"):
        Scale.in_points("quality", 1, 10, 0.005)


@pytest.mark.parametrize(
    "name, found",
    [("Asta Quillfeather", "AQ"), ("AQ", "AQ"), ("7", "7"), ("judge 1", "J1"), ("Mirek", "MI"), ("x y z w", "XYZW")],
)
def test_initials_are_short_and_unique(name, found):
    assert initials(name, ()) == found
    again = initials(name, {name_key(found)})
    assert again != found
    assert len(again) <= 6


def test_a_sign_in_name_of_a_table_fits_its_column_whatever_the_name():
    assert login(3, "Asta Quillfeather") == "imported-3-asta-quillfeather"
    assert len(login(2**31, "ﷺ" * 80)) <= 120
