"""What counts: each reason is judged by itself, so that taking one back never brings back what another spoils."""

import pytest

from app.db import transaction
from app.decisions import queries
from app.feedback import commands
from app.feedback.models import NotCounted
from app.feedback.rules import Note, counting
from tests import fixture

DAMAGED, SWAPPED, LATE = NotCounted.DAMAGED.value, NotCounted.CARS_SWAPPED.value, NotCounted.VERY_LATE.value


def note(number, reason, counts, *, slip=None):
    return Note(number, 1, slip, counts, reason, "seen at the table")


@pytest.mark.parametrize("derived, notes, left", [
    ([], [], ()),
    ([LATE], [], (LATE,)),
    ([LATE], [note(1, LATE, True)], ()),
    ([], [note(1, DAMAGED, False)], (DAMAGED,)),
    ([], [note(1, DAMAGED, False), note(2, DAMAGED, True)], ()),
    ([], [note(1, DAMAGED, False), note(2, SWAPPED, False), note(3, SWAPPED, True)], (DAMAGED,)),
    ([LATE], [note(1, SWAPPED, False), note(2, SWAPPED, True)], (LATE,)),
    ([], [note(1, DAMAGED, False), note(2, DAMAGED, True, slip=7)], ()),
    ([], [note(2, DAMAGED, True, slip=7), note(3, DAMAGED, False)], ()),
    ([], [note(1, DAMAGED, False, slip=8)], ()),
])  # fmt: skip
def test_each_reason_is_judged_by_itself(derived, notes, left):
    assert counting(7, 1, derived, notes).reasons == left


def test_swapping_back_does_not_bring_a_damaged_run_back(db):
    w = fixture.s03(db)
    for change in (
        lambda: commands.judge_counting(db, w.runs[3], by=w.team.SK, counts=False, reason=DAMAGED, text="it was bent"),
        lambda: commands.swap_cars(db, w.runs[3], w.runs[8], by=w.team.SK, why="they took each other's radios"),
        lambda: commands.swap_cars(db, w.runs[3], w.runs[8], by=w.team.SK, why="it was only thought so", undo=True),
    ):
        with transaction(db):
            change()
    readings = {r.variant: r for r in queries.open_sheet(db, w.team.RT, w.question_id).sheet.panel.readings}
    assert {d.driver for d in readings["t50"].drivers} == {"MS", "DH"}
