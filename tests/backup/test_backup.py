"""`python -m app backup` and `restore`: every backup made here is restored and compared.

What a plain copy of the file would miss is sqlite.org's own warning (howtocorrupt.html, 1.2); the sums are those of `tests.kills`.
"""

import copy
import hashlib
import shutil
import sqlite3
import time
from pathlib import Path
from random import Random

import pytest
from sqlalchemy import func, select, text

from app.__main__ import main
from app.backup.commands import make_backup, restore_backup
from app.db import Database
from app.errors import Refused
from app.photos.models import Photo
from app.schema import metadata
from tests.archive.conftest import empty, full  # noqa: F401
from tests.kills.checking import check
from tests.kills.episode import wait_for_receipts
from tests.kills.phone import Journal, Phone
from tests.kills.victim import Victim
from tests.kills.world import make_world
from tests.postgres import Server

BACKUPS, CLIENTS = 6, 16


@pytest.fixture
def nowhere(tmp_path, postgres):
    """Addresses of installations that are not there yet: on SQLite a file to come, on PostgreSQL an empty database."""
    made = []

    def url() -> str:
        made.append(len(made))
        if postgres is None:
            return f"sqlite:///{tmp_path / f'back{made[-1]}' / 'proveout.sqlite3'}"
        name = f"back{made[-1]}_{time.time_ns()}"
        with postgres.admin() as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return postgres.url(name)

    return url


def content(url: str) -> dict[str, list[tuple]]:
    """Every row of every table."""
    database = Database(url)
    try:
        with database.session() as db:
            return {table.name: sorted(map(tuple, db.execute(select(table)).all()), key=repr) for table in metadata.sorted_tables}
    finally:
        database.dispose()


def test_everything_comes_back_photos_passwords_and_keys_too(full, database_url, nowhere, tmp_path):  # noqa: F811
    before = content(database_url)
    assert all(before.values()), [name for name, rows in before.items() if not rows]
    made = make_backup(database_url, tmp_path / "all.backup")
    assert made.sha256 == hashlib.sha256((tmp_path / "all.backup").read_bytes()).hexdigest()
    held = restore_backup(tmp_path / "all.backup", url := nowhere())
    assert content(url) == before
    assert held == made.held
    assert held.counts["slips"] == len(before["slips"]) > 0
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.endswith(".part")) == []


def test_the_guards_come_back_with_the_rows(full, database_url, nowhere, tmp_path):  # noqa: F811
    make_backup(database_url, tmp_path / "all.backup")
    restore_backup(tmp_path / "all.backup", url := nowhere())
    assert guards(url) == guards(database_url) != set()


def guards(url: str) -> set[tuple[str, str]]:
    """Triggers by table."""
    asked = ("SELECT tbl_name, name FROM sqlite_master WHERE type = 'trigger'" if url.startswith("sqlite") else
             "SELECT event_object_table, trigger_name FROM information_schema.triggers")  # fmt: skip
    database = Database(url)
    try:
        with database.session() as db:
            return set(map(tuple, db.execute(text(asked)).all()))
    finally:
        database.dispose()


@pytest.fixture(scope="module")
def durable(backend):
    if backend != "postgresql":
        yield None
        return
    server = Server.start(durable=True)
    yield server
    server.stop()


@pytest.fixture
def served(durable, request):
    if durable is None:
        yield request.getfixturevalue("database_url")
        return
    with durable.fresh_database() as url:
        yield url


def test_a_backup_under_load_holds_all_that_was_acknowledged_before_it(served, nowhere, tmp_path):
    """Sixteen phones file without a pause; each backup is restored and held against what they had receipts for."""
    database = Database(served)
    world, journal = make_world(database, clients=CLIENTS, runs_each=40), Journal()
    database.dispose()
    victim = Victim(tmp_path, served, plant="none")
    phones = [Phone(world, person, victim.port, journal, f"backup {n}") for n, person in enumerate(world.people)]
    random, taken = Random(3), []
    try:
        victim.start()
        for phone in phones:
            phone.start()
        for n in range(BACKUPS):
            wait_for_receipts(journal)
            time.sleep(random.uniform(0.1, 0.7))
            began, before = time.time(), journal.receipts
            make_backup(served, file := tmp_path / f"{n}.backup")
            taken.append((file, before, *_as_of(journal, began)))
    finally:
        for phone in phones:
            phone.give_up.set()
        for phone in phones:
            phone.join(20)
        victim.close()
    assert not journal.refused, journal.refused[:3]
    for file, before, wanted, acked in taken:
        restore_backup(file, url := nowhere())
        database = Database(url)
        sums = check(database, world.programme_id, wanted)
        database.dispose()
        print(f"{file.name}: {acked} acknowledged before it, {sums.counts()}")
        assert not any(sums.counts().values()), [line for lines in sums.faults.values() for line in list(lines.values())[:3]]
        assert acked >= before > 0


