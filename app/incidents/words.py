"""The closed lists of words: what happened, what was damaged, what came of it, what caused it. Terms of the trade."""

from enum import StrEnum


class Happened(StrEnum):
    """What happened; the impacts first."""

    NOSE = "board hit, nose"
    SIDE = "board hit, side"
    REAR = "board hit, rear"
    PIPE = "pipe clip"
    FLAT = "flat landing"
    CASED = "cased jump"
    OVER = "over-jump"
    CARTWHEEL = "cartwheel"
    ROLL = "traction roll"
    CAR = "car-to-car"
    THROTTLE = "stuck throttle or failsafe"
    RADIO = "radio glitch"
    THERMAL = "thermal cut-off"
    LOW_VOLTAGE = "low-voltage cut-off"
    WHEEL = "wheel lost"
    TYRE = "tyre unglued"
    BALL_JOINT = "ball joint popped"
    SCREW = "screw lost"
    SKIP = "belt or gear skip"
    DRIVER = "driver error"
    MARSHAL = "marshal mishandling"


IMPACTS = (Happened.NOSE, Happened.SIDE, Happened.REAR, Happened.PIPE, Happened.FLAT, Happened.CASED, Happened.OVER,
           Happened.CARTWHEEL, Happened.ROLL, Happened.CAR)  # fmt: skip
LETS_GO = (Happened.WHEEL, Happened.TYRE, Happened.BALL_JOINT, Happened.SCREW, Happened.SKIP)  # the part let go, whatever is seen on it


class Damage(StrEnum):
    """What is seen on a piece."""

    BENT = "bent"
    CRACKED = "cracked"
    DELAMINATED = "delaminated"
    CHIPPED = "chipped edge"
    HOLE = "elongated hole"
    THREAD = "stripped thread"
    INSERT = "pulled insert"
    PIN = "sheared pin"
    NOTCHED = "notched"
    GALLED = "galled"
    WORN = "worn"
    BEARING = "brinelled or rough bearing"
    SEIZED = "seized"
    MELTED = "melted"
    FRAYED = "frayed wire"
    TWEAKED = "tweaked"
    NONE = "no damage found"


PIECES_WITH_DUST = (Damage.CRACKED, Damage.DELAMINATED, Damage.CHIPPED)  # a broken plate splinters


class PackDamage(StrEnum):
    """What is seen on a battery pack: never a piece of ours, always a matter of people and property."""

    SWOLLEN = "swollen pack"
    PUNCTURED = "punctured pack"
    HOT = "hot pack"


class Effect(StrEnum):
    STOPPED = "stopped"
    DEGRADED = "continued degraded"
    NONE = "no effect"


class Cause(StrEnum):
    UNKNOWN = "unknown"
    PART = "part"
    ASSEMBLY = "assembly"
    OTHER_PART = "other part"
    ACCIDENT = "accident beyond design"


COUNTS_AS_FAILURE = (Cause.UNKNOWN, Cause.PART, Cause.ASSEMBLY)  # unknown counts until somebody has looked
