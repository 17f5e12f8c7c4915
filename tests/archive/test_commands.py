"""Out of one installation and into an empty one, whole or not at all."""

import io
import json
import random
import zipfile
from collections.abc import Callable

import pytest
from sqlalchemy import func, select

from app.archive import commands
from app.archive.commands import import_archive, reset_password
from app.archive.format import LEFT_OUT, BadArchive, digest
from app.archive.queries import archived_columns, archived_tables
from app.db import Database, transaction
from app.errors import Conflict, Refused
from app.history.models import Happening
from app.people.commands import invite_first_manager
from app.people.models import Account
from app.people.queries import find_account_by_login, find_invitation
from app.people.rules import name_key
from app.programmes.models import Programme
from app.schema import metadata
from tests import make
from tests.archive.conftest import NASTY, export
from tests.imports.tables import dump


def files(archive: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(archive)) as found:
        return {name: found.read(name) for name in found.namelist()}


def packed(content: dict[str, bytes], *, seal: bool = True) -> bytes:
    """A zip of these files; `seal` writes their true digests and row counts into the manifest."""
    if seal and "manifest.json" in content:
        manifest = json.loads(content["manifest.json"])
        for table in manifest["tables"]:
            table["sha256"] = digest(content.get(table["file"], b""))
        content = content | {"manifest.json": json.dumps(manifest).encode()}
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in content.items():
            made.writestr(name, data)
    return target.getvalue()


def bring(database: Database, archive: bytes) -> None:
    with database.session() as db, transaction(db):
        import_archive(db, io.BytesIO(archive))


def refused(database: Database, archive: bytes) -> str:
    """The sentence; the installation must be as it was."""
    with database.session() as db:
        before = dump(db)
    with pytest.raises(Refused) as caught:
        bring(database, archive)
    with database.session() as db:
        assert dump(db) == before
    return caught.value.sentence


def without_manifest(archive: bytes) -> dict[str, bytes]:
    return {name: data for name, data in files(archive).items() if name != "manifest.json"}


def test_an_import_exported_again_is_identical_table_for_table(archive, empty):
    again = empty()
    bring(again, archive)
    assert without_manifest(export(again)) == without_manifest(archive)


@pytest.mark.parametrize("there", [True, False])
def test_an_archive_goes_from_one_kind_of_database_to_the_other_and_back(archive, database, empty, there):
    first, second = empty(sqlite=there), empty(sqlite=not there)
    bring(first, archive)
    bring(second, export(first))
    assert without_manifest(export(second)) == without_manifest(archive)


def test_the_same_installation_exported_twice_gives_the_same_tables(archive, database):
    assert without_manifest(export(database)) == without_manifest(archive)


def test_every_table_is_archived_or_named_as_left_out(archive):
    manifest = json.loads(files(archive)["manifest.json"])
    named = {table["name"] for table in manifest["tables"]}
    assert named | set(manifest["left_out"]) >= set(metadata.tables)
    assert {f"{table}.csv" for table in named} | {"manifest.json"} == set(files(archive))
    for table in manifest["tables"]:
        assert table["sha256"] == digest(files(archive)[table["file"]])
        assert table["rows"] > 0, f"{table['name']}: the test's installation has no row to try"


def test_no_secret_is_in_an_archive(archive, database):
    with database.session() as db:
        hashes = [found for found in db.scalars(select(Account.password_hash)) if found]
    content = b"".join(files(archive).values())
    assert hashes
    assert not any(found.encode() in content for found in hashes)
    assert b"argon2" not in content
    assert b"password_hash" not in files(archive)["accounts.csv"]
    assert not any(table.name in LEFT_OUT for table in archived_tables())
    secret = ("token_hash", "password", "throttle")
    columns = [f"{t.name}.{c.name}" for t in archived_tables() for c in archived_columns(t)]
    assert [name for name in columns if any(word in name for word in secret)] == []


def test_texts_come_back_to_the_letter(archive, empty):
    again = empty()
    bring(again, archive)
    with again.session() as db:
        found = db.execute(
            select(Happening.label, Happening.why, Happening.detail).where(Happening.what == "noted")
        ).all()
    assert [tuple(row) for row in found] == [(text, text, {"words": text, "figure": 0.1}) for text in NASTY]


def test_the_next_number_after_an_import_is_free(archive, empty):
    again = empty()
    bring(again, archive)
    with again.session() as db:
        other = make.programme(db, name="Fellside")
        assert other.id == db.scalar(select(func.max(Programme.id)))


def test_an_installation_with_people_takes_no_archive(archive, database, empty):
    assert "has people already" in refused(database, archive)


def test_the_first_link_of_the_empty_installation_is_void_afterwards(archive, empty):
    again = empty()
    with again.session() as db, transaction(db):
        token = invite_first_manager(db)
    bring(again, archive)
    with again.session() as db:
        assert find_invitation(db, token) is None


def test_nobody_can_sign_in_until_a_password_is_set(archive, empty):
    again = empty()
    bring(again, archive)
    with again.session() as db:
        assert db.scalar(select(func.count()).where(Account.password_hash.is_not(None))) == 0
        with transaction(db):
            reset_password(db, make.HASHER, "ow", "quarry-hall-78")
        assert make.HASHER.verify(find_account_by_login(db, "OW").password_hash, "quarry-hall-78")
        with pytest.raises(Refused, match="Nobody signs in"), transaction(db):
            reset_password(db, make.HASHER, "nobody", "quarry-hall-78")
        with pytest.raises(Refused, match="at least 10"), transaction(db):
            reset_password(db, make.HASHER, "OW", "short")


