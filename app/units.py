"""Every quantity: its storage unit, shown unit, decimals and plausible band; the one parser of typed numbers.

Numbers are stored in the unit named by their column's suffix. Nothing between the form and the page
converts or rounds.
"""

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation


@dataclass(frozen=True, slots=True)
class Quantity:
    """name : column suffix; unit : as shown; aliases : typed unit -> factor to the storage unit;
    band : values outside it are asked about, not guessed (our own limits, common practice, no source)."""

    name: str
    unit: str
    decimals: int
    aliases: tuple[tuple[str, str], ...] = ()
    band: tuple[str, str] | None = None
    lowest: str | None = None


MASS = Quantity("g", "g", 1, (("g", "1"), ("kg", "1000"), ("mg", "0.001")), ("0.01", "5000"), "0")
CAR_MASS = Quantity("g", "g", 0, MASS.aliases, ("1200", "2500"), "0")
LENGTH = Quantity("mm", "mm", 2, (("mm", "1"), ("cm", "10"), ("µm", "0.001"), ("um", "0.001")), ("-500", "500"))
SIZE = Quantity("mm", "mm", 3, LENGTH.aliases, ("0.05", "500"), "0")
RIDE_HEIGHT = Quantity("mm", "mm", 1, (("mm", "1"), ("cm", "10")), ("14", "30"), "0")
PLAY = Quantity("mm", "mm", 3, LENGTH.aliases, ("0", "1"), "0")
TORQUE = Quantity("Nmm", "N·mm", 2, (("N·mm", "1"), ("Nmm", "1"), ("mNm", "1"), ("mN·m", "1"), ("Nm", "1000"), ("N·m", "1000"),
                                     ("Ncm", "10"), ("N·cm", "10")), ("0", "2000"), "0")  # fmt: skip
FLEX = Quantity("Nm_per_deg", "N·m/°", 3, (("N·m/°", "1"), ("Nm/°", "1"), ("Nm/deg", "1"), ("N·mm/°", "0.001"), ("Nmm/°", "0.001"),
                                           ("Nmm/deg", "0.001"), ("mNm/°", "0.001")), ("0.001", "20"), "0")  # fmt: skip
STIFFNESS = Quantity("N_per_mm", "N/mm", 2, (("N/mm", "1"), ("N/cm", "0.1"), ("N/m", "0.001"), ("kN/m", "1")), ("0.01", "5000"), "0")
ANGLE = Quantity("deg", "°", 2, (("°", "1"), ("deg", "1")), ("-90", "90"))
SHARE = Quantity("percent", "%", 1, (("%", "1"),), ("0", "100"), "0")
TEMPERATURE = Quantity("degC", "°C", 1, (("°C", "1"), ("C", "1"), ("degC", "1")), ("-20", "60"))
HUMIDITY = Quantity("percent", "%", 0, (("%", "1"),), ("5", "100"), "0")
VOLTAGE = Quantity("V", "V", 2, (("V", "1"), ("mV", "0.001")), ("6.0", "8.5"), "0")
COST = Quantity("cost", "", 2, (), ("0", "2000"), "0")
DAYS = Quantity("days", "days", 0, (("d", "1"), ("days", "1"), ("day", "1")), ("0", "365"), "0")
POINTS = Quantity("points", "points", 2, (("points", "1"), ("pt", "1")), ("0", "5"), "0")
COUNT = Quantity("count", "", 0, (), None, "0")

MILLI_OR_MEGA = re.compile(r"(?i)m(?=v|g|n)")  # mV and MV are a billion apart, so its case is never guessed
_NUMBER = re.compile(r"^\s*([+\-−]?[0-9]+(?:[.,][0-9]+)?)\s*([^0-9\s.,].*?)?\s*$")


class TypedNumberError(ValueError):
    """What was typed can't be taken; the message is a sentence for the person who typed it."""


class OutOfBand(TypedNumberError):
    """A readable number that is not plausible; `value` is what it reads as."""

    def __init__(self, sentence: str, value: float) -> None:
        super().__init__(sentence)
        self.value = value


def parse_number(typed: str) -> Decimal:
    """A plain decimal number, with point or comma; anything ambiguous is refused, never guessed."""
    value, rest = _split(typed)
    if rest:
        raise TypedNumberError(f"“{typed}” is not a plain number; type it like 0.15 or 0,15")
    return value


def parse_quantity(typed: str, quantity: Quantity, *, sure: bool = False) -> float:
    """Read what was typed as a value in the quantity's storage unit.

    Raises TypedNumberError when it is no number, has another unit or is below the lowest possible;
    OutOfBand when it is outside the plausible band and nobody said they were sure.
    """
    value, unit = _split(typed)
    if unit:
        factors = {alias.casefold(): Decimal(factor) for alias, factor in quantity.aliases}
        exact = dict(quantity.aliases)
        if unit in exact:
            value *= Decimal(exact[unit])
        elif unit.casefold() in factors and not MILLI_OR_MEGA.match(unit):  # M is a million
            value *= factors[unit.casefold()]
        else:
            known = ", ".join(alias for alias, _ in quantity.aliases) or "none"
            raise TypedNumberError(f"“{unit}” is not a unit known here; known: {known}")
    if quantity.lowest is not None and value < Decimal(quantity.lowest):
        raise TypedNumberError(f"{typed.strip()} is below {quantity.lowest}, which can't be")
    if quantity.band and not sure:
        _check_band(value, quantity)
    return float(value)


def _check_band(value: Decimal, quantity: Quantity) -> None:
    low, high = Decimal(quantity.band[0]), Decimal(quantity.band[1])  # type: ignore[index]
    if low <= value <= high:
        return
    shown = f"{value.normalize():f} {quantity.unit}".strip()
    tenth, tenfold = value / 10, value * 10
    hint = next((f" Did you mean {guess.normalize():f}?" for guess in (tenth, tenfold) if low <= guess <= high), "")
    raise OutOfBand(f"{shown}?{hint} Usual is {low:f} to {high:f} {quantity.unit}".rstrip() + ".", float(value))


def _split(typed: str) -> tuple[Decimal, str]:
    match = _NUMBER.match(typed)
    if not match:
        raise TypedNumberError(
            f"“{typed.strip()}” can't be read as a number; type it like 0.15 or 0,15, without thousands marks"
        )
    digits, unit = match.group(1), (match.group(2) or "").strip()
    plain = digits.replace("−", "-")
    if "," in plain and re.fullmatch(r"[+-]?\d{1,3},\d{3}", plain) and not plain.lstrip("+-").startswith("0"):
        # "1,712" may be one thousand seven hundred or one and a bit: whoever typed it must say.
        whole, fraction = plain.split(",")
        raise OutOfBand(f"{whole}{fraction} or {whole}.{fraction}? Type it without the comma.", float(whole + fraction))
    try:
        value = Decimal(plain.replace(",", "."))
    except InvalidOperation as unreadable:  # pragma: no cover - the pattern leaves only digits
        raise TypedNumberError(f"“{typed}” can't be read as a number") from unreadable
    if abs(value) > Decimal("1e9"):
        raise TypedNumberError(f"{plain} is larger than anything measured here")
    return value, unit
