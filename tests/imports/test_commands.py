"""Importing a table: everything it names is created, or nothing is."""

import time
from datetime import UTC, date, datetime

import pytest
from sqlalchemy import func, select

from app import clock
from app.access.viewer import Viewer
from app.db import transaction
from app.errors import Conflict, NotAllowed, Refused
from app.feedback.models import Mark, Slip, SlipVersion
from app.feedback.rules import content_hash, derived_reasons
from app.history.queries import list_trail
from app.imports.commands import import_into_new_programme, import_ratings
from app.imports.queries import find_import
from app.imports.rules import Scale
from app.people.models import Account
from app.people.queries import list_people
from app.programmes.queries import list_attributes
from app.questions.queries import get_question
from app.sessions.models import AsRunBuild, BuildVariant, Run, Session
from app.tables import TableRefused, read_table
from tests import make
from tests.imports.tables import WINE, choices, csv, dump, wine_choices


def count(db, model) -> int:
    return db.scalar(select(func.count()).select_from(model))


def bring(db, content: bytes, chosen=None, *, by: Viewer):
    with transaction(db):
        return import_ratings(db, read_table(content), chosen or choices(), by=by, file_name="ratings.csv")


GOOD = ("AQ,S1,1,t40,7", "AQ,S1,2,t45,7.5", "New Driver,S1,3,t45,n/a")


def test_the_wine_panel_becomes_a_running_question_with_72_marks_by_9_judges(db):
    team = make.programme(db)
    imported = bring(db, WINE, wine_choices(), by=team.OW)
    question = get_question(db, team.id, imported.question_id)
    assert question.state == "running"
    assert [(v.code, v.is_control, v.whole_car) for v in question.variants] == [
        ("no", True, True),
        ("yes", False, True),
    ]
    assert question.rules[0].locked_at is not None
    assert question.rules[0].declared["sessions"] == 2
    assert (count(db, Mark), count(db, Slip), count(db, Run), count(db, AsRunBuild)) == (72, 72, 72, 72)
    assert count(db, BuildVariant) == 72
    sessions = db.scalars(select(Session).order_by(Session.number)).all()
    assert [(s.alias, s.place, s.state, s.order_known) for s in sessions] == [
        ("cold", "cold", "closed", False),
        ("warm", "warm", "closed", False),
    ]
    judges = [person for person in list_people(db, team.id) if person.login.startswith("imported-")]
    assert sorted(person.initials for person in judges) == [str(n) for n in range(1, 10)]
    attribute = list_attributes(db, team.id)[-1]
    assert (attribute.name, attribute.on_slip, attribute.highest_hundredths) == ("bitterness", False, 500)
    total = db.scalar(select(func.sum(Mark.mark_hundredths)))
    assert total == sum(int(line.rsplit(b",", 1)[1]) * 100 for line in WINE.splitlines()[1:])


def test_every_slip_is_a_first_version_that_stands_with_its_true_hash_and_build(db):
    team = make.programme(db)
    bring(db, csv(*GOOD), by=team.RT)
    for version in db.scalars(select(SlipVersion)):
        given = select(Mark.attribute_id, Mark.mark_hundredths).where(Mark.slip_version_id == version.id)
        marks = dict(tuple(row) for row in db.execute(given))
        slip = db.get(Slip, version.slip_id)
        build = db.get(AsRunBuild, version.build_id)
        assert version.content_hash == content_hash(
            slip.run_id, slip.rater_id, marks, confidence="", heard_others=False, remark=""
        )
        assert (version.version, slip.version, version.state, slip.source) == (1, 1, "stands", "imported table")
        assert build.run_id == slip.run_id == version.run_id
        assert build.state == "confirmed"
        assert slip.rater_id == db.get(Run, slip.run_id).driver_id
        assert slip.filed_by_id == team.RT.account_id


def test_a_driver_of_the_programme_is_found_by_initials_or_name_and_others_are_made_without_a_password(db):
    team = make.programme(db)
    bring(db, csv("aq,S1,1,t40,7", "Mirek Sandovale,S1,2,t45,7", "Jo Brand,S1,3,t45,7"), by=team.OW)
    drivers = set(db.scalars(select(Run.driver_id)))
    new = db.scalar(select(Account).where(Account.name == "Jo Brand"))
    assert drivers == {team.AQ.account_id, team.MS.account_id, new.id}
    assert new.password_hash is None
    assert new.login == f"imported-{team.id}-jo-brand"


