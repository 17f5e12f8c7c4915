"""The contract of `assess --json`: what an object holds, what a prefix is, and that bad evidence gets a finite answer."""

import json
import math

import pytest

from tests.assess.folders import LAPS, PACE, QUESTION, RATINGS, assess, laps, ratings, write

VERDICTS = {"adopt", "reject", "retest", "setting"}
CLAUSES = {
    "gain", "large_gain", "no_worse", "gain_with_harm", "harm", "loss", "futility", "gain_not_shown", "must_not_shown",
    "sessions", "drivers", "one_driver", "one_session", "aliased", "late_only", "inflated", "durability", "blocked",
    "conflict", "conditions", "two_ahead", "thin",
}  # fmt: skip
FLAGS = {"aliased", "late_only", "one_driver", "one_session", "inflated", "spoiled_laps", "thin", "order_unknown"}
AT_LEAST = {"folder", "sessions", "method_version", "verdicts", "criteria", "flags", "panel"}
MEASURED = {"variant", "criterion", "mean", "sd", "low90", "high90", "p_better", "p_worse_than_margin", "unit"}
THREE = ("S1", "S2", "S3")
PREFERRED = [("driver", "session", "preferred"), ("D1", "S1", "B"), ("D2", "S1", "none"), ("D1", "S2", "B")]
USED = [("variant", "laps", "minutes", "failures", "impacts", "session"), ("A", 900, 300, 2, 0, ""), ("B", 900, 300, 0, 0, "S2")]


def finite(value) -> bool:
    """No NaN, no infinity, anywhere in an object."""
    if isinstance(value, dict):
        return all(map(finite, value.values()))
    if isinstance(value, list):
        return all(map(finite, value))
    return not isinstance(value, float) or math.isfinite(value)


def keeps_the_contract(answer) -> None:
    assert set(answer) >= AT_LEAST
    assert finite(answer)
    assert all(isinstance(name, str) for name in answer["sessions"])
    for verdict in answer["verdicts"]:
        assert verdict["verdict"] in VERDICTS
        assert verdict["clause"] in CLAUSES
        assert verdict["sentence"].endswith(".")
    for measure in answer["criteria"]:
        assert set(measure) >= MEASURED
        assert measure["low90"] <= measure["mean"] <= measure["high90"]
        assert 0 <= measure["p_better"] <= 1
        assert measure["sd"] > 0
    for flag in answer["flags"]:
        assert set(flag) >= {"kind", "variant", "sentence"}
        assert flag["kind"] in FLAGS
        assert flag["sentence"]
    for reading in answer["panel"]:
        assert set(reading) >= {"variant", "votes_for", "votes_none", "votes_against", "median", "low", "high"}


def one(capsys, folder, *words):
    status, answers = assess(capsys, folder, *words)
    assert status == 0, answers
    assert len(answers) == 1
    keeps_the_contract(answers[0])
    return answers[0]


def verdict_of(answer, variant="B"):
    found = {v["variant"]: (v["verdict"], v["clause"]) for v in answer["verdicts"]}
    return found[variant]


def measures_of(answer, variant="B"):
    return {m["criterion"]: m for m in answer["criteria"] if m["variant"] == variant}


@pytest.fixture
def whole(tmp_path):
    """A folder with every kind of evidence."""
    tables = {"ratings": ratings(THREE), "laps": laps(THREE), "preferences": PREFERRED, "exposure": USED}
    return write(tmp_path / "whole", QUESTION + "[durability]\nhighest_rate = 1.0\n", **tables)


