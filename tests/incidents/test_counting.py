"""Check values of job section 6 (13, 33, 37) and how exposures are counted. Sources stand beside each."""

import pytest

from app.db import transaction
from app.errors import NotAllowed, Refused
from app.incidents import commands, queries, rules
from app.incidents.exposures import IncidentFact, hits_of
from app.incidents.words import Cause, Damage, Happened
from app.measurements.models import Kind
from tests import fixture
from tests.incidents import steps
from tests.incidents.test_scenario_22 import loaded, through
from tests.measurements.steps import add


@pytest.mark.parametrize(("n", "shown"), [(5, "45.1 %"), (12, "22.1 %"), (30, "9.5 %"), (59, "4.95 %"), (100, "2.95 %")])
def test_no_failure_in_n(n, shown):
    """Check value 13: closed form 1 - .05^(1/n), which is Clopper-Pearson with no failure (scipy)."""
    from scipy.stats import beta

    assert rules.percent(rules.upper_bound(n)) == shown
    assert rules.upper_bound(n) == pytest.approx(beta.ppf(0.95, 1, n), rel=1e-12)


def test_a_bound_with_failures_is_the_exact_binomial_one():
    """P(X <= k) at the bound is .05 by definition; reference: scipy's binomial."""
    from scipy.stats import binom

    assert binom.cdf(2, 14, rules.upper_bound(12, 2)) == pytest.approx(0.05)
    assert rules.upper_bound(0) == rules.upper_bound(0, 3) == 1.0


def test_two_of_fourteen_against_none_of_twelve_is_no_proof():
    """Job scenario 37: one-sided Fisher P = 0.28; reference: scipy.stats.fisher_exact."""
    from scipy.stats import fisher_exact

    p = rules.fisher_p(2, 14, 0, 12)
    assert round(p, 2) == 0.28
    assert p == pytest.approx(fisher_exact([[2, 12], [0, 12]], alternative="greater").pvalue)


def test_seventeen_more_after_twelve_clean_hits_for_ten_percent():
    """Job scenario 37: 12 clean hits, 17 missing; 29 give 9.8 %."""
    assert rules.more_needed(12, 0.10) == 17
    assert rules.percent(rules.upper_bound(29)) == "9.8 %"
    assert rules.more_needed(29, 0.10) == 0


@pytest.mark.parametrize(("drop", "speed"), [(0.5, 3.13), (1.0, 4.43), (2.0, 6.26)])
def test_impact_speed_of_a_drop(drop, speed):
    """Check value 33: v = sqrt(2 g h)."""
    assert round(rules.impact_speed(drop), 2) == speed


@pytest.mark.parametrize(("speed", "joules"), [(10, 85), (8, 54)])
def test_energy_of_the_usual_car(speed, joules):
    """Check value 33: 1.7 kg, m v² / 2."""
    assert round(rules.energy_J(speed, 1700)) == joules
    assert f"{joules} J for 1.7 kg" in rules.energy_words(speed, None, None)


def fact(number, *, kind=Happened.NOSE, damage=(), cause=Cause.UNKNOWN, hits=1, piece=1):
    return IncidentFact(number, number, None, 1, piece, kind, hits, damage, cause)


def test_a_hit_on_two_pieces_of_a_revision_is_one_hit():
    assert hits_of([fact(1, hits=5), fact(1, hits=5, piece=2)], "board hit").clean == 5


def test_only_hits_of_the_asked_sort_count():
    facts = [fact(1), fact(2, kind=Happened.FLAT), fact(3, kind=Happened.RADIO), fact(4, kind=Happened.SIDE)]
    assert hits_of(facts, "board hit").clean == 2
    assert hits_of(facts, "any impact").clean == 3


@pytest.mark.parametrize(
    ("kind", "damage", "cause", "counts"),
    [
        (Happened.NOSE, (Damage.CRACKED,), Cause.UNKNOWN, True),
        (Happened.NOSE, (Damage.CRACKED,), Cause.ASSEMBLY, True),
        (Happened.NOSE, (Damage.CRACKED,), Cause.OTHER_PART, False),
        (Happened.NOSE, (Damage.CRACKED,), Cause.ACCIDENT, False),
        (Happened.NOSE, (), Cause.UNKNOWN, False),
        (Happened.NOSE, (Damage.NONE,), Cause.PART, False),
        (Happened.BALL_JOINT, (), Cause.UNKNOWN, True),
        (Happened.BALL_JOINT, (Damage.NONE,), Cause.UNKNOWN, False),
    ],
)
def test_what_counts_as_a_failure(kind, damage, cause, counts):
    """Our own rule, common practice, no source: damage named, or a kind that lets go; not by accident or another part."""
    assert rules.counts_as_failure(kind, damage, cause) is counts


