"""From tables to evidence: variants, clocks, parts, conditions, and tables that contradict one another."""

import pytest

from app.assess.folder import read_folder
from app.evidence.rows import Exposure, Preference
from tests.assess.folders import LAPS, PACE, QUESTION, RATINGS, error_of, laps, ratings, write


def evidence_of(folder):
    return read_folder(str(folder)).evidence()


def clocks(evidence):
    return {(m.driver, m.session, m.run): m.clock_min for m in evidence.marks}


# --- clocks


def test_without_a_clock_the_runs_number_tells_the_time(tmp_path):
    found = clocks(evidence_of(write(tmp_path, QUESTION.replace("= 6", "= 7.5"), ratings=ratings())))
    assert found["D1", "S1", "1"] == 0.0
    assert found["D2", "S1", "2"] == 7.5
    assert found["D2", "S2", "8"] == 52.5


def test_a_run_whose_laps_have_a_clock_takes_its_first(tmp_path):
    rows = [row if i == 0 else (*row[:5], row[5] + 30, row[6]) for i, row in enumerate(laps(sessions=("S1",)))]
    rows[1:] = reversed(rows[1:])
    found = clocks(evidence_of(write(tmp_path, ratings=ratings(), laps=rows)))
    assert found["D2", "S1", "2"] == 600.5 / 60 + 29.5 / 60  # laps start 30 s late: 630 s
    assert found["D2", "S2", "2"] == 6.0  # no laps there: by number


def test_a_written_clock_comes_first_and_may_stand_in_one_of_a_runs_rows(tmp_path):
    rows = [(*row, "") for row in ratings()]
    rows[0] = (*RATINGS, "clock_min")
    rows[1] = (*rows[1][:6], "3.5")
    evidence = evidence_of(write(tmp_path, ratings=rows, laps=laps()))
    assert {m.clock_min for m in evidence.marks if (m.driver, m.session, m.run) == ("D1", "S1", "1")} == {3.5}
    assert clocks(evidence)["D1", "S1", "3"] == 20.0


def test_a_run_that_is_no_number_has_no_order(tmp_path):
    rows = [(*row[:2], f"run {row[2]}", *row[3:]) if row[1] == "S2" else row for row in ratings()]
    folder = read_folder(str(write(tmp_path, ratings=rows)))
    found = {(m.session, m.clock_min is None, m.order is None) for m in folder.evidence().marks}
    assert found == {("S1", False, False), ("S2", True, True)}
    assert folder.order_unknown(["S1"]) == []
    assert "'run 1' is no number" in folder.order_unknown(["S1", "S2"])[0]


