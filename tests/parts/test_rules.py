import pytest

from app.errors import Refused
from app.parts import rules
from app.parts.models import PieceState, RevisionState


@pytest.mark.parametrize("text", ["FST", "t45", "4.5", "Ä_1", "RHP"])
def test_a_mark_takes_latin_letters_figures_and_its_signs(text):
    assert rules.mark_key(text, field="code", longest=24, extra="._") == text.casefold()


@pytest.mark.parametrize("text", ["FЅT", "РТ", "F ST", "F-ST", "ﷺ", "𝐅𝐒𝐓", "FST\u200b", "<b>", "...", "ＦＳＴ"])
def test_a_mark_that_could_be_mistaken_is_refused_with_a_way_out(text):
    with pytest.raises(Refused) as refused:
        rules.mark_key(text, field="code", longest=24, extra="._")
    assert refused.value.field == "code"
    assert refused.value.next_step


def test_marks_that_read_alike_at_arms_length_meet():
    assert rules.seen_key("t40") == rules.seen_key("t4o")
    assert rules.seen_key("fsl") == rules.seen_key("fs1") == rules.seen_key("fsi")
    assert rules.seen_key("t40") != rules.seen_key("t45")


def test_pieces_are_marked_on_from_the_highest_and_sub_marks_dont_count():
    assert rules.next_piece_marks([], 2) == ["#1", "#2"]
    assert rules.next_piece_marks(["#1", "#2", "#2m", "#2m2"], 2) == ["#3", "#4"]


def test_a_modified_piece_gets_its_own_sub_mark_each_time():
    assert rules.modified_mark("#2", ["#1", "#2"]) == "#2m"
    assert rules.modified_mark("#2m", ["#1", "#2", "#2m"]) == "#2m2"
    assert rules.modified_mark("#2m2", ["#1", "#2", "#2m", "#2m2"]) == "#2m3"


def test_nothing_leads_into_or_out_of_frozen_here():
    assert rules.NEXT_STATES[RevisionState.FROZEN] == ()
    assert all(RevisionState.FROZEN not in states for states in rules.NEXT_STATES.values())
    assert set(rules.NEXT_STATES) == set(RevisionState)


def test_only_the_way_forward_needs_no_reason():
    assert not rules.state_needs_reason("draft", "issued")
    assert not rules.state_needs_reason("issued", "candidate")
    assert rules.state_needs_reason("candidate", "in test")
    assert rules.state_needs_reason("in test", "withdrawn")
    assert rules.state_needs_reason("superseded", "in test")


def test_modified_is_never_chosen_by_hand():
    assert PieceState.MODIFIED not in rules.STATES_TO_CHOOSE
