import pytest

from tests import make


@pytest.fixture
def team(db) -> make.Team:
    return make.programme(db)
