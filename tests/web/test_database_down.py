"""A database that is locked, read-only, full or gone: 503, everything typed given back, and never “saved”."""

import shutil
import sqlite3
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import OperationalError

from app.db import Database
from app.main import create_app
from tests import make
from tests.pages import Browser, text_of

TYPED = {"name": "Tarnwick", "team": "Typed with cold fingers", "car": "buggy", "time_zone": "UTC", "edition": "1"}


@pytest.fixture
def team(db):
    return make.programme(db)


@pytest.fixture
def signed_in(browser, team):
    return browser.as_(team.OW)


def save(browser: Browser, team: make.Team):
    return browser.client.post(f"/programmes/{team.id}/settings", data=TYPED, follow_redirects=False)


def team_name(database: Database) -> str:
    with database.engine.connect() as connection:
        return connection.execute(text("SELECT team FROM programmes")).scalar_one()


def check_told_the_truth(answer) -> None:
    assert answer.status_code == 503, answer.text
    shown = text_of(answer.text)
    assert "Nothing was saved" in shown
    assert "Typed with cold fingers" in shown
    assert "Saved." not in shown
    assert answer.headers["retry-after"] == "5"
    assert "sqlite" not in answer.text.lower()
    assert "psycopg" not in answer.text.lower()


@contextmanager
def short_waits(database: Database):
    """Wait a moment for a lock instead of fifteen seconds."""
    if database.engine.dialect.name == "sqlite":

        def hurry(connection, _record, _proxy):
            connection.execute("PRAGMA busy_timeout=50")

    else:

        def hurry(connection, _record, _proxy):
            connection.execute("SET lock_timeout='50ms'")
            connection.commit()

    event.listen(database.engine, "checkout", hurry)
    yield
    event.remove(database.engine, "checkout", hurry)


def test_saving_works_while_the_database_is_well(signed_in, team, database):
    assert save(signed_in, team).status_code == 303
    assert team_name(database) == "Typed with cold fingers"


def test_a_locked_database(signed_in, team, database):
    other = Database(database.url)
    with short_waits(database), other.engine.connect().execution_options(writes=True) as holder:
        holder.execute(text("UPDATE programmes SET car='held'"))
        check_told_the_truth(save(signed_in, team))
        holder.rollback()
    other.dispose()
    assert team_name(database) == "Kelvane"
    assert save(signed_in, team).status_code == 303


def test_a_lock_is_not_waited_for_without_end(database):
    with database.engine.connect() as connection:
        if database.engine.dialect.name == "sqlite":
            waits = connection.execute(text("PRAGMA busy_timeout")).scalar_one()
        else:
            waits = connection.execute(
                text("SELECT setting::int FROM pg_settings WHERE name='lock_timeout'")
            ).scalar_one()
    assert 5_000 <= waits <= 30_000


def test_a_read_only_database(signed_in, team, database):
    make_read_only(database)
    check_told_the_truth(save(signed_in, team))
    assert team_name(database) == "Kelvane"


def make_read_only(database: Database) -> None:
    if database.engine.dialect.name == "sqlite":  # chmod does not stop root, this does
        event.listen(database.engine, "checkout", lambda connection, *_: connection.execute("PRAGMA query_only=ON"))
        return
    with database.engine.connect() as connection:
        name = connection.execute(text("SELECT current_database()")).scalar_one()
        connection.execute(text(f"ALTER DATABASE {name} SET default_transaction_read_only=on"))
        connection.commit()
    database.dispose()


def test_signing_in_on_a_read_only_database(browser, team, database):
    make_read_only(database)
    answer = browser.client.post("/sign-in", data={"login": "AQ", "password": make.PASSWORD}, follow_redirects=False)
    assert answer.status_code == 503
    assert make.PASSWORD not in answer.text
    assert "set-cookie" not in answer.headers


@pytest.mark.only("sqlite")  # a full disk is planted with a pragma that only SQLite has
def test_a_full_disk(signed_in, team, database):
    with database.engine.connect() as connection:
        pages = connection.execute(text("PRAGMA page_count")).scalar_one()
    event.listen(
        database.engine, "checkout", lambda connection, *_: connection.execute(f"PRAGMA max_page_count={pages}")
    )
    names = []
    for number in range(200):
        names.append(f"{number} Typed with cold fingers")
        form = {"name": names[-1], "kind": "quality", "lowest": "1", "highest": "10", "step": "1", "low_word": "w" * 40}
        answer = signed_in.client.post(f"/programmes/{team.id}/attributes", data=form, follow_redirects=False)
        if answer.status_code != 303:
            break
    check_told_the_truth(answer)
    with database.engine.connect() as connection:
        kept = set(connection.execute(text("SELECT name FROM attributes")).scalars())
    assert names[-1] not in kept
    assert set(names[:-1]) < kept


