"""Half fractions in words. Source: Box, Hunter & Hunter (from memory); the alias structure itself is a reference case."""

import pytest

from app.evidence.refusals import EvidenceError
from app.planning.fractions import screening

OPTIONS = {"front hole": ("in", "out"), "rear hole": ("in", "out"), "piston": ("1.2", "1.3")}


def test_half_of_three_options():
    found = screening(OPTIONS, half=True)
    assert len(found.runs) == 4
    assert found.resolution == 3
    assert found.words == (
        "front hole can't be told from rear hole and piston together.",
        "rear hole can't be told from front hole and piston together.",
        "piston can't be told from front hole and rear hole together.",
    )
    for k in range(3):  # every level twice, every pair of levels once: a balanced half
        assert sorted(run[k] for run in found.runs).count(list(OPTIONS.values())[k][0]) == 2
    assert len({(run[0], run[1]) for run in found.runs}) == len({(run[1], run[2]) for run in found.runs}) == 4


def test_half_of_four_options_keeps_each_clear_of_pairs():
    found = screening({**OPTIONS, "bar": ("1.2", "1.4")}, half=True)
    assert (len(found.runs), found.resolution) == (8, 4)
    assert found.words[0] == "On their own front hole, rear hole, piston and bar can be told from every pair."
    assert "front hole and rear hole together can't be told from piston and bar together." in found.words


def test_all_combinations():
    found = screening(OPTIONS, half=False)
    assert len(set(found.runs)) == 8
    assert found.words == ("Every option and every pair of options can be told apart.",)


@pytest.mark.parametrize("names", [["a"], ["a", "b"], list("abcdefg")])
def test_too_few_or_too_many_are_refused(names):
    with pytest.raises(EvidenceError):
        screening(dict.fromkeys(names, ("0", "1")), half=True)