def test_an_object_holds_what_was_asked_and_what_was_found(capsys, whole):
    answer = one(capsys, whole)
    assert answer["folder"] == str(whole)
    assert answer["sessions"] == ["S1", "S2", "S3"]
    assert (answer["control"], answer["variants"]) == ("A", ["A", "B"])
    measured = measures_of(answer)
    assert set(measured) == {"goal", "must", "lap_time", "preference"}
    assert (measured["goal"]["unit"], measured["lap_time"]["unit"]) == ("points", "percent")
    assert measured["goal"]["p_worse_than_margin"] is None
    assert measured["must"]["p_worse_than_margin"] < 0.05
    assert measured["goal"]["mean"] > 1
    assert measured["lap_time"]["mean_s"] == pytest.approx(measured["lap_time"]["mean"] / 100 * 20.1, rel=0.02)  # 20.1 s laps
    panel = answer["panel"][0]
    assert (panel["votes_for"], panel["votes_none"], panel["votes_against"]) == (2, 0, 0)
    assert panel["median"] == pytest.approx(2.0)  # 7, 8 against 5, 6 in A-B-B-A
    assert {f["variant"]: (f["failures"], f["exposure"]) for f in answer["failures"]} == {"A": (2, 900.0), "B": (0, 900.0)}
    assert answer["not_used"] == {}


def test_several_criteria_of_a_goal_are_also_one_index(capsys, tmp_path):
    both = '{ attribute = "goal", weight = 0.5 }, { lap_time = true, weight = 0.5 }'
    text = QUESTION.replace('{ attribute = "goal", weight = 1.0 }', both)
    assert "goal_index" in measures_of(one(capsys, write(tmp_path, text, ratings=ratings(THREE), laps=laps(THREE))))


def test_sessions_come_in_natural_order_and_each_prefix_stands_alone(capsys, tmp_path):
    sessions = ("S10", "S2", "S1")
    folder = write(tmp_path / "all", ratings=ratings(sessions), laps=laps(sessions), exposure=USED)
    status, answers = assess(capsys, folder, "--after-each-session")
    assert status == 0
    assert [answer["sessions"] for answer in answers] == [["S1"], ["S1", "S2"], ["S1", "S2", "S10"]]
    for answer in answers:
        keeps_the_contract(answer)
        kept = tuple(answer["sessions"])
        use = [row for row in USED if row[5] in ("session", "", *kept)]
        cut = write(tmp_path / "cut", ratings=ratings(kept), laps=laps(kept), exposure=use)
        assert one(capsys, cut) | {"folder": ""} == answer | {"folder": ""}
    assert answers[-1] == one(capsys, folder)
    assert verdict_of(answers[0])[1] == "sessions"


def test_a_prefix_with_too_little_is_still_an_object_with_every_variant(capsys, tmp_path):
    rows = [*ratings(("S2",)), ("D1", "S1", 1, "C", "goal", 5)]
    _, answers = assess(capsys, write(tmp_path, ratings=rows), "--after-each-session")
    assert [answer["variants"] for answer in answers] == [["A", "B", "C"]] * 2
    for answer in answers:
        keeps_the_contract(answer)
    assert verdict_of(answers[0]) == verdict_of(answers[1], "C") == ("retest", "thin")


def test_the_outlook_is_added_when_asked_for(capsys, whole):
    answer = one(capsys, whole, "--outlook")
    assert "outlook" not in one(capsys, whole)
    assert [outlook["variant"] for outlook in answer["outlook"]] == ["B"]
    best = answer["outlook"][0]["candidates"][0]
    assert best["p_settle"] == pytest.approx(best["p_adopt"] + best["p_reject"] + best["p_setting"], abs=1e-6)


def test_a_fact_decides_where_no_gain_is_asked(capsys, tmp_path):
    text = 'control = "A"\nkind = "no_worse"\nfact = { name = "mass_g", better = "lower", values = { A = 12.4, B = %s } }\n'
    text += 'musts = [{ attribute = "must", margin = 0.5 }]\n'
    assert verdict_of(one(capsys, write(tmp_path, text % "11.3", ratings=ratings(THREE)))) == ("adopt", "no_worse")
    assert verdict_of(one(capsys, write(tmp_path, text % "13.3", ratings=ratings(THREE)))) == ("reject", "loss")


def test_a_gate_can_be_left_out_to_see_what_it_does(capsys, tmp_path):
    late = ratings(THREE, order=("A", "A", "B", "B"), marks={"A": 4, "B": 8})
    answer = one(capsys, write(tmp_path, ratings=late))
    assert "late_only" in {flag["kind"] for flag in answer["flags"]}
    assert verdict_of(answer) == ("retest", "late_only")
    ignoring = QUESTION + '[gates]\nignore = ["late_only", "inflated"]\n'
    assert verdict_of(one(capsys, write(tmp_path, ignoring, ratings=late)))[1] not in ("late_only", "inflated")


