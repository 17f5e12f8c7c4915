"""Sixteen phones file while the server is killed; the harness catches what is planted. Sums as in `checking.py`."""

import os
from collections.abc import Iterator

import pytest

from tests.kills.episode import CLIENTS, Told, play
from tests.kills.planted import PLANTS
from tests.postgres import Server

KILLS = 25


@pytest.fixture(scope="module")
def durable(backend) -> Iterator[Server | None]:
    """`serve` refuses the tests' usual PostgreSQL, which does not sync."""
    if backend != "postgresql":
        yield None
        return
    server = Server.start(durable=True)
    yield server
    server.stop()


@pytest.fixture
def url(durable, request) -> Iterator[str]:
    if durable is None:
        yield request.getfixturevalue("database_url")
        return
    with durable.fresh_database() as url:
        yield url


def shown(told: Told, what: str) -> None:
    """Printed with -s, and on failure: the sums of the run."""
    print(f"\n{what}: {told.as_dict()}")


def check_played(told: Told, lines: list[str], kills: int) -> None:
    shown(told, "sound server")
    assert told.clean, lines[:10]
    assert told.kills == kills
    assert told.acknowledged == told.written >= CLIENTS
    # the harness reached what it is for: answers that were lost although the server had stored
    assert told.kills_with_requests_in_flight >= kills * 0.8
    assert told.stored_but_answer_lost > 0
    assert set(told.kinds) == {"start", "end", "slip", "conditions", "concern"}


def test_what_was_acknowledged_is_stored_once_unchanged_under_its_own_name(url, tmp_path):
    told, lines = play(url, tmp_path, kills=KILLS, seed=os.environ.get("PROVEOUT_SEED", "1"))
    check_played(told, lines, KILLS)


@pytest.mark.only("postgresql")
def test_the_same_with_two_workers_of_which_one_or_all_are_killed(url, tmp_path):
    told, lines = play(url, tmp_path, kills=8, seed="workers 1", workers=2)
    check_played(told, lines, 8)
    assert told.kills_of_one_worker > 0


@pytest.mark.parametrize("name", list(PLANTS))
def test_a_planted_fault_is_caught(url, tmp_path, name):
    """Without this the zeros above would say nothing."""
    plant = PLANTS[name]
    told, lines = play(url, tmp_path, kills=2, seed="planted", plant=name)
    shown(told, f"planted: {plant.what}")
    assert told.faults[plant.caught_as] > 0, lines[:10]
    assert not told.clean
