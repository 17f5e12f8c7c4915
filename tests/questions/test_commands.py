"""Questions, variants and rules: identities, states, and what never changes once something was filed."""

import pytest
from sqlalchemy import text as sql

from app.db import DatabaseFault, transaction
from app.errors import Conflict, Frozen, NotAllowed, NotFound, Refused
from app.questions import commands, queries
from app.questions.models import VariantState
from app.questions.rules import DeclaredRule, FactRule, GoalRule, MustRule, current_rule
from tests import fixture, make
from tests.questions import steps


@pytest.fixture
def d(db):
    return steps.desk(db)


def question(db, d, question_id):
    db.rollback()
    return queries.get_question(db, d.team.id, question_id)


def test_questions_are_numbered_in_their_programme(db, d):
    ids = [steps.draft(db, d, title=title) for title in ("One?", "Two?")]
    assert [question(db, d, i).label for i in ids] == ["Q-01", "Q-02"]
    other = make.programme(db, name="Ostrel")
    with transaction(db):
        elsewhere = commands.add_question(db, by=other.RT, title="Theirs?", asked_ground="mass")
        assert elsewhere.label == "Q-01"


@pytest.mark.parametrize("initials", ["AQ", "SK"])
def test_drivers_and_conductors_do_not_ask(db, d, initials):
    question_id = steps.draft(db, d)
    by = d.team[initials]
    for step in (
        lambda: commands.add_question(db, by=by, title="Mine?", asked_ground="mass"),
        lambda: commands.add_variant(db, question_id, by=by, code="x"),
        lambda: commands.declare_rule(db, question_id, by=by, rule=d.rule()),
        lambda: commands.ask_question(db, question_id, by=by),
        lambda: commands.drop_question(db, question_id, by=by, why="no longer wanted"),
    ):
        with pytest.raises(NotAllowed), transaction(db):
            step()


def test_a_question_of_another_programme_is_not_there(db, d):
    question_id = steps.draft(db, d)
    other = make.programme(db, name="Ostrel")
    with pytest.raises(NotFound):
        queries.get_question(db, other.id, question_id)
    with pytest.raises(NotFound), transaction(db):
        commands.add_variant(db, question_id, by=other.RT, code="x", whole_car=True)
    with pytest.raises(NotFound), transaction(db):
        commands.edit_question(db, question_id, by=other.RT, edition=1, title="Taken", text="", asked_ground="mass",
                               deciding_ground="", owner_id=None, decide_by=None)  # fmt: skip
    assert question(db, d, question_id).title == "Tower thickness?"


def test_a_revision_of_another_programme_is_no_variant(db, d):
    question_id = steps.draft(db, d)
    other = make.programme(db, name="Ostrel")
    with transaction(db):
        theirs = commands.add_question(db, by=other.RT, title="Theirs?", asked_ground="mass").id
    with pytest.raises(NotFound), transaction(db):
        commands.add_variant(db, theirs, by=other.RT, code="t40", revision_ids=[d.revisions["t40"]])
    assert question(db, d, question_id).variants == []


def test_asking_needs_a_control_a_rival_and_a_rule(db, d):
    question_id = steps.draft(db, d)
    for said, step in (
        ("no control", lambda: steps.variant(db, d, question_id, "t40", control=True)),
        ("only a control", lambda: steps.variant(db, d, question_id, "t45")),
        ("no declared rule", lambda: commands.declare_rule(db, question_id, by=d.team.RT, rule=d.rule())),
    ):
        with pytest.raises(Conflict, match=said), transaction(db):
            commands.ask_question(db, question_id, by=d.team.RT)
        db.rollback()
        if said == "no declared rule":
            with transaction(db):
                step()
        else:
            step()
    with transaction(db):
        commands.ask_question(db, question_id, by=d.team.RT)
    assert question(db, d, question_id).state == "asked"
    with pytest.raises(Conflict), transaction(db):
        commands.ask_question(db, question_id, by=d.team.RT)


def test_a_question_has_one_control_which_stays_live(db, d):
    question_id, variants = steps.asked(db, d)
    with pytest.raises(Conflict) as refused, transaction(db):
        commands.add_variant(
            db, question_id, by=d.team.RT, code="t50", is_control=True, revision_ids=[d.revisions["t50"]]
        )
    assert refused.value.field == "is_control"
    for state in (VariantState.PARKED, VariantState.ELIMINATED):
        with pytest.raises(Refused), transaction(db):
            commands.set_variant_state(db, question_id, variants["t40"], by=d.team.RT, state=state, why="not now")
    with transaction(db):
        commands.set_variant_state(db, question_id, variants["t45"], by=d.team.RT, state="parked", why="no pieces")
    assert [v.state for v in question(db, d, question_id).variants] == ["live", "parked"]


def test_more_than_six_variants_are_refused(db, d):
    question_id = steps.draft(db, d)
    for number in range(6):
        steps.variant(db, d, question_id, f"car {number}", control=number == 0, whole_car=True)
    with pytest.raises(Refused, match="6 variants"):
        steps.variant(db, d, question_id, "car 6", whole_car=True)
    assert len(question(db, d, question_id).variants) == 6


def test_a_code_stands_once_whatever_its_capitals(db, d):
    question_id, _ = steps.asked(db, d)
    with pytest.raises(Conflict) as refused, transaction(db):
        commands.add_variant(db, question_id, by=d.team.RT, code="T45", whole_car=True)
    assert refused.value.field == "code"


