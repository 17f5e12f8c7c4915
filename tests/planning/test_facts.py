"""From rows to a day, without a database. Source: our written rules of a plan; arithmetic by hand."""

from datetime import UTC, datetime

import pytest

from app.errors import Refused
from app.planning.day import Chance, Driver, Hours
from app.planning.facts import Asked, DrivenRow, KitRow, Known, PieceRow, RevisionRow, make_day, read_limits
from app.planning.limits import too_much
from app.planning.live import done_of

HOURS = Hours(240)
CARS = ("car 1", "car 2")


def row(question: str, variant: str, revision: str = "", *, control: bool = False, step: int = 1, number: int = 1) -> RevisionRow:
    part = revision.partition("-")[0]
    change = 12.0 if part else None
    return RevisionRow(number, question, "?", None, 10 * number + len(variant), variant, control, revision, step, part, change)


def pieces(*labels: str, state: str = "on hand") -> list[PieceRow]:
    return [PieceRow(k, label, label.rpartition(" ")[0], label.partition("-")[0], state) for k, label in enumerate(labels, 1)]


def asked(**more) -> Asked:
    return Asked(HOURS, 5, 7, CARS, (Driver("AQ"), Driver("DH")), more.pop("questions", ("Q-01", "Q-02")), **more)


ROWS = [row("Q-01", "t40", "FST-t40 r1", control=True), row("Q-01", "t45", "FST-t45 r1"), row("Q-01", "t45", "FST-t45 r2", step=2),
        row("Q-02", "old", control=True, number=2), row("Q-02", "new", number=2)]  # fmt: skip
PIECES = pieces("FST-t40 r1 #1", "FST-t40 r1 #2", "FST-t45 r1 #1", "FST-t45 r2 #1")


def made(rows=ROWS, on_hand=PIECES, kit=(), driven=(), known=None, **more):
    return make_day(asked(**more), rows, on_hand, kit, driven, known or {}, session_id=99)


def test_controls_of_all_questions_make_one_base_build():
    day = made().day
    base = (("FST", "FST-t40 r1"), ("Q-02", "old"))
    assert [q.control.build for q in day.questions] == [base, base]
    assert day.questions[0].rivals[0].build == (("FST", "FST-t45 r2"), ("Q-02", "old")), "the newest step that has a piece"
    assert day.change_min == {"FST": 12.0}
    assert {(k.driver, k.variant) for k in day.questions[0].lacks} == {("AQ", "t45"), ("DH", "t45")}


def test_a_part_with_one_control_piece_is_on_a_car_for_its_own_question_only():
    found = made(on_hand=PIECES[1:])
    assert found.day.question("Q-02").control.build == (("Q-02", "old"),)
    assert found.day.question("Q-01").control.build == (("FST", "FST-t40 r1"), ("Q-02", "old"))
    assert "Fewer pieces of FST-t40 r1 are on hand than cars" in found.notes[0]


@pytest.mark.parametrize("state", ["broken", "quarantined", "modified", "lost", "scrapped"])
def test_a_piece_out_of_use_is_not_planned(state):
    away = pieces("FST-t40 r1 #1", "FST-t40 r1 #2") + pieces("FST-t45 r2 #1", state=state)
    found = made(on_hand=away)
    assert [q.label for q in found.day.questions] == ["Q-02"]
    assert found.left_out[0].why == "No usable piece of FST-t45 r2 is on hand."


def test_a_rival_with_its_verdict_waits_for_a_ruling():
    known = {1: Known({"t45": "adopt"}), 2: Known({"new": "retest"}, (Chance("new", ("AQ",), 2, 0.3),))}
    found = made(known=known)
    assert [q.label for q in found.day.questions] == ["Q-02"]
    assert found.left_out[0].why == "Its verdict is adopt: it waits for a ruling, not for runs."
    assert found.day.questions[0].outlook[0].p == 0.3


def driven(run: int, driver: str, variant: str, minute: int, *, session: int = 1, state: str = "driven", tyres: str = "set 1",
           runs: int | None = None) -> DrivenRow:  # fmt: skip
    at = datetime(2026, 2, 3, 10, minute, tzinfo=UTC)
    return DrivenRow(session, f"S-{session:02d}", run, run, state, driver, "car 1", at, at, tyres, runs, "Q-01", variant, variant == "t40")


def test_what_was_driven_before_counts_for_order_tyres_and_the_check():
    rows = [driven(1, "AQ", "t40", 0, runs=3), driven(2, "AQ", "t45", 12), driven(3, "AQ", "t40", 24),
            driven(4, "DH", "t45", 36, state="short")]  # fmt: skip
    found = made(driven=rows, kit=[KitRow("tyre set", "Set 1", 12, None), KitRow("pack", "P-1", None, 50.0)])
    assert [b.tests for b in found.day.before] == [("Q-01 t45",)]
    assert (found.day.tyres[0].runs, found.day.tyres[0].left) == (7, 5), "3 before the first, and four driven since"
    assert found.day.packs[0].charging_min == 50
    assert [(r.variant, r.clock_min) for r in found.driven["Q-01"]] == [("t40", 0.0), ("t45", 12.0), ("t40", 24.0)]


def test_runs_of_the_session_itself_become_done():
    rows = [driven(1, "AQ", "t40", 0, session=99), driven(2, "AQ", "t45", 12, session=99),
            driven(3, "AQ", "t45", 24, session=99, state="short")]  # fmt: skip
    found = made(driven=rows, questions=("Q-01",))
    done = done_of(found, rows, 99, datetime(2026, 2, 3, 9, 0, tzinfo=UTC))
    assert [(d.test, d.end_min) for d in done] == [(None, 60.0), (("Q-01", "t45"), 72.0)]
    assert done[0].build == found.day.questions[0].control.build
    assert found.day.before == ()


def test_limits_of_drivers_are_read():
    assert read_limits("DH: rest 10; most 6\n\naq: cars Car 2, car 1", ["AQ", "DH"], CARS) == {
        "DH": {"rest_min": 10.0, "most_runs": 6}, "AQ": {"cars": ("car 2", "car 1")},
    }  # fmt: skip
    for bad in ("DH rest 10", "ZZ: rest 10", "DH: rest ten", "DH: cars car 9", "DH: most 100"):
        with pytest.raises(Refused):
            read_limits(bad, ["AQ", "DH"], CARS)


def test_both_questions_fit_the_day_by_count():
    assert too_much(made().day) is None
