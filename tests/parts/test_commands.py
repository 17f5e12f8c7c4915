import threading

import pytest
from sqlalchemy import select

from app.db import transaction
from app.errors import Conflict, Frozen, NotAllowed, NotFound, Refused
from app.history.models import Happening
from app.parts import commands, queries
from app.parts.models import PieceState, Process, Revision, RevisionState
from app.parts.rules import Facts
from tests import make
from tests.parts import make_parts


@pytest.fixture
def team(db):
    return make.programme(db)


@pytest.fixture
def fst(db, team):
    return make_parts.tower(db, team.RT)


def add(db, by, **values):
    with transaction(db):
        return commands.add_part(
            db, by=by, **{"number": "KT-0102", "code": "RHP", "title": "Rear hinge pin", **values}
        ).id


@pytest.mark.parametrize(
    "values, field",
    [
        ({"code": "fst"}, "code"),
        ({"number": "kt-0101"}, "number"),
        ({"number": "KT-O1O1"}, "number"),
        ({"title": "\u200b"}, "title"),
        ({"title": "Rеar pin"}, "title"),
        ({"code": "RНP"}, "code"),
    ],
)
def test_a_part_that_could_pass_for_another_is_refused_at_its_field(db, team, fst, values, field):
    with pytest.raises(Refused) as refused:
        add(db, team.RT, **values)
    assert refused.value.field == field
    assert len(queries.list_parts(db, team.id)) == 1


def test_two_programmes_may_use_the_same_code(db, team, fst):
    other = make.programme(db, name="Merrow")
    assert make_parts.tower(db, other.RT) != fst


def test_steps_count_themselves_along_a_line(db, team, fst):
    first = make_parts.revision(db, team.RT, fst, "t45")
    make_parts.revision(db, team.RT, fst, "t40")
    second = make_parts.revision(db, team.RT, fst, "T45", note="+0.5 mm fillet")
    assert queries.get_revision(db, team.id, first).label == "FST-t45 r1"
    assert queries.get_revision(db, team.id, second).label == "FST-t45 r2"
    assert [row.label for row in queries.list_revisions(db, team.id)] == ["FST-t40 r1", "FST-t45 r1", "FST-t45 r2"]


def test_a_second_step_needs_a_change_note(db, team, fst):
    make_parts.revision(db, team.RT, fst)
    with pytest.raises(Refused, match="FST-t45 r2 needs a change note"), transaction(db):
        commands.issue_revision(db, fst, by=team.RT, line="t45")


def test_a_line_that_reads_like_another_is_refused(db, team, fst):
    make_parts.revision(db, team.RT, fst, "t40")
    with pytest.raises(Conflict, match="reads like t40"):
        make_parts.revision(db, team.RT, fst, "t4O")


def test_the_same_form_sent_twice_issues_one_revision(db, team, fst):
    make_parts.revision(db, team.RT, fst, seen=0)
    with pytest.raises(Conflict, match="FST-t45 r1 was issued while this form was open"):
        make_parts.revision(db, team.RT, fst, seen=0)
    assert len(queries.list_revisions(db, team.id)) == 1


