import threading
from datetime import date, timedelta

import pytest
from sqlalchemy import select

from app import clock
from app.concerns import closing_commands, commands, queries
from app.concerns.commands import About
from app.concerns.models import CloseKind, Concern, Danger
from app.concerns.rules import Closing
from app.db import transaction
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.history.models import Happening
from app.parts.models import RevisionState
from tests import make
from tests.concerns.make_concerns import WORDS, concern
from tests.parts import make_parts

REASON = "12 clean hits on the thicker pin, none bent"


@pytest.fixture
def team(db):
    return make.programme(db)


@pytest.fixture
def pin(db, team):
    with transaction(db):
        from app.parts.commands import add_part

        return add_part(db, by=team.RT, number="KT-0102", code="RHP", title="Rear hinge pin").id


LEAVE = {"until": date(2099, 4, 30), "scope": "the two cars of the carpet tests"}
FIGURES = {"clean": 29, "failures": 0}  # what `proving` counts before it closes


def close(db, by, concern_id, kind=CloseKind.CONCESSION, reason=REASON, edition=None, shown=None, **named):
    """Close it; under a concession unless another kind is named."""
    edition = edition or queries.get_concern(db, by.programme_id, concern_id).edition
    closing = Closing(kind, reason, **(LEAVE if kind == CloseKind.CONCESSION and not named else named))
    with transaction(db):
        closing_commands.close_concern(db, concern_id, by=by, edition=edition, closing=closing, shown=shown)


def triage(db, by, concern_id, *, edition=1, danger=Danger.MARGINAL, severity=5, owner_id=None, blocker=False, why=""):
    with transaction(db):
        commands.triage_concern(
            db,
            concern_id,
            by=by,
            edition=edition,
            danger=danger,
            product_severity=severity,
            owner_id=owner_id,
            blocker=blocker,
            why=why,
        )


def row(db, team, concern_id, **more):
    return queries.get_concern_row(db, team.id, concern_id, **more)


def test_anyone_raises_and_the_words_are_kept_as_typed(db, team):
    for number, who in enumerate(("AQ", "SK", "RT", "OW"), 1):
        concern_id = concern(db, team[who], f"{WORDS}\nSecond line from {who}.")
        found = row(db, team, concern_id)
        assert (found.label, found.raised_by, found.words) == (f"C-0{number}", who, f"{WORDS}\nSecond line from {who}.")


@pytest.mark.parametrize("danger, severity", [(Danger.CRITICAL, 1), (Danger.NEGLIGIBLE, 7)])
def test_a_driver_raises_a_blocker_by_rule_without_ticking_anything(db, team, danger, severity):
    concern_id = concern(db, team.AQ, danger=danger, severity=severity)
    assert [found.id for found in queries.list_open_blockers(db, team.id)] == [concern_id]


def test_only_who_may_triage_says_that_a_milder_one_stops_the_freeze(db, team):
    with pytest.raises(NotAllowed):
        concern(db, team.AQ, stops=True)
    assert row(db, team, concern(db, team.RT, stops=True)).blocks


