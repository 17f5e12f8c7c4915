"""The words of a condition class: surface and grip, as sessions record them and rules require them."""

from enum import StrEnum


class Surface(StrEnum):
    CARPET = "carpet"
    TURF = "artificial turf"
    CLAY = "clay"
    DIRT = "dirt"
    ASPHALT = "asphalt"
    WOOD = "wood"
    OTHER = "other"


class Grip(StrEnum):
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    VERY_HIGH = "very high"


def condition_class(surface: str, grip: str) -> str:
    """Such as “carpet, low grip”."""
    return f"{surface}, {grip} grip"


ALL_CLASSES = tuple(condition_class(surface, grip) for surface in Surface for grip in Grip)
