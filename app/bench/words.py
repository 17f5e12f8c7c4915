"""What is gauged: the kinds of characteristics with their quantity, and the limits usually set, as hints only.

The hints are common practice of the trade without a source, or from memory where they say so; a drawing's limits win.
"""

from enum import StrEnum
from typing import NamedTuple

from app import units
from app.units import Quantity


class Kind(StrEnum):
    """What sort of characteristic; it fixes the unit."""

    PLAY = "radial play"
    FLOAT = "end float"
    BREAKAWAY = "breakaway torque"
    TORSION = "torsional flex"
    BENDING = "bending stiffness"
    MASS = "mass"
    TWEAK = "tweak, corner gap"
    WHEEL_LOAD = "left to right wheel load"
    RUN_OUT = "run-out"
    RIDE_HEIGHT = "ride height"
    LINK = "link length"
    THICKNESS = "thickness"
    BORE = "bore"
    PIN = "pin or shaft diameter"
    LENGTH = "other length"
    ANGLE = "angle"
    PACK = "pack voltage"


class Preset(NamedTuple):
    """quantity : unit, decimals and plausible band; lower, upper : usual limits as typed, empty = none is usual."""

    quantity: Quantity
    lower: str = ""
    upper: str = ""
    hint: str = ""


CP, MEM = "common practice, no source", "from memory"
PRESETS: dict[Kind, Preset] = {
    Kind.PLAY: Preset(units.PLAY, "", "0.10", f"Pivot joints: wanted 0.02 to 0.06 mm, rejected above 0.10 mm ({CP})."),
    Kind.FLOAT: Preset(units.PLAY, "0.05", "0.15", f"0.05 to 0.15 mm ({CP})."),
    Kind.BREAKAWAY: Preset(units.TORQUE, "", "8", f"Steering moves with at most 5 to 8 N·mm ({MEM}); arm or upright fall under their own "
                                                  f"weight without the spring ({CP})."),
    Kind.TORSION: Preset(units.FLEX, "", "", "Torque over angle on the rig: 0.5 N·m at 2.5° is 0.20 N·m/°, at 1.8° it is 0.28."),
    Kind.BENDING: Preset(units.STIFFNESS, "", "", "Load over deflection at the same place each time."),
    Kind.MASS: Preset(units.MASS),
    Kind.TWEAK: Preset(units.PLAY, "", "0.10", "Bare chassis on a flat plate: corner gap at most 0.10 mm; again after every board hit "
                                               f"({MEM})."),
    Kind.WHEEL_LOAD: Preset(units.SHARE, "", "2", f"Left and right wheel loads within 2 % of each other ({MEM})."),
    Kind.RUN_OUT: Preset(units.PLAY),
    Kind.RIDE_HEIGHT: Preset(units.RIDE_HEIGHT, "", "", f"1:10 off-road on carpet or turf 15 to 22 mm ({MEM})."),
    Kind.LINK: Preset(units.SIZE),
    Kind.THICKNESS: Preset(units.SIZE),
    Kind.BORE: Preset(units.SIZE),
    Kind.PIN: Preset(units.SIZE),
    Kind.LENGTH: Preset(units.SIZE),
    Kind.ANGLE: Preset(units.ANGLE),
    Kind.PACK: Preset(units.VOLTAGE, "6.6", "8.4", f"2 cells: full 8.40 V, storage about 7.6 V, stop about 6.6 V; a matched start is "
                                                   f"within 0.02 V ({CP})."),
}  # fmt: skip
UNITS = tuple(dict.fromkeys(preset.quantity.unit for preset in PRESETS.values()))
FINEST: dict[str, Quantity] = {}  # unit -> a quantity of that unit without a band of its own, for resolutions and uncertainties
for _preset in PRESETS.values():
    FINEST.setdefault(_preset.quantity.unit, Quantity(_preset.quantity.name, _preset.quantity.unit, _preset.quantity.decimals,
                                                      _preset.quantity.aliases, None, "0"))  # fmt: skip


class Taken(StrEnum):
    """Before or after a session, where that was said."""

    BEFORE = "before"
    AFTER = "after"


class EffectKind(StrEnum):
    """What a designer may work out; each is a closed form in `gauging.effects`."""

    BAR = "round pin or bar"
    PLATE = "flat plate"
    ROLL_BAR = "anti-roll bar"
    SPRING = "coil spring"
    STIFFNESS = "stiffness of a bar"
    ACKERMANN = "Ackermann"