def test_two_raisers_at_once_never_get_the_same_number(database, db, team):
    failed = []

    def raise_one(who):
        try:
            with database.sessions() as own:
                concern(own, team[who], f"Seen by {who}")
        except Exception as wrong:
            failed.append(wrong)

    threads = [threading.Thread(target=raise_one, args=(who,)) for who in ("AQ", "MS", "DH", "SK")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    assert sorted(db.scalars(select(Concern.number))) == [1, 2, 3, 4]


def test_the_same_form_sent_twice_raises_one_concern(db, team):
    assert concern(db, team.AQ) == concern(db, team.AQ)
    assert concern(db, team.MS) != concern(db, team.AQ)
    with clock.at(clock.now() + timedelta(minutes=11)):
        concern(db, team.AQ)
    assert len(queries.list_concerns(db, team.id)) == 3


def test_a_piece_brings_its_revision_and_a_pair_that_doesnt_belong_is_refused(db, team, pin):
    first, second = make_parts.revision(db, team.RT, pin, "p25"), make_parts.revision(db, team.RT, pin, "p30")
    (piece_id,) = make_parts.pieces(db, team.RT, first)
    assert row(db, team, concern(db, team.AQ, piece_id=piece_id)).revision == "RHP-p25 r1"
    with pytest.raises(Refused) as refused:
        concern(db, team.AQ, "another", piece_id=piece_id, revision_id=second)
    assert refused.value.field == "piece_id"


def test_what_belongs_to_another_programme_can_be_neither_named_nor_reached(db, team, pin):
    revision_id = make_parts.revision(db, team.RT, pin)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    run_id = make_parts.run_with(db, team.RT, piece_id)
    other = make.programme(db, name="Merrow")
    for about in ({"revision_id": revision_id}, {"piece_id": piece_id}, {"run_id": run_id}, {"question_id": 1}):
        with pytest.raises(NotFound):
            concern(db, other.AQ, **about)
    concern_id = concern(db, team.AQ)
    for command in (
        lambda: commands.add_remark(db, concern_id, by=other.AQ, text="mine"),
        lambda: closing_commands.reopen_concern(db, concern_id, by=other.RT, edition=1, reason=REASON),
        lambda: closing_commands.close_concern(
            db, concern_id, by=other.RT, edition=1, closing=Closing(CloseKind.SAME_AS, REASON, same_as_id=1)
        ),
    ):
        with pytest.raises(NotFound), transaction(db):
            command()
    assert queries.list_concerns(db, other.id) == []


def test_the_worst_for_people_comes_first_then_the_worst_for_the_product_then_closed_ones(db, team):
    mild = concern(db, team.AQ, "rubs", Danger.NEGLIGIBLE, 3)
    severe = concern(db, team.AQ, "stops", Danger.NEGLIGIBLE, 8)
    burns = concern(db, team.AQ, "pack swells", Danger.CATASTROPHIC, 2)
    shut = concern(db, team.AQ, "rattles", Danger.CRITICAL, 9)
    close(db, team.OW, shut)
    assert [found.id for found in queries.list_concerns(db, team.id)] == [burns, severe, mild, shut]
    assert [found.label for found in queries.list_open_blockers(db, team.id)] == ["C-03", "C-02"]


def test_raising_the_severity_makes_it_a_blocker_whatever_is_ticked(db, team):
    concern_id = concern(db, team.AQ)
    triage(db, team.RT, concern_id, severity=8, owner_id=team.RT.account_id)
    found = row(db, team, concern_id)
    assert (found.blocks, found.owner) == (True, "RT")


def test_a_blocker_by_rule_cant_be_let_go(db, team):
    concern_id = concern(db, team.AQ, severity=8)
    with pytest.raises(Refused, match="stops the freeze by rule") as refused:
        triage(db, team.OW, concern_id, severity=8, blocker=False, why="we are late for the season")
    assert refused.value.field == "blocker"
    with pytest.raises(Refused, match="No longer stopping the freeze needs a reason"):
        triage(db, team.OW, concern_id, severity=4, blocker=False)
    triage(db, team.OW, concern_id, severity=4, blocker=False, why="it was the bench car, with no body on")
    assert not row(db, team, concern_id).blocks


def test_judging_it_less_severe_needs_a_reason_and_the_trail_keeps_both(db, team):
    concern_id = concern(db, team.AQ, severity=6)
    with pytest.raises(Refused, match="Judging it less severe needs a reason"):
        triage(db, team.RT, concern_id, severity=3)
    triage(db, team.RT, concern_id, severity=3, why="only seen with the old horn")
    event = queries.list_events(db, team.id, concern_id)[-1]
    assert event.detail == {"before": {"product_severity": 6}, "after": {"product_severity": 3}}


def test_an_owner_is_somebody_who_is_still_here(db, team):
    from app.people.commands import disable_account

    concern_id = concern(db, team.AQ)
    with transaction(db):
        disable_account(db, team.PL.account_id, by=team.OW, why="left the team")
    for owner_id in (team.PL.account_id, 99_999):
        with pytest.raises(Refused):
            triage(db, team.RT, concern_id, owner_id=owner_id)


def test_a_stale_triage_is_a_conflict(db, team):
    concern_id = concern(db, team.AQ)
    triage(db, team.RT, concern_id, severity=6)
    with pytest.raises(Conflict, match="Somebody else changed C-01"):
        triage(db, team.OW, concern_id, severity=5, why="only with the old horn")


def test_closing_as_cured_names_a_later_revision_of_the_same_part(db, team, pin):
    old = make_parts.revision(db, team.RT, pin, "p30")
    worried = make_parts.revision(db, team.RT, pin, "p30", note="thicker head")
    draft = make_parts.revision(db, team.RT, pin, "p35", state=RevisionState.DRAFT)
    other = make_parts.revision(db, team.RT, make_parts.tower(db, team.RT), "t45")
    concern_id = concern(db, team.AQ, revision_id=worried)
    for wrong in (old, worried, draft, other, None):
        with pytest.raises(Refused) as refused:
            close(db, team.RT, concern_id, CloseKind.CURED, later_revision_id=wrong, shown=FIGURES)
        assert refused.value.field == "later_revision_id"
    cured = make_parts.revision(db, team.RT, pin, "p30", note="3.0 mm throughout")
    for kind in (CloseKind.CURED, CloseKind.DID_NOT_RECUR):
        with pytest.raises(Refused, match=r"can’t be closed as .* on words"):
            close(db, team.RT, concern_id, kind, later_revision_id=cured)
    close(db, team.RT, concern_id, CloseKind.CURED, later_revision_id=cured, shown=FIGURES)
    event = queries.list_events(db, team.id, concern_id)[-1]
    assert (event.kind, event.detail["named"], event.detail["clean"], event.text) == ("closed", "RHP-p30 r3", 29, REASON)


def test_a_blocker_cant_slip_through_as_the_same_as_a_milder_one(db, team):
    mild, severe = concern(db, team.AQ, "rubs"), concern(db, team.AQ, "stops", severity=9)
    with pytest.raises(Refused, match="C-02 stops the freeze and C-01 does not"):
        close(db, team.RT, severe, CloseKind.SAME_AS, same_as_id=mild)
    with pytest.raises(Refused, match="same as itself"):
        close(db, team.RT, severe, CloseKind.SAME_AS, same_as_id=severe)
    close(db, team.RT, mild, CloseKind.SAME_AS, same_as_id=severe)
    third = concern(db, team.AQ, "rubs again")
    with pytest.raises(Refused, match="itself closed as the same"):
        close(db, team.RT, third, CloseKind.SAME_AS, same_as_id=mild)


def test_a_concession_and_another_part_are_named_in_the_event(db, team, pin):
    lived, moved = (
        concern(db, team.AQ, "squeaks"),
        concern(db, team.AQ, "bends", revision_id=make_parts.revision(db, team.RT, pin)),
    )
    close(db, team.OW, lived)
    assert queries.list_events(db, team.id, lived)[-1].detail["until"] == "2099-04-30"
    own, other = row(db, team, moved).revision_id, make_parts.revision(db, team.RT, make_parts.tower(db, team.RT))
    with pytest.raises(Refused, match="about RHP-t45 r1 already"):
        close(db, team.RT, moved, CloseKind.OTHER_PART, other_revision_id=own)
    close(db, team.RT, moved, CloseKind.OTHER_PART, other_revision_id=other)
    assert queries.list_events(db, team.id, moved)[-1].detail["named"] == "C-03"
    assert (row(db, team, moved + 1).revision, row(db, team, moved + 1).words) == ("FST-t45 r1", "Was C-02: bends")


def test_a_concern_opened_again_stops_the_freeze_as_before(db, team):
    concern_id = concern(db, team.AQ, severity=8)
    close(db, team.OW, concern_id)
    assert queries.list_open_blockers(db, team.id) == []
    with pytest.raises(Conflict, match="closed already"):
        close(db, team.OW, concern_id)
    with pytest.raises(Conflict, match="is closed"):
        triage(db, team.RT, concern_id, edition=2)
    with pytest.raises(Refused, match="reason"), transaction(db):
        closing_commands.reopen_concern(db, concern_id, by=team.RT, edition=2, reason="again")
    with transaction(db):
        closing_commands.reopen_concern(db, concern_id, by=team.RT, edition=2, reason="bent again on a flat landing")
    found = row(db, team, concern_id)
    assert (found.state, found.blocks, found.close_kind) == ("open again", True, "")
    assert [event.kind for event in queries.list_events(db, team.id, concern_id)] == [
        "raised",
        "closed",
        "opened again",
    ]


def test_the_raisers_words_and_the_events_cant_be_altered_even_past_the_commands(db, team):
    concern_id = concern(db, team.AQ)
    from sqlalchemy import text
    from sqlalchemy.exc import DBAPIError

    for statement in (
        "UPDATE concerns SET words = 'fine'", "DELETE FROM concerns", "UPDATE concern_events SET text = 'fine'",
        "DELETE FROM concern_events",
    ):  # fmt: skip
        with pytest.raises(DBAPIError), transaction(db):
            db.execute(text(statement))
    assert row(db, team, concern_id).words == WORDS


def test_a_remark_sent_twice_is_added_once(db, team):
    concern_id = concern(db, team.AQ)
    for _ in range(2):
        with transaction(db):
            commands.add_remark(db, concern_id, by=team.DH, text="seen on car 3 too")
    assert [event.kind for event in queries.list_events(db, team.id, concern_id)] == ["raised", "remark"]


def test_a_driver_may_neither_triage_nor_close_nor_open_again(db, team):
    concern_id = concern(db, team.AQ)
    with pytest.raises(NotAllowed):
        triage(db, team.AQ, concern_id)
    with pytest.raises(NotAllowed):
        close(db, team.SK, concern_id)
    with pytest.raises(NotAllowed), transaction(db):
        closing_commands.reopen_concern(db, concern_id, by=team.AQ, edition=1, reason=REASON)


def test_what_was_raised_on_a_run_is_withheld_from_its_raters_until_the_session_closes(db, team, pin):
    revision_id = make_parts.revision(db, team.RT, pin)
    (piece_id,) = make_parts.pieces(db, team.RT, revision_id)
    run_id = make_parts.run_with(db, team.RT, piece_id, drivers=(team.AQ.account_id, team.DH.account_id))
    mild = concern(db, team.AQ, "the thick one pushes", run_id=run_id, piece_id=piece_id)
    danger = concern(db, team.AQ, "the pack is swollen", Danger.CRITICAL, 9, run_id=run_id)
    seen = row(db, team, mild, viewer=team.DH)
    assert seen.withheld
    assert (seen.revision, seen.piece, seen.revision_id) == ("", "", None)
    assert "thick" not in seen.words
    assert not row(db, team, danger, viewer=team.DH).withheld
    for who in ("AQ", "MS", "RT"):
        assert not row(db, team, mild, viewer=team[who]).withheld
    sessions = db.scalars(select(Happening.session_id).where(Happening.thing == "concern")).all()
    assert len(sessions) == 2
    assert None not in sessions


def test_later_features_find_the_concerns_of_a_question_and_a_revision(db, team, pin):
    revision_id = make_parts.revision(db, team.RT, pin)
    concern_id = concern(db, team.AQ, revision_id=revision_id)
    concern(db, team.AQ, "something else")
    assert [found.id for found in queries.list_concerns_of_revision(db, team.id, revision_id)] == [concern_id]
    assert queries.list_concerns_of_question(db, team.id, 1) == []


def test_a_refused_concern_leaves_nothing_behind(db, team):
    before = len(db.scalars(select(Happening.id)).all())
    for words, severity in (("\u200b", 5), ("bends", 0), ("bends", 11)):
        with pytest.raises(Refused), transaction(db):
            commands.raise_concern(
                db, by=team.AQ, words=words, danger=Danger.MARGINAL, product_severity=severity, about=About()
            )
    assert queries.list_concerns(db, team.id) == []
    assert len(db.scalars(select(Happening.id)).all()) == before
