"""Files spoiled at random, with fixed seeds: read, or refused in words with a place; never anything else."""

import random

import pytest

from app.assess.folder import Folder, read_folder
from app.assess.tables import FolderRefused
from tests.assess.folders import QUESTION, laps, ratings, write
from tests.assess.test_answers import PREFERRED, USED

BITS = (b",", b'"', b"\n", b"\r", b"\0", b"\xff", b"nan", b"-", b"1e400", b"[", b"]", b"{", b"=", b".", b" ", b"\xe2\x80\xa8",
        b"A", b"true", b"0", b"'''", b"#", b"2020-01-01", b"\xef\xbb\xbf", b"9" * 30)  # fmt: skip


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    parts = [("driver", "session", "run", "pin"), ("D1", "S1", 1, "x")]
    flags = [("driver", "session", "run", "lap", "flag"), ("D1", "S1", 1, 1, "x")]
    return write(tmp_path_factory.mktemp("whole"), 'condition = "grip"\n' + QUESTION, ratings=ratings(), laps=laps(),
                 preferences=PREFERRED, exposure=USED, parts=parts, lap_flags=flags,
                 sessions=[("session", "grip"), ("S1", "high"), ("S2", "low")])  # fmt: skip


def spoiled(content: bytes, chance: random.Random) -> bytes:
    for _ in range(chance.choice((1, 1, 2, 5))):
        at, kept = chance.randrange(len(content) + 1), chance.choice((0, 0, 1, 3, 20))
        content = content[:at] + chance.choice((b"", *BITS)) + content[at + kept :]
    return content


def outcome(folder) -> Folder | FolderRefused:
    try:
        return read_folder(str(folder))
    except FolderRefused as refused:
        return refused


@pytest.mark.parametrize("seed", range(12))
def test_a_spoiled_file_is_read_or_refused_with_its_place(whole, seed):
    files = {path: path.read_bytes() for path in sorted(whole.iterdir())}
    chance = random.Random(seed)
    try:
        for path, content in [*files.items(), *files.items()]:
            path.write_bytes(spoiled(content, chance))
            found = outcome(whole)
            path.write_bytes(content)
            if isinstance(found, FolderRefused):
                assert found.file in {other.name for other in files}
                assert found.reason.endswith(".")
                lines = (whole / found.file).read_bytes().count(b"\n") + 3  # a spoiled file may have gained some
                assert found.line is not None
                assert 1 <= found.line <= lines
            else:
                assert found.evidence().question.control == "A"
    finally:
        for path, content in files.items():
            path.write_bytes(content)
