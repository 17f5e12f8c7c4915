"""Check values 26, 29, 30, 32 of the job: what the bench offers as usual limits. Common practice or memory, and said so."""

import pytest

from app.bench.words import PRESETS, Kind
from app.gauging.readings import state_of, summarise
from app.units import OutOfBand, parse_quantity


@pytest.mark.parametrize(
    ("kind", "lower", "upper", "source"),
    [
        (Kind.PLAY, "", "0.10", "common practice, no source"),  # 26
        (Kind.FLOAT, "0.05", "0.15", "common practice, no source"),  # 26
        (Kind.BREAKAWAY, "", "8", "from memory"),  # 29
        (Kind.TWEAK, "", "0.10", "from memory"),  # 30
        (Kind.WHEEL_LOAD, "", "2", "from memory"),  # 30
        (Kind.PACK, "6.6", "8.4", "common practice, no source"),  # 32
    ],
)
def test_usual_limits_are_offered_with_where_they_come_from(kind, lower, upper, source):
    preset = PRESETS[kind]
    assert (preset.lower, preset.upper) == (lower, upper)
    assert source in preset.hint


def test_26_play_in_a_pivot_joint():
    assert "0.02 to 0.06 mm, rejected above 0.10 mm" in PRESETS[Kind.PLAY].hint
    u = summarise([0.05] * 5, resolution=0.01, gauge_u=0.005).expanded
    assert [state_of(value, None, 0.10, u) for value in (0.06, 0.10, 0.14)] == ["pass", "inconclusive", "fail"]


def test_29_a_joint_is_free():
    assert "fall under their own weight without the spring" in PRESETS[Kind.BREAKAWAY].hint
    assert [parse_quantity(text, PRESETS[Kind.BREAKAWAY].quantity) for text in ("5", "8 mNm", "0.008 Nm")] == [5, 8, 8]


def test_30_tweak_is_checked_again_after_every_board_hit():
    assert "again after every board hit" in PRESETS[Kind.TWEAK].hint


def test_32_a_pack():
    """Full 8.40 V is inside the plausible band; 84 V is a slipped comma."""
    pack = PRESETS[Kind.PACK].quantity
    assert parse_quantity("8400 mV", pack) == parse_quantity("8,40", pack) == 8.4
    with pytest.raises(OutOfBand, match=r"84 V\? Did you mean 8\.4\?"):
        parse_quantity("84", pack)
    assert "within 0.02 V" in PRESETS[Kind.PACK].hint
