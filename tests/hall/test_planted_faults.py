"""The faults that the bad-network schedules plant are faults of the outbox as it is."""

import pytest

from app.web.render import STATIC
from tests.browser.bad_network.planted import PLANTS


@pytest.mark.parametrize("name", PLANTS)
def test_a_planted_fault_finds_its_place_in_the_outbox(name):
    script = (STATIC / "js/outbox.js").read_text()
    assert PLANTS[name].rewrite(script) != script
