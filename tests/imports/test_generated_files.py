"""Generated ratings files: 1 000 of every layout come back mark by mark, 1 000 spoiled ones are taken or refused line by line.

`python -m tests.campaigns ratings_files` does the same with 10 000. Shares and limits are ours; no standard is known for such files.
"""

from collections import Counter

from hypothesis import HealthCheck, given, settings

from tests import make
from tests.imports.files import import_and_look, try_import
from tests.imports.layouts import ANYTHING, WRITTEN, check_round_trip, spoiled
from tests.imports.tables import dump

EASY = settings(deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)


@settings(EASY, max_examples=900)
@given(WRITTEN)
def test_every_layout_comes_back_mark_by_mark(written):
    check_round_trip(written)


def test_the_marks_of_a_file_stand_in_the_database(db):
    team = make.programme(db)

    @settings(EASY, max_examples=100)
    @given(WRITTEN)
    def look(written):
        import_and_look(db, team.OW, written)

    look()


def test_a_spoiled_file_is_taken_or_refused_line_by_line_and_a_refusal_changes_nothing(db):
    team = make.programme(db)
    before, told = dump(db), Counter()

    @settings(EASY, max_examples=700)
    @given(spoiled())
    def spoil(given):
        told[try_import(db, team.OW, *given, before)] += 1

    @settings(EASY, max_examples=300)
    @given(ANYTHING)
    def anything(given):
        told[try_import(db, team.OW, *given, before)] += 1

    spoil()
    anything()
    assert dump(db) == before
    assert min(told["taken"], told["refused"], told["choices"]) > 20, told