def test_a_part_that_always_changed_along_is_named(capsys, tmp_path):
    rows = ratings(THREE)
    parts = {(row[0], row[1], row[2], "new" if row[3] == "B" else "old") for row in rows[1:]}
    folder = write(tmp_path, ratings=rows, parts=[("driver", "session", "run", "hinge pin"), *sorted(parts)])
    flag = next(flag for flag in one(capsys, folder)["flags"] if flag["kind"] == "aliased")
    assert "hinge pin" in flag["sentence"]


def test_order_unknown_is_flagged_with_its_reason(capsys, tmp_path):
    rows = [(*row[:2], f"run {row[2]}", *row[3:]) if i else row for i, row in enumerate(ratings())]
    answer = one(capsys, write(tmp_path, ratings=rows))
    flags = [flag["sentence"] for flag in answer["flags"] if flag["kind"] == "order_unknown"]
    assert len(flags) == 2  # a sentence for each session
    assert answer["order_unknown"]
    assert not one(capsys, write(tmp_path / "known", ratings=ratings()))["order_unknown"]


# --- evidence that says little or too much: always finite, always explained


def split(marks):
    return ratings(THREE, marks=marks)


POOR = {
    "a variant without runs": (QUESTION, {"ratings": ratings(), "exposure": [*USED, ("C", 5, 5, 0, 0, "")]}, "C", "retest"),
    "a session with one variant": (QUESTION, {"ratings": [*ratings(("S1",)), *ratings(("S2",), order=("A",))[1:]]}, "B", "retest"),
    "only sessions with one variant": (QUESTION, {"ratings": [*ratings(("S1",), order=("B",)), *ratings(("S2",), order=("A",))[1:]]},
                                       "B", "retest"),
    "one driver": (QUESTION, {"ratings": ratings(THREE, drivers=("D1",))}, "B", "retest"),
    "one run of each": (QUESTION, {"ratings": ratings(("S1",), ("D1",), order=("A", "B"))}, "B", "retest"),
    "all marks equal": (QUESTION, {"ratings": split({"A": 5, "B": 5})}, "B", None),
    "all marks at the top": (QUESTION, {"ratings": split({"A": 10, "B": 10})}, "B", None),
    "all 1 against all 10": (QUESTION, {"ratings": split({"A": 1, "B": 10})}, "B", "adopt"),
    "all 10 against all 1": (QUESTION, {"ratings": split({"A": 10, "B": 1})}, "B", "reject"),
    "six variants with four marks": (QUESTION, {"ratings": [
        RATINGS, ("D1", "S1", 1, "A", "goal", 5), ("D1", "S1", 2, "B", "goal", 6), ("D2", "S1", 3, "C", "goal", 6),
        ("D2", "S1", 4, "D", "goal", 6)], "exposure": [*USED, ("E", 1, 1, 0, 0, ""), ("F", 1, 1, 0, 0, "")]}, "F", "retest"),
    "a named attribute nobody rated": (QUESTION, {"ratings": ratings(attributes=("looks",))}, "B", "retest"),
    "a goal nobody drove": (PACE, {"ratings": ratings()}, "B", "retest"),
    "a preference nobody gave": ('control = "A"\ngoal = [{ preference = true }]\n', {"ratings": ratings()}, "B", "retest"),
    "every lap of a run flagged": (PACE, {"laps": laps(THREE), "lap_flags": [
        ("driver", "session", "run", "lap", "flag"), *(("D1", "S1", 1, lap, "off") for lap in range(1, 7))]}, "B", None),
    "every lap flagged": (PACE, {"laps": laps(THREE), "lap_flags": [
        ("driver", "session", "run", "lap", "flag"), *((*row[:3], row[4], "off") for row in laps(THREE)[1:])]}, "B", "retest"),
    "runs with one lap": (PACE, {"laps": laps(THREE, laps_each=1)}, "B", None),
    "one run with one lap": (PACE, {"laps": [row for row in laps(THREE) if row[:3] != ("D1", "S1", 1) or row[4] < 2]}, "B", None),
    "laps all the same": (PACE, {"laps": [row if row == LAPS else (*row[:6], 20.0) for row in laps(THREE)]}, "B", None),
    "laps worlds apart": (PACE, {"laps": laps(THREE, times={"A": 0.5, "B": 3500.0})}, "B", None),
    "preferences only": ('control = "A"\ngoal = [{ preference = true }]\n', {"preferences": PREFERRED}, "B", "retest"),
    "no session at all": (QUESTION, {"ratings": [RATINGS], "exposure": [row[:5] for row in USED]}, "B", "retest"),
    "a figure for one only": (QUESTION.replace('"gain"', '"no_worse"\nfact = { name = "g", values = { B = 1 } }'),
                              {"ratings": ratings(THREE)}, "B", "retest"),
    "one mark": (QUESTION, {"ratings": [RATINGS, ("D1", "S1", 1, "A", "goal", 5)], "exposure": USED}, "B", "retest"),
}  # fmt: skip


