"""ISO 286 limits of small holes and shafts, by code such as H7 or g6, up to 30 mm. Deviations in micrometres.

Source: ISO 286-1 and -2. READ in public tolerance tables: h6, h7, h8, h9, h11 up to 10 mm, and H7 over 3 to 10 mm. All
other values FROM MEMORY of the standard's tables (`source_of` says which is which); the grades IT5 to IT9 follow the
standard's formula i = 0.45 D^(1/3) + 0.001 D after its rounding. Check the current edition before claiming conformity.
"""

import math
import re
from typing import NamedTuple

STEPS = ((0.0, 3.0), (3.0, 6.0), (6.0, 10.0), (10.0, 18.0), (18.0, 30.0))  # over, up to and including, mm
GRADES = {
    5: (4, 5, 6, 8, 9), 6: (6, 8, 9, 11, 13), 7: (10, 12, 15, 18, 21), 8: (14, 18, 22, 27, 33), 9: (25, 30, 36, 43, 52),
    10: (40, 48, 58, 70, 84), 11: (60, 75, 90, 110, 130),
}  # fmt: skip
UPPER = {"d": (-20, -30, -40, -50, -65), "e": (-14, -20, -25, -32, -40), "f": (-6, -10, -13, -16, -20), "g": (-2, -4, -5, -6, -7),
         "h": (0, 0, 0, 0, 0)}  # fmt: skip
LOWER = {"k": (0, 1, 1, 1, 2), "m": (2, 4, 6, 7, 8), "n": (4, 8, 10, 12, 15), "p": (6, 12, 15, 18, 22)}
CODE = re.compile(r"(js|JS|[a-zA-Z])\s*(\d{1,2})", re.ASCII)
HOLES, SHAFTS = ("D", "E", "F", "G", "H", "JS"), ("d", "e", "f", "g", "h", "js", "k", "m", "n", "p")
READ_SHAFTS = {("h", grade) for grade in (6, 7, 8, 9, 11)}
FORMULA_UNITS = {5: 7, 6: 10, 7: 16, 8: 25, 9: 40}


class Limits(NamedTuple):
    """Deviations from the nominal size in µm."""

    lower_um: float
    upper_um: float
    source: str = ""

    def sizes(self, nominal_mm: float) -> tuple[float, float]:
        """Smallest and largest size, mm."""
        return nominal_mm + self.lower_um / 1000, nominal_mm + self.upper_um / 1000


class UnknownCode(ValueError):
    """The code or size is not in the table; the message is a sentence for the person who typed it."""


def step_of(nominal_mm: float) -> int:
    """Which step of sizes: 3 mm is still in the first. Raises UnknownCode outside 0 to 30 mm."""
    for place, (over, up_to) in enumerate(STEPS):
        if over < nominal_mm <= up_to:
            return place
    raise UnknownCode(f"a nominal size of {nominal_mm:g} mm is not in this table of small sizes; it goes to 30 mm")


def limits_of(code: str, nominal_mm: float, *, hole: bool) -> Limits:
    """Deviations of a hole (capital letter) or shaft (small letter). Raises UnknownCode with what is known here."""
    found = CODE.fullmatch(code.strip())
    known = ", ".join(HOLES if hole else SHAFTS)
    kind = "hole" if hole else "shaft"
    if found is None:
        raise UnknownCode(f"“{code}” is no code such as {'H7' if hole else 'g6'}")
    letter, grade = found[1], int(found[2])
    if letter.isupper() != hole:
        raise UnknownCode(f"“{code}” has a {'capital' if letter.isupper() else 'small'} letter; a {kind} has a "
                          f"{'capital' if hole else 'small'} one")  # fmt: skip
    if letter not in (HOLES if hole else SHAFTS) or grade not in GRADES:
        raise UnknownCode(f"“{code}” is not in this table; a {kind} may be {known} with a grade from 5 to 11: type its limits instead")
    place = step_of(nominal_mm)
    width, source = GRADES[grade][place], source_of(letter, grade, place)
    if letter.lower() == "js":
        half = (width // 2) if grade >= 7 else width / 2
        return Limits(-half, half, source)
    if hole:
        low = -UPPER[letter.lower()][place]
        return Limits(low, low + width, source)
    if letter in UPPER:
        return Limits(UPPER[letter][place] - width, UPPER[letter][place], source)
    low = LOWER[letter][place] if letter != "k" or grade <= 7 else 0
    return Limits(low, low + width, source)


def source_of(letter: str, grade: int, place: int) -> str:
    """Whether the value was read in a public table or stands here from memory."""
    small = place <= 2
    if (small and (letter, grade) in READ_SHAFTS) or (letter == "H" and grade == 7 and place in (1, 2)):
        return "ISO 286-2, read in a public table"
    return "ISO 286-2, from memory"


def formula_grade_um(grade: int, place: int) -> float:
    """The tolerance that the standard's formula gives before rounding; D is the geometric mean of the step, grades 5 to 9."""
    over, up_to = STEPS[place]
    d = math.sqrt(max(over, 1.0) * up_to)
    return FORMULA_UNITS[grade] * (0.45 * d ** (1 / 3) + 0.001 * d)