def test_two_drivers_with_the_same_run_number_have_no_common_clock(tmp_path):
    rows = [(*row[:2], (row[2] + 1) // 2, *row[3:]) if i and row[1] == "S1" else row for i, row in enumerate(ratings())]
    folder = read_folder(str(write(tmp_path, ratings=rows)))
    found = {(m.session, m.clock_min is None, m.order is None) for m in folder.evidence().marks}
    assert found == {("S1", True, False), ("S2", False, False)}  # each driver's own order is still known
    assert "run 1 of D1 and D2" in folder.order_unknown(["S1", "S2"])[0]


def test_numbers_do_not_matter_where_every_run_has_a_clock(tmp_path):
    rows = [(*row[:2], (row[2] + 1) // 2, *row[3:], 10 * row[2]) if i else (*row, "clock_min") for i, row in enumerate(ratings())]
    folder = read_folder(str(write(tmp_path, ratings=rows)))
    assert folder.order_unknown(folder.sessions) == []
    assert clocks(folder.evidence())["D2", "S1", "1"] == 20.0


@pytest.mark.parametrize("run", ["0", "-3", "1000000", "9" * 17])
def test_a_number_that_is_no_time_of_day_is_refused(tmp_path, capsys, run):
    rows = ratings()
    rows += [("D1", "S1", run, "A", "goal", 5)]
    assert error_of(capsys, write(tmp_path, ratings=rows))[:3] == ("ratings.csv", len(rows), "run")


def test_a_number_of_thousands_of_digits_is_a_name(tmp_path):
    folder = read_folder(str(write(tmp_path, ratings=[*ratings(), ("D1", "S1", "9" * 5000, "A", "goal", 5)])))
    assert list(folder.clocks.unknown) == ["S1"]


# --- what becomes a row of evidence


def test_marks_carry_car_order_parts_and_condition(tmp_path):
    parts = [("driver", "session", "run", "variant", "damper", "tyres"), ("D1", "S1", 1, "A", "soft", "new")]
    grip = [("weather", "session", "grip"), ("dry", "S1", "high"), ("wet", "S2", "low"), ("dry", "S3", "low")]
    evidence = evidence_of(write(tmp_path, 'condition = "grip"\n' + QUESTION, ratings=ratings(), parts=parts, sessions=grip))
    mark = next(m for m in evidence.marks if (m.driver, m.session, m.run) == ("D1", "S1", "1"))
    assert (mark.car, mark.order, mark.condition) == ("D1", 1, "high")
    assert mark.others == (("damper", "soft"), ("tyres", "new"))
    assert {(m.session, m.condition) for m in evidence.marks} == {("S1", "high"), ("S2", "low")}


def test_laps_carry_their_flag(tmp_path):
    flags = [("driver", "session", "run", "lap", "flag"), ("D1", "S1", 1, 2, "traffic"), ("D1", "S1", 1, 3, 0), ("D1", "S1", 1, 4, "")]
    evidence = evidence_of(write(tmp_path, PACE, laps=laps(), lap_flags=flags))
    own = [lap for lap in evidence.laps if (lap.driver, lap.session, lap.run) == ("D1", "S1", "1")]
    assert [lap.flag for lap in own] == ["", "traffic", "", "", "", ""]
    assert (own[2].time_s, own[2].clock_s, own[2].variant) == (20.2, 40.0, "A")


def test_exposure_with_and_without_a_session(tmp_path):
    use = [("variant", "laps", "minutes", "failures", "impacts", "session"), ("A", 900, 300, 2, 0, ""), ("B", 100.5, 30, 0, 1, "S2")]
    folder = read_folder(str(write(tmp_path, ratings=ratings(), exposure=use)))
    assert folder.evidence(["S1"]).exposures == (Exposure("A", 900, 300, 2, 0, None),)
    assert folder.evidence(["S1", "S2"]).exposures == (Exposure("A", 900, 300, 2, 0), Exposure("B", 100.5, 30, 0, 1, "S2"))
    use = [row[:5] for row in use]
    assert {e.session for e in evidence_of(write(tmp_path, ratings=ratings(), exposure=use)).exposures} == {None}


def test_preferences_with_pairs(tmp_path):
    rows = [("driver", "session", "first", "second", "preferred"), ("D1", "S1", "B", "C", "C"), ("D1", "S1", "A", "B", "none")]
    evidence = evidence_of(write(tmp_path, ratings=ratings(), preferences=rows))
    assert evidence.preferences == (Preference("D1", "S1", "A", "B", None), Preference("D1", "S1", "B", "C", "C"))
    assert evidence.question.variants == ("A", "B", "C")


def test_variants_are_those_of_all_tables_and_sessions_in_natural_order(tmp_path):
    use = [("variant", "laps", "minutes", "failures", "impacts"), ("V10", 1, 1, 0, 0)]
    more = [*laps(sessions=("S10",)), ("D1", "S3", 1, "V9", 1, 0, 21)]
    folder = read_folder(str(write(tmp_path, ratings=ratings(sessions=("S2", "S1")), laps=more, exposure=use)))
    assert set(folder.question.variants) == {"A", "B", "V9", "V10"}
    assert folder.question.control == "A"
    assert folder.sessions == ("S1", "S2", "S3", "S10")


def test_attributes_not_named_are_counted_not_used(tmp_path):
    rows = [*ratings(), ("D1", "S1", 1, "A", "looks", 99), ("D1", "S2", 1, "A", "looks", -7), ("D1", "S2", 1, "A", "lap_time", 20)]
    folder = read_folder(str(write(tmp_path, ratings=rows)))
    assert folder.not_used(["S1"]) == {"looks": 1}
    assert folder.not_used(["S1", "S2"]) == {"lap_time": 1, "looks": 2}
    assert {m.attribute for m in folder.evidence().marks} == {"goal", "must"}


def test_a_prefix_holds_its_sessions_only(tmp_path):
    folder = read_folder(str(write(tmp_path, ratings=ratings(sessions=("S1", "S2", "S10")), laps=laps(sessions=("S2",)))))
    assert {m.session for m in folder.evidence(["S1", "S2"]).marks} == {"S1", "S2"}
    assert folder.evidence(["S1"]).laps == ()


def test_a_preference_without_a_pair_is_between_the_two_that_were_driven(tmp_path):
    rows = [("driver", "session", "preferred"), ("D1", "S1", "B")]
    use = [("variant", "laps", "minutes", "failures", "impacts"), ("0", 1, 1, 0, 0)]
    evidence = evidence_of(write(tmp_path, ratings=ratings(), preferences=rows, exposure=use))
    assert evidence.question.variants == ("A", "0", "B")
    assert evidence.preferences == (Preference("D1", "S1", "A", "B", "B"),)


# --- tables that contradict themselves or one another

PREFERRED = ("driver", "session", "preferred")
USED = ("variant", "laps", "minutes", "failures", "impacts")
FLAGGED = ("driver", "session", "run", "lap", "flag")
CLASHES = {
    "a mark twice": ("ratings", 34, "attribute", lambda t: t["ratings"].append(t["ratings"][5])),
    "off the scale": ("ratings", 34, "rating", lambda t: t["ratings"].append(("D3", "S1", 9, "A", "goal", 11))),
    "between two marks": ("ratings", 34, "rating", lambda t: t["ratings"].append(("D3", "S1", 9, "A", "goal", 5.5))),
    "two variants in a run": ("ratings", 34, "variant", lambda t: t["ratings"].append(("D1", "S1", 1, "B", "looks", 5))),
    "two clocks in a run": ("ratings", 3, "clock_min", lambda t: t.update(
        ratings=[(*RATINGS, "clock_min"), ("D1", "S1", 1, "A", "goal", 5, 1), ("D1", "S1", 1, "A", "must", 5, 2)])),
    "laps of another variant": ("laps", 2, "variant", lambda t: t.update(laps=[LAPS, ("D1", "S1", 1, "B", 1, 0, 20)])),
    "a lap twice": ("laps", 3, "lap", lambda t: t.update(laps=[LAPS, *[("D1", "S1", 1, "A", 1, 0, 20)] * 2])),
    "a flag of no lap": ("lap_flags", 2, "lap", lambda t: t.update(lap_flags=[FLAGGED, ("D1", "S1", 1, 1, "off")])),
    "a preference for a stranger": ("preferences", 2, "preferred", lambda t: t.update(preferences=[PREFERRED, ("D1", "S1", "C")])),
    "a preference twice": ("preferences", 3, "preferred", lambda t: t.update(preferences=[PREFERRED, *[("D1", "S1", "A")] * 2])),
    "three variants, no pairs": ("preferences", 1, "first", lambda t: (
        t.update(preferences=[PREFERRED, ("D1", "S1", "A")]), t["ratings"].append(("D1", "S1", 99, "C", "goal", 5)))),
    "half a pair": ("preferences", 1, "second", lambda t: t.update(preferences=[(*PREFERRED, "first"), ("D1", "S1", "A", "A")])),
    "a pair of one": ("preferences", 2, "second", lambda t: t.update(
        preferences=[(*PREFERRED, "first", "second"), ("D1", "S1", "A", "A", "A")])),
    "neither of the pair": ("preferences", 2, "preferred", lambda t: t.update(
        preferences=[(*PREFERRED, "first", "second"), ("D1", "S1", "C", "A", "B")])),
    "half a failure": ("exposure", 2, "failures", lambda t: t.update(exposure=[USED, ("A", 1, 1, 0.5, 0)])),
    "laps below nothing": ("exposure", 2, "laps", lambda t: t.update(exposure=[USED, ("A", -1, 1, 0, 0)])),
    "impacts not counted": ("exposure", 1, "impacts", lambda t: t.update(exposure=[USED[:4], ("A", 1, 1, 0)])),
    "parts twice": ("parts", 3, "run", lambda t: t.update(
        parts=[("driver", "session", "run", "pin"), *[("D1", "S1", 1, "x")] * 2])),
    "a part without a level": ("parts", 2, "pin", lambda t: t.update(
        parts=[("driver", "session", "run", "pin"), ("D1", "S1", 1, "")])),
    "a part's column twice": ("parts", 1, "pin", lambda t: t.update(
        parts=[("driver", "session", "run", "pin", "pin"), ("D1", "S1", 1, "x", "y")])),
    "a session twice": ("sessions", 3, "session", lambda t: t.update(sessions=[("session",), ("S1",), ("S1",)])),
    "one variant in all": ("ratings", 2, "variant", lambda t: t.update(
        ratings=[row for row in t["ratings"] if row[3] in ("A", "variant")])),
}  # fmt: skip


@pytest.mark.parametrize("name", CLASHES)
def test_a_contradiction_is_refused_at_its_line(tmp_path, capsys, name):
    file, line, column, spoil = CLASHES[name]
    tables = {"ratings": ratings()}
    assert len(tables["ratings"]) == 33
    spoil(tables)
    assert error_of(capsys, write(tmp_path, **tables))[:3] == (f"{file}.csv", line, column)


@pytest.mark.parametrize(("rows", "line", "column"), [
    ([("session", "grip"), ("S1", "high")], 1, "session"),  # S2 is missing
    ([("session", "grip"), ("S1", ""), ("S2", "low")], 2, "grip"),
])  # fmt: skip
def test_every_session_needs_its_condition(tmp_path, capsys, rows, line, column):
    folder = write(tmp_path, 'condition = "grip"\n' + QUESTION, ratings=ratings(), sessions=rows)
    assert error_of(capsys, folder)[:3] == ("sessions.csv", line, column)


def test_tables_without_a_row_leave_the_control_nowhere(tmp_path, capsys):
    assert error_of(capsys, write(tmp_path, ratings=[RATINGS]))[:3] == ("question.toml", 1, "control")


def test_preferences_alone_compare_the_control_with_the_one_other(tmp_path):
    rows = [PREFERRED, ("D1", "S1", "B"), ("D2", "S1", "B")]
    folder = write(tmp_path, 'control = "A"\ngoal = [{ preference = true }]\n', preferences=rows)
    assert evidence_of(folder).preferences[0] == Preference("D1", "S1", "A", "B", "B")
