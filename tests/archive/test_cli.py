"""`python -m app export`, `import-archive`, `reset-password`."""

import io
import sys
import zipfile
from pathlib import Path

import pytest

from app.__main__ import main
from app.db import Database
from app.people.queries import find_account_by_login
from tests import make


@pytest.fixture
def command(tmp_path: Path, monkeypatch, capsys):
    """Runs a command; answers exit code, what was printed and what went to the error output."""
    monkeypatch.setattr(Database, "check_durable", lambda _: None)  # the tests' own server runs without fsync

    def run(*words: object, url: str = "") -> tuple[int, str, str]:
        monkeypatch.setenv("DATABASE_URL", url) if url else monkeypatch.delenv("DATABASE_URL", raising=False)
        code = main([str(word) for word in words])
        printed = capsys.readouterr()
        return code, printed.out, printed.err

    return run


def test_out_and_in_again_and_a_password_to_sign_in_with(full, tmp_path, database_url, command, empty, monkeypatch):
    file, again = tmp_path / "all.zip", tmp_path / "again.zip"
    code, out, err = command("export", file, "--data", tmp_path, url=database_url)
    assert (code, err) == (0, "")
    assert f"Wrote {file}: " in out
    assert "accounts.password_hash" in out
    assert list(tmp_path.glob("*.part")) == []
    target = empty()
    code, out, err = command("import-archive", file, "--data", tmp_path, url=target.url)
    assert (code, err) == (0, "")
    assert f"python -m app reset-password ow --data {tmp_path}" in out
    monkeypatch.setattr(sys, "stdin", io.StringIO("quarry-hall-79\n"))
    code, out, _ = command("reset-password", "OW", "--data", tmp_path, url=target.url)
    assert code == 0
    assert "quarry-hall-79" not in out
    with target.session() as db:
        assert make.HASHER.verify(find_account_by_login(db, "OW").password_hash, "quarry-hall-79")
    code, out, _ = command("reset-password", "OW", "--generate", "--data", tmp_path, url=target.url)
    assert "The password: " in out
    code, _, err = command("import-archive", file, "--data", tmp_path, url=target.url)
    assert code == 2
    assert "has people already" in err
    assert command("export", again, "--data", tmp_path, url=target.url)[0] == 0
    with zipfile.ZipFile(file) as one, zipfile.ZipFile(again) as two:
        differing = [name for name in one.namelist() if one.read(name) != two.read(name)]
    assert sorted(differing) == ["happenings.csv", "manifest.json"]  # the trail tells of the new passwords


def test_a_mistyped_folder_makes_no_installation(tmp_path, command):
    folder = tmp_path / "none"
    code, _, err = command("export", tmp_path / "all.zip", "--data", folder)
    assert code == 2
    assert "There is no installation in" in err
    assert not folder.exists()
    assert command("reset-password", "OW", "--data", folder)[0] == 2
    assert not folder.exists()


def test_a_file_that_is_there_is_not_overwritten_and_one_that_is_not_is_said(full, tmp_path, database_url, command):
    file = tmp_path / "all.zip"
    file.write_text("mine")
    code, _, err = command("export", file, "--data", tmp_path, url=database_url)
    assert code == 2
    assert "is there already" in err
    assert file.read_text() == "mine"
    code, _, err = command("import-archive", tmp_path / "none.zip", "--data", tmp_path / "new")
    assert code == 2
    assert "No such file" in err
    assert command("export", tmp_path / "no" / "all.zip", "--data", tmp_path, url=database_url)[0] == 2


def test_an_empty_installation_has_nothing_to_export(tmp_path, database_url, command):
    code, _, err = command("export", tmp_path / "all.zip", "--data", tmp_path, url=database_url)
    assert code == 2
    assert "nothing to export" in err
    assert list(tmp_path.glob("all.zip*")) == []


def test_a_refused_import_leaves_the_installation_empty(tmp_path, command):
    (tmp_path / "bad.zip").write_bytes(b"no zip")
    code, out, err = command("import-archive", tmp_path / "bad.zip", "--data", tmp_path / "new")
    assert (code, out) == (2, "")
    assert "not a zip archive" in err


def test_a_password_that_is_too_short_is_refused(full, tmp_path, database_url, command, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("short\n"))
    code, _, err = command("reset-password", "OW", "--data", tmp_path, url=database_url)
    assert code == 2
    assert "at least 10" in err