def test_one_revision_is_one_variant(db, d):
    question_id, variants = steps.asked(db, d)
    with pytest.raises(Conflict), transaction(db):
        commands.add_variant_revision(db, question_id, variants["t45"], by=d.team.RT, revision_id=d.revisions["t40"])
    with transaction(db):
        commands.add_variant_revision(db, question_id, variants["t45"], by=d.team.RT, revision_id=d.revisions["t50"])
    carried = {v.code: len(v.revisions) for v in question(db, d, question_id).variants}
    assert carried == {"t40": 1, "t45": 2}


def test_the_rule_locks_at_the_first_counted_run_and_then_needs_a_reason(db):
    w = fixture.world(db)
    session_id = fixture.session(db, w)
    found = queries.get_question(db, w.team.id, w.question_id)
    assert (found.state, current_rule(found).locked_at) == ("asked", None)
    w.drive(db, session_id, "AQ", 1, "t40", "6.0")
    db.rollback()
    found = queries.get_question(db, w.team.id, w.question_id)
    assert found.state == "running"
    assert current_rule(found).locked_at is not None
    stricter = DeclaredRule(goals=(GoalRule(w.season.attributes["Steering precision"]),), worthwhile_hundredths=100)
    with pytest.raises(Refused) as refused, transaction(db):
        commands.declare_rule(db, w.question_id, by=w.team.RT, rule=stricter, reason="short")
    assert refused.value.field == "reason"
    with transaction(db):
        commands.declare_rule(db, w.question_id, by=w.team.RT, rule=stricter, reason="half a mark is noise here")
    db.rollback()
    versions = queries.get_question(db, w.team.id, w.question_id).rules
    assert [(v.version, v.declared["worthwhile_hundredths"]) for v in versions] == [(1, 50), (2, 100)]
    assert versions[1].locked_at is not None


def test_a_short_run_locks_nothing(db):
    from app.sessions import build_commands
    from app.sessions import commands as sessions

    w = fixture.world(db)
    session_id = fixture.session(db, w)
    with transaction(db):
        run = sessions.add_run(db, session_id, by=w.team.SK, driver_id=w.team.AQ.account_id, car_id=w.season.cars[0])
        build_commands.record_build(db, run.id, by=w.team.SK, piece_ids=[w.q.pieces["t45"][0]])
        sessions.start_run(db, run.id, by=w.team.SK)
        sessions.end_run(db, run.id, by=w.team.SK, laps=3)
    found = queries.get_question(db, w.team.id, w.question_id)
    assert (found.state, current_rule(found).locked_at) == ("asked", None)


def test_an_old_rule_version_is_never_changed(db, d):
    question_id, _ = steps.asked(db, d)
    with pytest.raises(DatabaseFault, match="never changed"), transaction(db):
        db.execute(sql("UPDATE rule_versions SET declared = '{}' WHERE question_id = :q"), {"q": question_id})


def test_declaring_the_same_rule_again_is_refused(db, d):
    question_id, _ = steps.asked(db, d)
    with pytest.raises(Refused, match="the same as before"), transaction(db):
        commands.declare_rule(db, question_id, by=d.team.RT, rule=d.rule(), reason="nothing really new")
    assert len(question(db, d, question_id).rules) == 1


@pytest.mark.parametrize(
    "wrong, field",
    [
        ({"goals": ()}, "goal"),
        ({"drivers": 1}, "drivers"),
        ({"sessions": 1}, "sessions"),
        ({"blind_percent": 101}, "blind_percent"),
        ({"conditions": ("moon dust",)}, "conditions"),
        ({"worthwhile_hundredths": 0}, "worthwhile"),
        ({"brackets": 0}, "drivers"),
        ({"goals": (GoalRule(99999),)}, "goal"),
    ],
)
def test_a_rule_that_could_not_decide_is_refused_at_its_field(db, d, wrong, field):
    question_id, _ = steps.asked(db, d)
    with pytest.raises(Refused) as refused, transaction(db):
        commands.declare_rule(db, question_id, by=d.team.RT, rule=d.rule(**wrong), reason="a better rule")
    assert refused.value.field == field


def test_no_worse_needs_its_fact_for_every_variant(db, d):
    question_id, _ = steps.asked(db, d)
    must = (MustRule(d.season.attributes["Steering precision"], 50),)
    for fact in (
        None,
        FactRule("mass", "g", "lower", {"t40": 12.4}),
        FactRule("mass", "g", "lower", {"t40": 1, "t45": 2, "t9": 3}),
    ):
        with pytest.raises(Refused), transaction(db):
            commands.declare_rule(db, question_id, by=d.team.RT, reason="no gain is wanted",
                                  rule=DeclaredRule(kind="no_worse", musts=must, fact=fact))  # fmt: skip
    assert len(question(db, d, question_id).rules) == 1


def test_a_ruled_question_takes_no_variant_and_is_not_dropped(db, d):
    question_id, _ = steps.asked(db, d)
    with transaction(db):
        queries.get_question(db, d.team.id, question_id, lock=True).state = "ruled"
    with pytest.raises(Frozen):
        steps.variant(db, d, question_id, "t50")
    with pytest.raises(Frozen), transaction(db):
        commands.drop_question(db, question_id, by=d.team.RT, why="no longer wanted")