def rows_of(evidence, code):
    return [(row.session, row.laps, row.impacts, row.failures) for row in evidence.exposures if row.variant == code]


def test_use_is_derived_from_runs_and_incidents(db):
    w = steps.day(db)
    steps.cracked(db, w)
    fixture.close(db, w, w.session_id)
    look = loaded(db, w).look
    assert rows_of(look, "t40") == [("S-01", 24, 0, 0)]
    assert rows_of(look, "t50") == [("S-01", 4, 1, 1)]


def test_a_question_on_handling_where_nothing_broke_is_told_of_no_laps(db):
    w = fixture.s03(db)
    assert loaded(db, w).look.exposures == ()


def test_where_a_table_was_filed_nothing_is_counted_twice(db):
    w = steps.day(db)
    steps.cracked(db, w)
    fixture.close(db, w, w.session_id)
    add(db, w, Kind.EXPOSURES, "part,revision,laps,minutes,failures,impacts,session\nFST,t50 r1,4,2,1,1,S-01\n")
    assert rows_of(loaded(db, w).look, "t50") == [("S-01", 4, 1, 1)]
    assert rows_of(loaded(db, w).look, "t40") == [("S-01", 24, 0, 0)]
    assert (through(db, w, "t50").laps, through(db, w, "t50").total_failures) == (4, 1)
    db.rollback()


def test_a_table_for_all_sessions_covers_them_all_and_a_withdrawn_one_covers_none(db):
    from app.measurements.commands import withdraw_table

    w = steps.day(db)
    steps.cracked(db, w)
    fixture.close(db, w, w.session_id)
    batch = add(db, w, Kind.EXPOSURES, "part,revision,laps,minutes,failures,impacts,session\nFST,t50 r1,900,0,0,0,\n")
    assert rows_of(loaded(db, w).look, "t50") == [(None, 900, 0, 0)]
    with transaction(db):
        withdraw_table(db, batch, by=w.team.SK, why="counted from memory")
    assert rows_of(loaded(db, w).look, "t50") == [("S-01", 4, 1, 1)]


def test_bench_hits_count_with_every_session(db):
    w = steps.day(db)
    steps.report(db, w, by="RT", kind=Happened.FLAT, effect="no effect", hits=50, drop_height_m=1.0, pieces={steps.piece(w, "t45"): ()})
    assert rows_of(loaded(db, w).look, "t45") == [(None, 0, 50, 0)]


# --- what a report needs, and what it does
@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"hits": 0}, "hits"), ({"speed_mps": 900.0}, "speed_mps"), ({"drop_height_m": -1.0}, "drop_height_m"),
        ({"speed_mps": 5.0, "drop_height_m": 1.0}, "drop_height_m"), ({"pack_damage": ("shiny",)}, "pack_damage"),
        ({"tweak_after_mm": 51.0}, "tweak_after_mm"), ({"lap_number": 0}, "lap_number"),
    ],
)  # fmt: skip
def test_what_cant_be_is_refused_at_its_field_and_nothing_is_stored(db, more, field):
    w = steps.day(db)
    with pytest.raises(Refused) as refused:
        steps.report(db, w, run_id=w.runs[-1], **more)
    assert refused.value.field == field
    assert queries.list_incidents(db, w.team.RT) == []


def test_both_no_damage_and_damage_is_refused(db):
    w = steps.day(db)
    with pytest.raises(Refused, match="can't have both"):
        steps.report(db, w, run_id=w.runs[-1], pieces={steps.piece(w, "t50"): ("cracked", "no damage found")})


def test_a_piece_that_was_not_on_the_car_is_refused(db):
    w = steps.day(db)
    with pytest.raises(Refused, match="has been corrected meanwhile"):
        steps.report(db, w, run_id=w.runs[-1], pieces={steps.piece(w, "t45"): ()})