def _as_of(journal: Journal, moment: float):
    """What had been written by now, acknowledged only where the receipt came before the moment."""
    wanted = []
    for entry in list(journal.written):
        seen = copy.copy(entry)
        if seen.acked_at is not None and seen.acked_at >= moment:
            seen.acked_at = None
        wanted.append(seen)
    return wanted, sum(entry.acked_at is not None for entry in wanted)


@pytest.mark.only("sqlite")
def test_a_plain_copy_of_the_file_would_not_do(full, database, database_url, tmp_path):  # noqa: F811
    """The control: with a writer connected, the newest rows stand in the log beside the file."""
    file = Path(database_url.removeprefix("sqlite:///"))
    with database.session() as db:
        db.execute(text("SELECT 1"))
        shutil.copyfile(file, copied := tmp_path / "copied.sqlite3")
        make_backup(database_url, tmp_path / "right.backup")
    with sqlite3.connect(copied) as plain, sqlite3.connect(tmp_path / "right.backup") as right:
        told = [connection.execute("SELECT count(*) FROM happenings").fetchone()[0] if connection.execute(
            "SELECT 1 FROM sqlite_master WHERE name = 'happenings'").fetchone() else 0 for connection in (plain, right)]  # fmt: skip
    assert told[0] < told[1]


def test_nothing_is_written_over(full, database_url, tmp_path):  # noqa: F811
    (tmp_path / "there").write_text("mine")
    with pytest.raises(Refused, match="is there already"):
        make_backup(database_url, tmp_path / "there")
    assert (tmp_path / "there").read_text() == "mine"
    make_backup(database_url, tmp_path / "all.backup")
    before = content(database_url)
    with pytest.raises(Refused, match=r"is there already|is not empty"):
        restore_backup(tmp_path / "all.backup", database_url)
    assert content(database_url) == before


@pytest.mark.only("sqlite")
@pytest.mark.parametrize("spoil", ["cut", "overwritten", "no rows", "newer", "text", "zip"])
def test_what_is_no_sound_backup_is_refused_and_nothing_is_left(full, database_url, nowhere, tmp_path, spoil):  # noqa: F811
    file = tmp_path / "all.backup"
    make_backup(database_url, file)
    whole = file.read_bytes()
    if spoil == "cut":
        file.write_bytes(whole[: len(whole) // 2])
    elif spoil == "overwritten":
        middle = len(whole) // 2
        file.write_bytes(whole[:middle] + b"\xff" * 20_000 + whole[middle + 20_000 :])
    elif spoil in ("text", "zip"):
        file.write_bytes(b"not one" if spoil == "text" else b"PK\x03\x04...")
    else:
        with sqlite3.connect(file) as changed:
            changed.execute("DROP TABLE alembic_version" if spoil == "no rows" else "UPDATE alembic_version SET version_num = '9999'")
    said = {"cut": "damaged", "overwritten": "damaged", "no rows": "no installation's database", "newer": "9999", "text": "is no backup",
            "zip": "import-archive"}[spoil]  # fmt: skip
    with pytest.raises(Refused) as refused:
        restore_backup(file, url := nowhere())
    assert said in refused.value.sentence
    folder = Path(url.removeprefix("sqlite:///")).parent
    assert not folder.exists() or not list(folder.iterdir())


def test_a_backup_of_the_other_database_is_refused_with_the_way_out(database_url, tmp_path):
    other = b"PGDMP\x01" if database_url.startswith("sqlite") else b"SQLite format 3\x00"
    (tmp_path / "other.backup").write_bytes(other * 20)
    with pytest.raises(Refused, match="is a backup of") as refused:
        restore_backup(tmp_path / "other.backup", database_url)
    assert "export from the old installation" in refused.value.next_step


@pytest.mark.only("sqlite")
def test_at_the_command_line(full, database, database_url, tmp_path, monkeypatch, capsys):  # noqa: F811
    monkeypatch.delenv("DATABASE_URL", raising=False)
    with database.session() as db:
        photos = db.scalar(select(func.count()).select_from(Photo))
    file, data = tmp_path / "team.backup", tmp_path / "other"
    assert main(["backup", str(file), "--data", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert f"{photos} photo" in out
    assert hashlib.sha256(file.read_bytes()).hexdigest() in out
    assert "the keys of blind blocks" in out
    assert main(["restore", str(file), "--data", str(data)]) == 0
    assert f"Brought back {file} into {data}" in capsys.readouterr().out
    assert main(["restore", str(file), "--data", str(data)]) == 2
    assert "stop the server and move the old one away" in capsys.readouterr().err
    assert main(["backup", str(tmp_path / "b2"), "--data", str(tmp_path / "mistyped")]) == 2
    assert "There is no installation" in capsys.readouterr().err
    assert not (tmp_path / "mistyped").exists()
    assert main(["restore", str(tmp_path / "gone"), "--data", str(tmp_path / "x")]) == 2
    assert "No such file" in capsys.readouterr().err


@pytest.mark.only("postgresql")
def test_without_postgresqls_tools_it_says_so(database_url, tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(Refused, match="pg_dump is not on this machine"):
        make_backup(database_url, tmp_path / "all.backup")
    assert not list(tmp_path.glob("all*"))
