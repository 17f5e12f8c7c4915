"""The closed lists of words of a fit grid, which columns and forms use."""

from enum import StrEnum


class FactorKind(StrEnum):
    OPTION = "option"
    THIRD_PARTY = "third-party item"


class Proof(StrEnum):
    """What makes a required cell known: a result of its own, or every pair (triple) of it in a build that fits."""

    EACH_CELL = "each cell"
    COMBINATIONS = "combinations"


class Fit(StrEnum):
    FITS = "fits"
    SHIM = "fits with shim"
    RUBS = "rubs"
    NOT_TOGETHER = "does not assemble"


class How(StrEnum):
    BY_HAND = "by hand"
    BY_CAD = "by CAD"


class RuleKind(StrEnum):
    EXCLUDED = "excluded"
    FORBIDDEN = "forbidden"
    REQUIRED = "required"


class SettingMark(StrEnum):
    PUBLISHED = "published"
    EQUIVALENT = "equivalent"
    UNSAFE = "unsafe"
    NOT_MARKED = "not marked"


FITTING = (Fit.FITS, Fit.SHIM)
NOT_TRIED, EXCLUDED, UNKNOWN_AGAIN, BY_COMBINATIONS = "not tried", "excluded", "unknown again", "proven by its combinations"