def test_a_damaged_pack_raises_a_concern_for_people_by_itself(db):
    from app.concerns.queries import list_concerns

    w = steps.day(db)
    steps.report(db, w, run_id=w.runs[-1], pack_damage=("swollen pack",), words="Smells sweet.")
    (concern,) = list_concerns(db, w.team.id)
    assert (concern.danger, concern.blocker) == ("critical", True)
    assert concern.words == "I-01 swollen pack after board hit, nose. Smells sweet."


def test_without_the_tick_a_piece_stays_in_use_and_sound_pieces_always_do(db):
    from app.parts.queries import get_piece

    w = steps.day(db)
    piece = steps.piece(w, "t50")
    steps.report(db, w, run_id=w.runs[-1], pieces={piece: ("chipped edge",)}, quarantine=False)
    assert get_piece(db, w.team.id, piece).state == "on hand"
    db.rollback()
    steps.report(db, w, run_id=w.runs[-1], pieces={piece: ("no damage found",)})
    assert get_piece(db, w.team.id, piece).state == "on hand"


def test_the_first_description_and_every_class_are_never_changed(db):
    from sqlalchemy import text

    from app.db import DatabaseFault

    w = steps.day(db)
    steps.cracked(db, w)
    for table in ("incidents", "incident_pieces", "incident_causes"):
        with pytest.raises(DatabaseFault), transaction(db):
            db.execute(text(f"DELETE FROM {table}"))
    with pytest.raises(DatabaseFault), transaction(db):
        db.execute(text("UPDATE incidents SET words = 'it was nothing'"))


def test_classing_needs_a_reason_a_change_and_the_newest_version(db):
    w = steps.day(db)
    found = steps.cracked(db, w)
    why = "a reason long enough"
    for cause, reason, version in ((Cause.PART, "short", 1), (Cause.UNKNOWN, why, 1), (Cause.PART, why, 7)):
        with pytest.raises(Refused), transaction(db):
            commands.class_cause(db, found, by=w.team.RT, version=version, cause=cause, reason=reason)
    with transaction(db):
        commands.class_cause(db, found, by=w.team.OW, version=1, cause=Cause.PART, reason="Void in the lay-up at the hole.")
    assert [(c.version, c.cause) for c, _ in queries.list_causes(db, w.team.id, found)] == [(1, "unknown"), (2, "part")]


# --- planned abuse
def series(db, w, **more):
    values = {"kind": Happened.NOSE, "piece_ids": [steps.piece(w, "t45")], "hits_planned": 20, "check_every": 5, **more}
    with transaction(db):
        return commands.start_test(db, by=w.team.SK, **values).id


def test_a_series_counts_to_its_end_and_no_further(db):
    w = steps.day(db)
    test = series(db, w)
    for _ in range(4):
        steps.report(db, w, by="SK", abuse_test_id=test, effect="no effect", hits=5, pieces={steps.piece(w, "t45"): ()})
    with pytest.raises(Refused, match="20 of 20 hits"):
        steps.report(db, w, by="SK", abuse_test_id=test, effect="no effect", hits=1, pieces={steps.piece(w, "t45"): ()})
    (row,) = queries.list_tests(db, w.team.id)
    assert (row.done, row.entries) == (20, 4)
    gate = next(g for g in loaded(db, w).look.gates if g.variant == "t45")
    assert (gate.passed, gate.sentence) == (True, "t45: 20 clean hits of 20 board hits, bound 13.9 %")


@pytest.mark.parametrize("more", [{"kind": Happened.RADIO}, {"hits_planned": 0}, {"check_every": 21}, {"piece_ids": []}])
def test_a_series_that_counts_nothing_is_refused(db, more):
    w = steps.day(db)
    with pytest.raises(Refused):
        series(db, w, **more)


def test_a_driver_enters_hits_but_plans_no_abuse(db):
    w = steps.day(db)
    test = series(db, w)
    steps.report(db, w, by="AQ", abuse_test_id=test, effect="no effect", pieces={steps.piece(w, "t45"): ()})
    with pytest.raises(NotAllowed), transaction(db):
        commands.start_test(db, by=w.team.AQ, kind=Happened.NOSE, piece_ids=[1], hits_planned=5, check_every=5)