@pytest.mark.parametrize("name", POOR)
def test_poor_evidence_has_a_finite_answer(capsys, tmp_path, name):
    question, tables, variant, expected = POOR[name]
    answer = one(capsys, write(tmp_path, question, **tables))
    verdict, _ = verdict_of(answer, variant)
    assert expected in (None, verdict)
    for prefix in assess(capsys, tmp_path, "--after-each-session")[1]:
        keeps_the_contract(prefix)


def test_equal_marks_never_adopt(capsys, tmp_path):
    assert verdict_of(one(capsys, write(tmp_path, ratings=split({"A": 5, "B": 5}))))[0] != "adopt"


def test_a_bipolar_attribute_is_better_nearer_to_zero(capsys, tmp_path):
    text = QUESTION.replace("lowest = 1", 'lowest = -5\nkind = "ideal_zero"').replace("highest = 10", "highest = 5")
    answer = one(capsys, write(tmp_path, text, ratings=split({"A": 3, "B": -1})))
    assert measures_of(answer)["goal"]["mean"] > 1


def test_the_same_folder_gives_the_same_bytes(capsys, whole):
    first = json.dumps(assess(capsys, whole, "--after-each-session"))
    assert json.dumps(assess(capsys, whole, "--after-each-session")) == first


def test_every_key_of_question_toml_at_once(capsys, tmp_path):
    """The whole of what question.toml may say, on a folder with every table."""
    text = """\
control = "A"
kind = "gain"
goal  = [{ attribute = "goal", weight = 1.0 }]
musts = [{ attribute = "must", margin = 0.5 }, { lap_time = true, margin_percent = 0.3 }]
worthwhile = 0.5
worthwhile_percent = 0.3
minutes_per_run = 6
condition = "grip"
[scale]
lowest = 1
highest = 10
step = 1
kind = "quality"
[durability]
highest_rate = 1.0
per = 1000
unit = "laps"
[gates]
drivers = 2
sessions = 2
ignore = []
"""
    sessions = tuple(f"S{i}" for i in range(1, 7))
    grip = [("session", "grip"), *((name, "high" if i % 2 else "low") for i, name in enumerate(sessions))]
    rows = ratings(sessions)
    parts = [("driver", "session", "run", "tyres"), *sorted({(*row[:3], "new" if row[1] > "S3" else "old") for row in rows[1:]})]
    use = [USED[0], ("A", 2500, 900, 2, 0, ""), ("B", 2500, 900, 0, 0, "")]
    flags = [("driver", "session", "run", "lap", "flag"), ("D1", "S1", 1, 2, "traffic")]
    folder = write(tmp_path, text, ratings=rows, laps=laps(sessions), preferences=PREFERRED, sessions=grip, exposure=use,
                   parts=parts, lap_flags=flags)  # fmt: skip
    answer = one(capsys, folder)
    assert verdict_of(answer) == ("adopt", "gain")
    assert measures_of(answer)["lap_time"]["p_worse_than_margin"] < 0.05
    assert {reading["criterion"] for reading in answer["conditions"]} >= {"goal"}
    for prefix in assess(capsys, folder, "--after-each-session")[1]:
        keeps_the_contract(prefix)
