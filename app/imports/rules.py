"""What the columns of a ratings table mean, and what the importer chooses about them. No database."""

from collections.abc import Mapping, Sequence
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from app.errors import Refused
from app.programmes.models import Attribute, ScaleKind
from app.tables import Table

MINUTES_PER_RUN = 12  # a usual cycle of five minutes' driving and the turnround; common practice, no source


class Role(StrEnum):
    """What a column may be taken for."""

    DRIVER = "driver"
    SESSION = "session"
    RUN = "run"
    VARIANT = "variant"
    RATING = "rating"
    ATTRIBUTE = "attribute"
    CLOCK = "clock_min"
    DATE = "date"
    PLACE = "place"
    SURFACE = "surface"
    GRIP = "grip"
    CAR = "car"
    REMARK = "remark"
    CONFIDENCE = "confidence"


NEEDED = (Role.DRIVER, Role.SESSION, Role.RUN, Role.VARIANT, Role.RATING)

USUAL_NAMES: Mapping[Role, tuple[str, ...]] = {
    Role.DRIVER: ("driver", "rater", "judge", "tester", "assessor", "panelist", "name"),
    Role.SESSION: ("session", "test session", "test day", "hall day", "day", "block"),
    Role.RUN: ("run", "run number", "stint", "heat", "outing"),
    Role.VARIANT: ("variant", "version", "treatment", "part", "build"),
    Role.RATING: ("rating", "mark", "score", "points", "value"),
    Role.ATTRIBUTE: ("attribute", "criterion", "aspect", "rated"),
    Role.CLOCK: ("clock_min", "clock", "minute", "minutes"),
    Role.DATE: ("date", "on_date"),
    Role.PLACE: ("place", "venue", "hall", "track"),
    Role.SURFACE: ("surface",),
    Role.GRIP: ("grip", "grip class"),
    Role.CAR: ("car", "chassis"),
    Role.REMARK: ("remark", "comment", "note", "notes", "words"),
    Role.CONFIDENCE: ("confidence", "sure"),
}


class Scale(NamedTuple):
    """A rating scale in hundredths of a point."""

    kind: str
    lowest: int
    highest: int
    step: int

    @classmethod
    def of(cls, attribute: Attribute) -> "Scale":
        return cls(attribute.kind, attribute.lowest_hundredths, attribute.highest_hundredths, attribute.step_hundredths)

    @classmethod
    def in_points(cls, kind: str, lowest: float, highest: float, step: float) -> "Scale":
        for name, value in (("lowest", lowest), ("highest", highest), ("step", step)):
            if abs(value) > 10_000 or abs(value * 100 - round(value * 100)) > 1e-9:
                reason = "Marks are kept in hundredths of a point, up to 10000"
                raise Refused(f"{value:g} can't be on a scale", reason, field=name)
        return cls(kind, round(lowest * 100), round(highest * 100), round(step * 100))

    def problem(self, mark: int) -> str:
        """Why this mark can't stand on the scale; empty when it can."""
        if mark > self.highest:
            return f"is above the scale's highest mark {self.highest / 100:g}"
        if mark < self.lowest:
            return f"is below the scale's lowest mark {self.lowest / 100:g}"
        if (mark - self.lowest) % self.step:
            return f"is between the steps of the scale: from {self.lowest / 100:g} in steps of {self.step / 100:g}"
        return ""

    @property
    def words(self) -> str:
        ideal = "0 is ideal" if self.kind == ScaleKind.IDEAL_ZERO else "higher is better"
        return f"{self.lowest / 100:g} to {self.highest / 100:g} in steps of {self.step / 100:g}, {ideal}"


class Choices(NamedTuple):
    """What the importer says about the table.

    columns : role -> column name. attribute_name : what was rated, when no column says so. scale : of attributes that
    the programme doesn't have yet. goal : the attribute that decides; empty = the first in the table.
    """

    columns: Mapping[str, str]
    title: str
    control: str
    scale: Scale
    attribute_name: str = ""
    goal: str = ""
    worthwhile_hundredths: int | None = None
    minutes_per_run: int = MINUTES_PER_RUN


class MarkRow(NamedTuple):
    """One readable row. mark : hundredths of a point, None = could not judge."""

    line: int
    driver: str
    session: str
    run: str
    variant: str
    attribute: str
    mark: int | None
    clock_min: float | None
    on_date: date | None
    place: str
    surface: str
    grip: str
    car: str
    remark: str
    confidence: str


def guess_columns(header: Sequence[str]) -> dict[str, str]:
    """role -> column, by the usual names only."""
    by_key = {name.casefold(): name for name in reversed(header) if name}
    found: dict[str, str] = {}
    for role, usual in USUAL_NAMES.items():
        name = next((by_key[word] for word in usual if word in by_key and by_key[word] not in found.values()), None)
        if name is not None:
            found[role] = name
    return found


def check_choices(table: Table, choices: Choices) -> None:
    """Refuse choices that don't fit the table's header, at the field where they are made."""
    listed = ", ".join(name for name in table.header if name)
    for needed in NEEDED:
        if not choices.columns.get(needed):
            raise Refused(f"No column is chosen for the {needed}", f"The table has: {listed}", field=needed)
    chosen = {role: name for role, name in choices.columns.items() if name}
    for role, name in chosen.items():
        if name not in table.header:
            raise Refused(f"The table has no column “{name}” for the {role}", f"It has: {listed}", field=role)
        if list(chosen.values()).count(name) > 1:
            raise Refused(f"The column “{name}” is chosen twice", "One column says one thing", field=role)
    if not choices.columns.get(Role.ATTRIBUTE) and not choices.attribute_name:
        raise Refused("Nothing says what was rated", "Choose its column or type its name", field="attribute_name")
    if choices.worthwhile_hundredths is not None and choices.worthwhile_hundredths <= 0:
        raise Refused("A worthwhile difference is more than nothing", field="worthwhile")
