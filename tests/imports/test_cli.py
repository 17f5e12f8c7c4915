"""`python -m app import-ratings`."""

from pathlib import Path

import pytest
from sqlalchemy import func, select

from app.__main__ import main
from app.db import Database
from app.feedback.models import Mark
from app.people.models import Account
from app.programmes.models import Programme
from app.questions.models import Question, RuleVersion
from tests import make
from tests.imports.tables import WINE, csv, dump

GOOD = ("AQ,S1,1,t40,7", "AQ,S1,2,t45,7.5")


@pytest.fixture
def command(tmp_path: Path, database_url: str, monkeypatch, capsys):
    """Runs the command on the test database; answers exit code, what was printed and what went to the error output."""
    monkeypatch.setenv("DATABASE_URL", database_url)
    monkeypatch.setattr(Database, "check_durable", lambda _: None)  # the tests' own server runs without fsync

    def run(content: bytes, *words: str) -> tuple[int, str, str]:
        file = tmp_path / "ratings.csv"
        file.write_bytes(content)
        code = main(["import-ratings", str(file), "--data", str(tmp_path), *words])
        printed = capsys.readouterr()
        return code, printed.out, printed.err.replace(str(file), "FILE")

    return run


WINE_WORDS = (
    "--question",
    "Contact?",
    "--control",
    "no",
    "--session",
    "temp",
    "--run",
    "bottle",
    "--variant",
    "contact",
    "--attribute-name",
    "bitterness",
    "--lowest",
    "1",
    "--highest",
    "5",
    "--step",
    "1",
)
WORDS = ("--programme", "Tarnwick", "--question", "Tower?", "--control", "t40", "--attribute-name", "steering")


def test_the_wine_panel_into_a_programme_of_its_own(db, command):
    make.programme(db)
    code, out, err = command(WINE, "--programme", "Wine", *WINE_WORDS, "--worthwhile", "0.75")
    assert (code, err) == (0, "")
    assert "72 marks in 72 runs of 2 sessions; the order of runs is known in 0" in out
    assert "attribute bitterness: 1 to 5 in steps of 1, higher is better (new)" in out
    assert "Imported into Wine as Q-01 Contact?." in out
    assert db.scalar(select(func.count()).select_from(Mark)) == 72
    assert db.scalar(select(RuleVersion)).declared["worthwhile_hundredths"] == 75
    db.rollback()
    code, out, _ = command(WINE, "--programme", "Wine", *WINE_WORDS)
    assert code == 0
    assert "Nothing was added" in out
    assert db.scalar(select(func.count()).select_from(Mark)) == 72


def test_into_an_existing_programme_by_its_manager_or_whoever_is_named(db, command):
    team = make.programme(db)
    assert command(csv(*GOOD), *WORDS)[0] == 0
    assert db.scalar(select(Question)).created_by_id == team.OW.account_id
    db.rollback()
    code, _, err = command(csv(*GOOD, "AQ,S1,3,t40,5"), *WORDS[:3], "Other?", *WORDS[4:], "--as", "RT")
    assert (code, err) == (0, "")
    assert db.scalars(select(Question).order_by(Question.id.desc())).first().created_by_id == team.RT.account_id


def test_each_error_is_a_line_with_file_line_column_value_and_reason(db, command):
    make.programme(db)
    before = dump(db)
    code, out, err = command(csv(*GOOD, "AQ,S1,3,t40,11", "AQ,S1,4,t40"), *WORDS)
    assert (code, out) == (2, "")
    assert err.splitlines()[0] == 'FILE:5: column "whole row": has 4 cells, the header line has 5; too few'
    code, out, err = command(csv(*GOOD, "AQ,S1,3,t40,11"), *WORDS)
    assert code == 2
    assert err.splitlines()[0] == 'FILE:4: column "rating": "11": is above the scale\'s highest mark 10'
    assert err.splitlines()[-1] == "One thing is wrong in the table. Nothing was imported."
    assert dump(db) == before


def test_more_than_two_hundred_errors_are_counted(db, command):
    make.programme(db)
    _, _, err = command(csv(*GOOD, *(f"AQ,S1,{n},t40,11" for n in range(3, 253))), *WORDS)
    assert len(err.splitlines()) == 202
    assert "FILE: and 50 more" in err


def test_a_dry_run_checks_everything_and_writes_nothing(db, command):
    make.programme(db)
    before = dump(db)
    code, out, _ = command(csv(*GOOD), *WORDS, "--dry-run")
    assert code == 0
    assert "2 marks in 2 runs of 1 session" in out
    assert "Nothing was written" in out
    assert dump(db) == before
    assert command(csv(*GOOD, "AQ,S1,3,t40,11"), *WORDS, "--dry-run")[0] == 2


@pytest.mark.parametrize(
    "words, said",
    [
        ((*WORDS, "--driver", "judge"), "The table has no column “judge” for the driver"),
        ((*WORDS, "--run", "run", "--session", "run"), "chosen twice"),
        ((*WORDS[:-2],), "Nothing says what was rated"),
        ((*WORDS, "--highest", "nan"), "Highest mark: “nan” can't be read as a number"),
        ((*WORDS, "--as", "nobody"), "Nobody signs in"),
        ((*WORDS, "--as", "AQ"), "AQ can't do this import"),
        (("--programme", "New", *WORDS[2:], "--as", "RT"), "may start a programme"),
        ((*WORDS, "--worthwhile", "0"), "more than nothing"),
        ((*WORDS[:5], "t50", *WORDS[6:]), "can't be the control"),
        (("--programme", "Nеw", *WORDS[2:]), "mixes letters"),
        (("--programme", " ", *WORDS[2:]), "needed"),
        (("--programme", "x" * 81, *WORDS[2:]), "at most 80"),
    ],
)
def test_what_can_not_be_is_refused_with_exit_code_2(db, command, words, said):
    make.programme(db)
    before = dump(db)
    code, out, err = command(csv(*GOOD), *words)
    assert (code, out) == (2, "")
    assert said in err
    assert dump(db) == before


def test_an_installation_without_people_says_what_to_do_first(db, command):
    code, _, err = command(csv(*GOOD), *WORDS)
    assert code == 2
    assert "python -m app serve" in err


def test_a_file_that_is_not_there_is_said(tmp_path, capsys):
    assert main(["import-ratings", str(tmp_path / "none.csv"), *WORDS]) == 2
    assert "can't be read" in capsys.readouterr().err


def test_nobody_gets_a_password_and_the_programme_is_the_importers(db, command):
    make.programme(db)
    command(WINE, "--programme", "Wine", *WINE_WORDS)
    assert db.scalar(select(func.count()).where(Account.password_hash.is_(None))) == 9
    assert db.scalar(select(func.count()).select_from(Programme)) == 2
