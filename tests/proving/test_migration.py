"""A concern that was closed under concession before concessions were rows gets its row, and stands open once its day is over."""

from datetime import date, timedelta

from sqlalchemy import select

from app import clock
from app.concerns import queries
from app.concerns.models import CloseKind, Concession
from app.migrate import downgrade, upgrade
from tests.proving import steps


def test_a_concession_of_before_keeps_its_scope_and_its_day(database, db):
    p = steps.pin(db)
    until = clock.now().date() + timedelta(days=30)
    steps.close(db, p, CloseKind.CONCESSION, by="OW", until=until, scope="The two test cars, indoors only.")
    db.rollback()
    db.close()
    downgrade(database.url, "0009")
    database.dispose()
    upgrade(database.url)
    database.dispose()
    with database.session() as again:
        (row,) = again.scalars(select(Concession)).all()
        assert (row.concern_id, row.scope, row.until) == (p.concern_id, "The two test cars, indoors only.", until)
        assert isinstance(row.until, date)
        assert row.granted_by_id == p.team.OW.account_id
        assert not queries.get_concern_row(again, p.team.id, p.concern_id).blocks
        with clock.at(clock.now() + timedelta(days=31)):
            assert queries.get_concern_row(again, p.team.id, p.concern_id).blocks