def test_a_database_that_went_away(signed_in, team, database, postgres):
    """The file removed under the running app, or a PostgreSQL that lets nobody in."""
    if postgres is None:
        path = Path(database.url.removeprefix("sqlite:///"))
        kept = path.with_name("moved away")
        for end in ("", "-wal", "-shm"):
            if path.with_name(path.name + end).exists():
                shutil.move(str(path) + end, str(kept) + end)
        check_told_the_truth(save(signed_in, team))
        with sqlite3.connect(kept) as moved:
            assert moved.execute("SELECT team FROM programmes").fetchone() == ("Kelvane",)
        return
    name = database.engine.url.database
    with postgres.admin() as admin:
        admin.execute(f"ALTER DATABASE {name} ALLOW_CONNECTIONS false")
        admin.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname=%s", (name,))
    check_told_the_truth(save(signed_in, team))
    assert signed_in.client.get(f"/programmes/{team.id}/settings").status_code == 503
    with postgres.admin() as admin:
        admin.execute(f"ALTER DATABASE {name} ALLOW_CONNECTIONS true")
    assert save(signed_in, team).status_code == 303  # and it comes back by itself
    assert team_name(database) == "Typed with cold fingers"


def test_a_database_that_was_never_there(settings, tmp_path):
    """Nothing listens at the address: every page says so, and the static files still come."""
    nowhere = "postgresql+psycopg://nobody@127.0.0.1:1/none?connect_timeout=2"
    with Browser(create_app(settings, Database(nowhere))) as browser:
        browser.client.cookies.set("proveout", "something")
        assert browser.get("/account", status=503)
        answer = browser.client.post("/programmes/1/settings", data=TYPED)
        check_told_the_truth(answer)
        assert browser.client.get("/static/css/base.css").status_code == 200


def test_a_fault_in_the_middle_of_a_command_leaves_nothing_behind(signed_in, team, database, monkeypatch):
    from app.programmes import commands

    def breaks(*_args, **_more):
        raise RuntimeError("after the update, before the end")

    monkeypatch.setattr(commands, "record", breaks)
    answer = save(signed_in, team)
    assert answer.status_code == 500
    assert "Typed with cold fingers" in answer.text
    assert "after the update" not in answer.text
    assert team_name(database) == "Kelvane"


def test_two_who_take_the_same_name_at_once_are_told_so(signed_in, team, database, monkeypatch):
    """The look before the leap says free, the database says taken: that is a conflict, not a fault."""
    from app.programmes import queries

    browser, monkey = signed_in, monkeypatch
    monkey.setattr(queries, "find_attribute_by_name", lambda *_: None)
    form = {"name": "Steering precision", "kind": "quality", "lowest": "1", "highest": "10", "step": "1"}
    answer = browser.client.post(f"/programmes/{team.id}/attributes", data=form)
    assert answer.status_code == 409
    assert "Steering precision" in answer.text


def test_what_was_saved_is_not_called_lost_when_the_receipt_fails(signed_in, team, database, monkeypatch):
    """The database goes away between the save and the note of where the form was sent."""
    from app.web import page

    def down(*_):
        raise OperationalError("INSERT", {}, Exception("gone"))

    monkeypatch.setattr(page, "note_answer", down)
    form = {**TYPED, "form_token": "a" * 20}
    answer = signed_in.client.post(f"/programmes/{team.id}/settings", data=form, follow_redirects=False)
    assert answer.status_code == 303
    assert team_name(database) == "Typed with cold fingers"


def test_readers_are_not_stopped_by_a_writer(signed_in, team, database):
    other = Database(database.url)
    with other.engine.connect().execution_options(writes=True) as holder:
        holder.execute(text("UPDATE programmes SET car='held'"))
        answers = []
        reading = threading.Thread(
            target=lambda: answers.append(signed_in.client.get(f"/programmes/{team.id}/settings"))
        )
        reading.start()
        reading.join(10)
        assert [answer.status_code for answer in answers] == [200]
        holder.rollback()
    other.dispose()