def test_the_same_file_again_adds_nothing_and_says_what_it_became(db):
    team = make.programme(db)
    first = bring(db, WINE, wine_choices(), by=team.OW)
    before = dump(db)
    again = bring(db, WINE, wine_choices(title="Another?"), by=team.OW)
    assert again.question_id == first.question_id
    assert again.earlier.label == first.label
    assert dump(db) == before
    assert find_import(db, team.id, read_table(WINE).digest).file_name == "ratings.csv"


def test_the_same_file_may_go_into_another_programme(db):
    bring(db, WINE, wine_choices(), by=make.programme(db).OW)
    other = make.programme(db, name="Fellside")
    assert bring(db, WINE, wine_choices(), by=other.OW).earlier is None
    assert count(db, Mark) == 144


@pytest.mark.parametrize("row", ["AQ,S1,9,t40,11", "AQ,S1,9,t40,nan", ",S1,9,t40,7", "AQ,S1,1,t45,7", "AQ,S1,9,T40,7"])
def test_one_bad_line_at_the_end_leaves_the_database_untouched(db, row):
    team = make.programme(db)
    before = dump(db)
    with pytest.raises(TableRefused):
        bring(db, csv(*GOOD, row), by=team.OW)
    assert dump(db) == before


def test_a_fault_in_the_middle_of_the_writing_leaves_the_database_untouched(db, monkeypatch):
    team = make.programme(db)
    before = dump(db)

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("pulled plug")

    monkeypatch.setattr("app.imports.commands.questions.lock_rules", broken)
    with pytest.raises(RuntimeError, match="pulled plug"):
        bring(db, csv(*GOOD), by=team.OW)
    assert dump(db) == before


def test_a_title_that_is_taken_is_refused_so_that_a_mended_file_is_not_counted_twice(db):
    team = make.programme(db)
    bring(db, csv(*GOOD), by=team.OW)
    with pytest.raises(Conflict) as caught:
        bring(db, csv(*GOOD, "AQ,S1,4,t40,7"), by=team.OW)
    assert caught.value.field == "title"


def test_a_driver_may_not_import(db):
    team = make.programme(db)
    with pytest.raises(NotAllowed):
        bring(db, csv(*GOOD), by=team.AQ)


def test_times_follow_the_date_the_programmes_zone_and_the_minutes(db):
    team = make.programme(db, time_zone="Europe/Berlin")
    header = "driver,session,run,variant,rating,date,clock_min"
    bring(
        db,
        csv("AQ,S1,1,t40,7,2026-02-03,24", "AQ,S1,2,t45,7,,36", header=header),
        choices("date", "clock_min"),
        by=team.OW,
    )
    session = db.scalar(select(Session))
    assert (session.on_date, session.order_known) == (date(2026, 2, 3), True)
    started = db.scalars(select(Run.started_at).order_by(Run.number)).all()
    assert started == [datetime(2026, 2, 3, 8, 24, tzinfo=UTC), datetime(2026, 2, 3, 8, 36, tzinfo=UTC)]


def test_run_numbers_tell_times_when_nobody_shares_them_and_none_when_the_order_is_unknown(db):
    team = make.programme(db)
    with clock.at(datetime(2026, 3, 1, 12, tzinfo=UTC)):
        bring(db, csv("AQ,S1,1,t40,7", "MS,S1,3,t45,7", "AQ,S2,1,t40,7", "MS,S2,1,t45,7"), by=team.OW)
    runs = db.execute(
        select(Session.alias, Run.alias, Run.started_at, Run.ended_at).join(Session).order_by(Run.id)
    ).all()
    assert [(session, run, at and at.hour * 60 + at.minute, end) for session, run, at, end in runs] == [
        ("S1", "1", 540, None),
        ("S1", "3", 564, None),
        ("S2", "1", None, None),
        ("S2", "1", None, None),
    ]


