import pytest

from tests.access.world import World


@pytest.fixture
def world(database, browser) -> World:
    return World(database, browser)