def changed(name: str, old: bytes, new: bytes) -> Callable[[dict[str, bytes]], dict[str, bytes]]:
    def change(content: dict[str, bytes]) -> dict[str, bytes]:
        assert old in content[name], f"{name} has no {old!r}: {content[name][:300]!r}"
        return content | {name: content[name].replace(old, new, 1)}

    return change


@pytest.mark.parametrize(
    "change, words",
    [
        (changed("cars.csv", b"imported", b"import\xff"), "Table cars is not UTF-8 text"),
        (
            changed("sessions.csv", b",closed,", b",shut,"),
            "Table sessions, line 2: the row breaks a rule of the database",
        ),
        (changed("memberships.csv", b"driver", b"pilot"), "column hats: “pilot” has a word not known here"),
        (
            changed("marks.csv", b"\r\n1,1,", b"\r\n1,999999,"),
            "line 2, column slip_version_id: “999999” points to no row",
        ),
        (
            changed("marks.csv", b"\r\n1,1,", b"\r\none,1,"),
            "Table marks, line 2, column id: “one” is not a whole number",
        ),
        (changed("marks.csv", b"mark_hundredths", b"mark"), "Table marks has no column mark_hundredths"),
        (changed("programmes.csv", b"Tarnwick", b"Tarnwick" * 20), "column name: “Tarnwick"),
        (changed("programmes.csv", b"Tarnwick", b"\\N"), "column name: “\\N” is needed here"),
        (changed("marks.csv", b"\r\n2,2,", b"\r\n1,2,"), "Table marks, line 3: the row breaks a rule of the database"),
        (changed("accounts.csv", b",true,", b",TRUE,"), "column starts_programmes: “TRUE” is not a true or false"),
        (lambda c: c | {"marks.csv": c["marks.csv"].rsplit(b"\r\n", 2)[0] + b"\r\n"}, "rows, the manifest says"),
        (lambda c: c | {"../../evil.csv": b"x"}, "holds “../../evil.csv”, which is no table"),
        (lambda c: {name: data for name, data in c.items() if name != "marks.csv"}, "lacks marks.csv"),
        (lambda c: {name: data for name, data in c.items() if name != "manifest.json"}, "lacks manifest.json"),
        (lambda c: c | {"manifest.json": b"{"}, "manifest can't be read"),
        (changed("manifest.json", b'"schema": "', b'"schema": "9'), "is of schema 9"),
        (changed("manifest.json", b'"format": 1', b'"format": 2'), "has format 2"),
        (changed("manifest.json", b'"name": "marks"', b'"name": "stars"'), "Missing: marks; strange: stars"),
        (changed("happenings.csv", b'""figure"":0.1', b'""figure"":0.10'), "Table happenings reads back differently"),
    ],
)
def test_an_altered_archive_is_refused_with_the_place_and_nothing_is_kept(archive, empty, change, words):
    content = change(files(archive))
    sealed = packed(content, seal=b'"tables"' in content.get("manifest.json", b""))
    assert words in refused(empty(), sealed)


def test_a_piece_that_was_made_from_a_later_one_is_refused(archive, empty):
    lines = files(archive)["pieces.csv"].split(b"\r\n")
    names = lines[0].split(b",")
    cells = lines[1].split(b",")
    cells[names.index(b"modified_from_id")] = cells[0]
    content = files(archive) | {"pieces.csv": b"\r\n".join([lines[0], b",".join(cells), *lines[2:]])}
    assert "points to no row of pieces before it" in refused(empty(), packed(content))


def test_a_table_changed_by_one_letter_is_named(archive, empty):
    content = changed("slips.csv", b"import-", b"Import-")(files(archive))
    assert "Table slips is not as it was exported" in refused(empty(), packed(content, seal=False))


def test_what_is_no_zip_or_is_cut_off_is_refused(archive, empty):
    nowhere = empty()
    for content in (b"", b"PK", b"driver,rating\n", archive[: len(archive) // 2], archive[:-30]):
        assert "not a zip archive" in refused(nowhere, content)


def test_damaged_bytes_anywhere_are_refused_or_change_nothing(archive, empty):
    rng = random.Random(5)
    for _ in range(60):
        broken = bytearray(archive)
        for _ in range(rng.choice((1, 3, 40))):
            broken[rng.randrange(len(broken))] = rng.randrange(256)
        again = empty(sqlite=True)
        try:
            bring(again, bytes(broken))
        except Refused:
            with again.session() as db:
                assert db.scalar(select(func.count()).select_from(Account)) == 0
        else:
            assert without_manifest(export(again)) == without_manifest(archive)
        again.dispose()


def test_a_zip_bomb_is_refused_before_it_is_unpacked(archive, empty, monkeypatch):
    content = files(archive) | {"marks.csv": b"0" * 30_000_000}
    assert "marks.csv unpacks to more than 200 times its size" in refused(empty(), packed(content))
    monkeypatch.setattr(commands, "MOST_BYTES", 1000)
    assert "unpacks to" in refused(empty(), archive)


def test_a_file_twice_in_the_zip_is_refused(archive, empty):
    target = io.BytesIO(archive)
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(target, "a") as more:
        more.writestr("marks.csv", b"x")
    assert "holds marks.csv twice" in refused(empty(), target.getvalue())


def test_a_fault_at_the_end_of_an_import_leaves_nothing(archive, empty, monkeypatch):
    def broken(*_: object) -> None:
        raise BadArchive("pulled plug")

    monkeypatch.setattr(commands, "_set_sequences", broken)
    assert "pulled plug" in refused(empty(), archive)


def test_a_disabled_account_gets_no_password(database):
    with database.session() as db:
        team = make.programme(db)
        with transaction(db):
            account = db.get(Account, team.AQ.account_id)
            account.disabled_at = account.created_at
        with pytest.raises(Conflict, match="disabled"), transaction(db):
            reset_password(db, make.HASHER, name_key("AQ"), "quarry-hall-78")