def test_imported_slips_count_although_they_come_long_after_the_session(db):
    team = make.programme(db)
    header = "driver,session,run,variant,rating,date"
    bring(db, csv("AQ,S1,1,t40,7,2019-02-03", "AQ,S1,2,t45,7,2019-02-03", header=header), choices("date"), by=team.OW)
    for slip in db.scalars(select(Slip)):
        assert derived_reasons(db.get(Run, slip.run_id), slip.captured_at) == []


def test_a_day_that_the_zone_skipped_is_refused_in_words(db):
    team = make.programme(db, time_zone="Pacific/Apia")
    header = "driver,session,run,variant,rating,date"
    before = dump(db)
    with pytest.raises(Refused, match="can't begin at 09:00"):
        bring(db, csv("AQ,S1,1,t40,7,2011-12-30", "AQ,S1,2,t45,7,", header=header), choices("date"), by=team.OW)
    assert dump(db) == before


def test_a_table_may_have_a_programme_of_its_own_with_only_its_attributes(db):
    team = make.programme(db)
    with transaction(db):
        made = import_into_new_programme(db, read_table(WINE), wine_choices(), by=team_founder(team), name="Wine")
    assert made.programme_id != team.id
    assert [(a.name, a.on_slip) for a in list_attributes(db, made.programme_id)] == [("bitterness", True)]
    with pytest.raises(Conflict) as caught, transaction(db):
        import_into_new_programme(db, read_table(WINE), wine_choices(), by=team_founder(team), name="wine")
    assert caught.value.field == "programme_name"


def team_founder(team: make.Team) -> Viewer:
    return Viewer(team.OW.account_id, team.OW.name, starts_programmes=True)


def test_the_trail_tells_of_the_import_and_of_everything_few(db):
    team = make.programme(db)
    bring(db, csv(*GOOD), by=team.OW)
    lines = list_trail(db, team.id)
    assert {"imported table", "added from a table", "planned", "asked"} <= {line.what for line in lines}
    (line,) = [line for line in lines if line.what == "imported table"]
    assert (line.detail["marks"], line.detail["file_name"]) == (3, "ratings.csv")


def test_remark_confidence_and_could_not_judge_come_along(db):
    team = make.programme(db)
    header = "driver,session,run,variant,rating,remark,confidence,attribute"
    rows = ("AQ,S1,1,t40,7,stiff,sure,a", "AQ,S1,1,t40,,stiff,sure,b", "AQ,S1,2,t45,6,,,a")
    bring(db, csv(*rows, header=header), choices("remark", "confidence", "attribute"), by=team.OW)
    first = db.scalar(select(SlipVersion).order_by(SlipVersion.id))
    assert (first.remark, first.confidence) == ("stiff", "sure")
    marks = db.scalars(
        select(Mark.mark_hundredths).where(Mark.slip_version_id == first.id).order_by(Mark.attribute_id)
    ).all()
    assert marks == [700, None]


def test_twelve_thousand_marks_go_in_within_half_a_minute(db):
    team = make.programme(db)
    rows = [
        f"D{d},S{s},{r},{'t40' if (r + d) % 2 else 't45'},{1 + (r * d + s) % 10},{a}"
        for d in range(8)
        for s in range(10)
        for r in range(40)
        for a in "wxyz"
    ]
    content = csv(*rows, header="driver,session,run,variant,rating,attribute")
    began = time.perf_counter()
    bring(db, content, choices("attribute", scale=Scale("quality", 100, 1000, 100)), by=team.OW)
    assert time.perf_counter() - began < 30
    assert count(db, Mark) == 12_800


def test_a_person_named_two_ways_is_refused_with_line_and_column(db):
    team = make.programme(db)
    before = dump(db)
    with pytest.raises(TableRefused) as said:
        bring(db, csv("AQ,S1,1,t40,7", "Asta Quillfeather,S1,2,t45,7.5"), by=team.OW)
    (error,) = said.value.errors.lines
    assert (error.line, error.column, error.value) == (3, "driver", "Asta Quillfeather")
    assert "same person here as “AQ”" in error.reason
    assert dump(db) == before
