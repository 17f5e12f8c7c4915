"""The real command line in a process of its own: exit status, one object a line, nothing on standard error."""

import json
import os
import subprocess
import sys

import pytest

from app.settings import ROOT
from tests.assess.folders import PACE, QUESTION, laps, ratings, write


def run(*words, **more):
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"} | more
    command = [sys.executable, "-m", "app", "assess", *map(str, words)]
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, timeout=120, check=False)


def test_folders_are_judged_in_the_order_given_and_a_refused_one_stops_none(tmp_path):
    good = write(tmp_path / "Gänse", ratings=ratings())
    bad = write(tmp_path / "bad", QUESTION.replace("margin = 0.5", "margin = 0"), ratings=ratings())
    pace = write(tmp_path / "pace", PACE, laps=laps())
    done = run("--json", good, bad, tmp_path / "nowhere", pace, LC_ALL="C")
    assert (done.returncode, done.stderr) == (2, b"")
    answers = [json.loads(line) for line in done.stdout.decode("utf-8").splitlines()]
    assert [answer["folder"] for answer in answers] == [str(good), str(bad), str(tmp_path / "nowhere"), str(pace)]
    assert ["error" in answer for answer in answers] == [False, True, True, False]
    assert (answers[1]["error"]["line"], answers[1]["error"]["column"]) == (4, "margin")
    assert "Gänse".encode() in done.stdout


def test_judged_together_as_judged_alone(tmp_path):
    folders = [write(tmp_path / "1", ratings=ratings()), write(tmp_path / "2", ratings=ratings(marks={"A": 6, "B": 4}))]
    together = run("--json", *folders)
    assert together.returncode == 0
    assert together.stdout == b"".join(run("--json", folder).stdout for folder in folders)


def test_the_text_form_and_the_misuse(tmp_path):
    done = run(write(tmp_path / "f", ratings=ratings()))
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"control A, after 2 sessions (S1, S2)" in b" ".join(done.stdout.split())
    assert run().returncode == 2


def test_a_folder_whose_name_is_no_text_is_judged(tmp_path):
    folder = write(tmp_path / "f", ratings=ratings())
    strange = os.fsencode(tmp_path) + b"/\xff"
    os.rename(folder, strange)
    done = run("--json", os.fsdecode(strange))
    assert done.returncode == 0
    assert json.loads(done.stdout)["folder"].endswith("\udcff")


def test_a_reader_who_leaves_early_sees_no_traceback(tmp_path):
    folder = write(tmp_path / "f", ratings=ratings())
    command = [sys.executable, "-m", "app", "assess", "--json", *[str(folder)] * 8]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        process.wait(60)


@pytest.mark.parametrize("module", ["numpy", "sqlalchemy", "fastapi"])
def test_a_refusal_loads_neither_numpy_nor_the_web(tmp_path, module):
    script = f"import sys; from app.__main__ import main; main(['assess', {str(tmp_path)!r}]); sys.exit({module!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, check=False).returncode == 0