def test_two_people_issuing_at_once_never_get_the_same_step(database, db, team, fst):
    failed = []

    def issue():
        try:
            with database.sessions() as own:
                make_parts.revision(own, team.RT, fst, "t45", note="another")
        except Exception as wrong:
            failed.append(wrong)

    threads = [threading.Thread(target=issue) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    assert [row.step for row in queries.list_revisions(db, team.id)] == [1, 2, 3, 4]


def test_a_changed_alias_keeps_everything_and_both_names_find_it(db, team, fst):
    # scenario 33
    revision_id = make_parts.revision(db, team.RT, fst, "t50", alias="thick one")
    before = queries.get_revision(db, team.id, revision_id)
    label, step, digest = before.label, before.step, before.file_digest
    with transaction(db):
        commands.edit_revision(
            db, revision_id, by=team.RT, edition=1, alias="five-mil", facts=Facts(change_note="as drawn")
        )
    after = queries.get_revision(db, team.id, revision_id)
    assert (after.label, after.step, after.file_digest, after.alias) == (label, step, digest, "five-mil")
    for words in ("thick", "FIVE-mil", "fst-t50 r1", "shock"):
        assert [row.id for block in queries.search_parts(db, team.id, words) for row in block.revisions] == [
            revision_id
        ], words
    assert queries.search_parts(db, team.id, "thick")[0].old_aliases == {revision_id: "thick one"}
    assert queries.search_parts(db, team.id, "no such") == []


def test_another_file_for_a_revision_that_was_run_is_refused_with_the_next_step(db, team, fst):
    # scenario 34, first half
    revision_id = make_parts.revision(db, team.RT, fst, content=b"solid r2")
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    make_parts.run_with(db, team.RT, piece_id)
    assert queries.revision_was_run(db, revision_id)
    with pytest.raises(Frozen, match="has been run") as refused, transaction(db):
        commands.keep_drawing(db, revision_id, by=team.RT, drawing=make_parts.drawing_of(b"solid r2 with fillet"))
    assert "FST-t45 r2" in refused.value.next_step
    assert refused.value.field == "drawing"
    assert queries.get_revision(db, team.id, revision_id).file_digest == make_parts.sha256(b"solid r2")


def test_the_same_file_again_adds_nothing_even_after_a_run(db, team, fst):
    revision_id = make_parts.revision(db, team.RT, fst, content=b"solid")
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    make_parts.run_with(db, team.RT, piece_id)
    with transaction(db):
        assert not commands.keep_drawing(
            db, revision_id, by=team.RT, drawing=make_parts.drawing_of(b"solid", "renamed.step")
        )
    assert queries.get_revision(db, team.id, revision_id).file_name == "FST-t45.step"


def test_before_any_run_a_file_may_be_replaced_and_the_trail_keeps_both_digests(db, team, fst):
    revision_id = make_parts.revision(db, team.RT, fst, content=b"one")
    with transaction(db):
        assert commands.keep_drawing(db, revision_id, by=team.RT, drawing=make_parts.drawing_of(b"two"))
    line = queries.list_happened(db, team.id, "revision", revision_id)[0]
    assert (line.what, line.detail["before"], line.detail["after"]) == (
        "changed file", make_parts.sha256(b"one"), make_parts.sha256(b"two"))  # fmt: skip


def test_states_go_forward_freely_and_back_with_a_reason(db, team, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    with transaction(db):
        commands.set_revision_state(db, revision_id, by=team.RT, edition=1, state=RevisionState.CANDIDATE)
    with pytest.raises(Refused, match="at least 10 characters"), transaction(db):
        commands.set_revision_state(db, revision_id, by=team.RT, edition=2, state=RevisionState.WITHDRAWN, why="bad")
    with pytest.raises(Refused, match="can't become frozen"), transaction(db):
        commands.set_revision_state(
            db, revision_id, by=team.RT, edition=2, state=RevisionState.FROZEN, why="it is ready now"
        )
    with transaction(db):
        commands.set_revision_state(
            db, revision_id, by=team.RT, edition=2, state=RevisionState.WITHDRAWN, why="cracks at the upper hole"
        )
    with pytest.raises(Conflict, match="withdrawn"):
        make_parts.pieces(db, team.RT, revision_id)


def test_pieces_get_the_next_marks_and_a_form_sent_twice_adds_once(db, team, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    with transaction(db):
        commands.add_pieces(db, revision_id, by=team.SK, process=Process.WATERJET, count=2, seen=0)
    with pytest.raises(Conflict, match="#1, #2"), transaction(db):
        commands.add_pieces(db, revision_id, by=team.SK, process=Process.WATERJET, count=2, seen=0)
    assert [row.label for row in queries.list_pieces(db, team.id)] == ["FST-t45 r1 #1", "FST-t45 r1 #2"]


@pytest.mark.parametrize("count", [0, -1, 51, 10**6])
def test_an_absurd_number_of_pieces_is_refused(db, team, fst, count):
    revision_id = make_parts.revision(db, team.RT, fst)
    with pytest.raises(Refused) as refused, transaction(db):
        commands.add_pieces(db, revision_id, by=team.SK, process=Process.PRINTED, count=count)
    assert refused.value.field == "count"


def test_a_piece_modified_by_hand_becomes_its_own_sub_mark(db, team, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    first, second = make_parts.pieces(db, team.RT, revision_id, 2)
    with transaction(db):
        made = commands.modify_piece(db, second, by=team.SK, edition=1, what="lower hole filed out by 0.3 mm").id
    assert [(row.mark, row.state) for row in queries.list_pieces(db, team.id)] == [
        ("#1", "on hand"), ("#2", "modified"), ("#2m", "on hand")]  # fmt: skip
    assert [row.id for row in queries.list_pieces(db, team.id, usable_only=True)] == [first, made]
    assert queries.count_pieces(db, team.id)[revision_id] == queries.PieceCount(usable=2, total=2)
    with pytest.raises(Conflict, match="no longer exists as such") as refused, transaction(db):
        commands.edit_piece(db, second, by=team.SK, edition=2, state=PieceState.ON_HAND, place="", note="")
    assert refused.value.next_step == "Go on with #2m."
    with transaction(db):
        commands.modify_piece(db, made, by=team.SK, edition=1, what="upper edge sanded by hand")
    assert queries.list_marks(db, revision_id) == ["#1", "#2", "#2m", "#2m2"]


def test_usable_leaves_out_broken_pieces_and_withdrawn_revisions(db, team, fst):
    kept, gone = make_parts.revision(db, team.RT, fst, "t40"), make_parts.revision(db, team.RT, fst, "t50")
    whole, broken = make_parts.pieces(db, team.RT, kept, 2)
    make_parts.pieces(db, team.RT, gone)
    with transaction(db):
        commands.edit_piece(db, broken, by=team.SK, edition=1, state=PieceState.BROKEN, place="bin", note="nose hit")
        commands.set_revision_state(
            db, gone, by=team.RT, edition=1, state=RevisionState.WITHDRAWN, why="drawn too thick"
        )
    assert [row.id for row in queries.list_pieces(db, team.id, usable_only=True)] == [whole]


def test_a_part_keeps_its_number_once_a_piece_carries_it(db, team, fst):
    with transaction(db):
        commands.edit_part(db, fst, by=team.RT, edition=1, title="Front tower", number="KT-0111")
    make_parts.pieces(db, team.RT, make_parts.revision(db, team.RT, fst))
    with pytest.raises(Refused, match="keeps its number KT-0111"), transaction(db):
        commands.edit_part(db, fst, by=team.RT, edition=2, title="Front tower", number="KT-0112")


@pytest.mark.parametrize("who", ["AQ", "SK"])
def test_only_a_designer_or_manager_edits_parts(db, team, fst, who):
    for command in (
        lambda: commands.add_part(db, by=team[who], number="1", code="X", title="x"),
        lambda: commands.issue_revision(db, fst, by=team[who], line="t45"),
        lambda: commands.edit_part(db, fst, by=team[who], edition=1, title="x", number="KT-0101"),
    ):
        with pytest.raises(NotAllowed), transaction(db):
            command()


def test_nothing_of_another_programme_can_be_reached(db, team, fst):
    revision_id = make_parts.revision(db, team.RT, fst)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    other = make.programme(db, name="Merrow").RT
    for command in (
        lambda: commands.issue_revision(db, fst, by=other, line="t45"),
        lambda: commands.add_pieces(db, revision_id, by=other, process=Process.PRINTED),
        lambda: commands.edit_piece(db, piece_id, by=other, edition=1, state=PieceState.LOST, place="", note=""),
        lambda: commands.keep_drawing(db, revision_id, by=other, drawing=make_parts.drawing_of(b"x")),
    ):
        with pytest.raises(NotFound), transaction(db):
            command()


def test_a_refused_command_leaves_nothing_behind(db, team, fst):
    trail = len(db.scalars(select(Happening.id)).all())
    with pytest.raises(Refused):
        make_parts.revision(db, team.RT, fst, alias="Mіxed")
    assert db.scalars(select(Revision)).all() == []
    assert len(db.scalars(select(Happening.id)).all()) == trail
