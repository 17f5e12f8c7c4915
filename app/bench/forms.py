"""What may be typed on the bench. A field that is read in a unit is read again once its characteristic is known."""

from datetime import datetime
from typing import Any, Self

from app import units
from app.bench import typed
from app.bench.effects import ASKED
from app.bench.rules import GaugeFacts, Limit, Limits, Occasion, quantity_of
from app.bench.words import FINEST, UNITS, EffectKind, Kind, Taken
from app.units import OutOfBand, Quantity, TypedNumberError, parse_quantity
from app.web.forms import Field, Form

KINDS = [(kind.value, f"{kind.value}, {quantity_of(kind).unit}") for kind in Kind]
WHY = Field("Why it is withdrawn", longest=300, hint="At least 5 characters. It stays readable.")


class TypedForm(Form):
    """Fields named in `measured` are read in a quantity that is known only at run time."""

    measured: tuple[str, ...] = ()

    def __init__(self) -> None:
        super().__init__()
        self.quantity: Quantity | None = None
        self.figures: dict[str, float | None] = {}

    def in_unit(self, quantity: Quantity) -> Self:
        """Read the measured fields in this quantity, and say its unit beside them."""
        self.quantity = quantity
        for name in self.measured:
            self.fields[name].unit = quantity.unit
        if self.submitted:
            self.read_all()
        return self

    def read_all(self) -> None:
        super().read_all()
        if self.quantity is not None:
            self.figures = {name: self._figure(name, self.quantity) for name in self.measured}

    def _figure(self, name: str, quantity: Quantity) -> float | None:
        item = self.fields[name]
        if item.error or not str(item.raw).strip():
            return None
        try:
            return parse_quantity(str(item.raw), quantity, sure=item.sure)
        except TypedNumberError as wrong:
            item.ask_sure = isinstance(wrong, OutOfBand)
            item.error = f"{item.label}: {wrong}"
            return None

    def raw(self, name: str) -> str:
        return str(self.fields[name].raw).strip()


LOWER = Field("Lower limit", required=False, longest=40, hint="Empty: open below.")
UPPER = Field("Upper limit", required=False, longest=40, hint="Empty: open above.")
REVISION = Field("For", kind="select", required=False)


class CharacteristicForm(TypedForm):
    measured = ("lower", "upper")
    fields_declared = {
        "part_id": Field("Part", kind="select"),
        "kind": Field("What is gauged", kind="select", choices=KINDS, raw=Kind.PLAY.value),
        "name": Field("Called", required=False, longest=60, hint="Empty: as above. Else where, such as thickness at the hole."),
        "lower": LOWER, "upper": UPPER, "revision_id": REVISION,
        "paired_with_id": Field("Pulls against", kind="select", required=False,
                                hint="Such as play against breakaway torque of one joint; both are drawn in one picture."),
        "note": Field("How and where", required=False, longest=300),
    }  # fmt: skip

    def check(self) -> None:
        if self.quantity is None:
            self.in_unit(quantity_of(Kind(self.values["kind"])))

    def limits(self) -> Limits:
        return Limits(self.figures["lower"], self.figures["upper"], self.raw("lower"), self.raw("upper"))


class LimitsForm(TypedForm):
    measured = ("lower", "upper")
    fields_declared = {
        "revision_id": REVISION, "lower": LOWER, "upper": UPPER,
        "reason": Field("Why", longest=300, hint="At least 5 characters. Every reading is judged anew, and runs with it."),
        "version": Field("Version", kind="hidden", required=False),
    }  # fmt: skip

    def limits(self) -> Limits:
        return Limits(self.figures["lower"], self.figures["upper"], self.raw("lower"), self.raw("upper"))


class GaugeForm(TypedForm):
    measured = ("resolution", "standard_uncertainty", "lowest", "highest")
    fields_declared = {
        "name": Field("Gauge", longest=80, hint="With its number or certificate's year, such as dial gauge 2 (2026)."),
        "unit": Field("Reads in", kind="select", choices=[(unit, unit) for unit in UNITS], raw="mm"),
        "resolution": Field("Resolution", longest=40, hint="Its smallest step, such as 0.01."),
        "standard_uncertainty": Field("Standard uncertainty u", longest=40, hint="From its certificate; a certificate's U at k = 2 is 2u."),
        "lowest": Field("Range from", required=False, longest=40),
        "highest": Field("Range to", required=False, longest=40),
        "certificate": Field("Certificate", required=False, longest=200),
        "calibrated_on": Field("Calibrated on", kind="date", required=False),
    }

    def check(self) -> None:
        if self.quantity is None:
            self.in_unit(FINEST[self.values["unit"]])

    def facts(self) -> GaugeFacts:
        v, f = self.values, self.figures
        as_typed = {name: self.raw(name) for name in self.measured if self.raw(name)}
        return GaugeFacts(v["unit"], f["resolution"] or 0.0, f["standard_uncertainty"] or 0.0, f["lowest"], f["highest"], as_typed,
                          v["certificate"], v["calibrated_on"])  # fmt: skip


class RetireForm(Form):
    fields_declared = {"why": Field("Why it is retired", longest=300, hint="Such as: dropped, new certificate.")}


class WithdrawForm(Form):
    fields_declared = {"why": WHY}


class ReadingsForm(Form):
    """Readings are read in the characteristic's unit, and asked about where a comma may have slipped."""

    fields_declared = {
        "piece_id": Field("Piece", kind="select"),
        "gauge_id": Field("Gauge", kind="select"),
        "readings": Field("Readings", kind="textarea", longest=2000,
                          hint="At least five, parted by blanks, semicolons or lines, as you read them: 0,06 0.08 70 µm."),
        "temperature": Field("Temperature", kind="number", required=False, unit="°C", quantity=units.TEMPERATURE),
        "taken": Field("Before or after a session", kind="select", required=False,
                       choices=[("", "neither"), *((taken.value, taken.value) for taken in Taken)]),
        "session_id": Field("Session", kind="select", required=False),
        "measured_at": Field("Measured", kind="datetime-local", required=False, hint="Time at home of the programme. Empty: just now."),
        "taken_by_id": Field("Measured by", kind="select", required=False),
        "note": Field("Note", required=False, longest=300),
    }  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self.quantity: Quantity | None = None
        self.found: list[tuple[str, float]] = []

    def of(self, kind: str, limit: Limit) -> Self:
        quantity = quantity_of(kind)
        self.quantity = typed.with_limits(quantity, limit.lower, limit.upper)
        self.fields["readings"].unit = quantity.unit
        return self

    def read_all(self) -> None:
        super().read_all()
        item = self.fields["readings"]
        if self.quantity is None or item.error:
            return
        try:
            self.found = typed.read_readings(str(item.raw), self.quantity, sure=item.sure)
        except TypedNumberError as wrong:
            item.ask_sure = isinstance(wrong, OutOfBand)
            item.error = f"{item.label}: {wrong}"

    def occasion(self, measured_at: datetime | None) -> Occasion:
        v = self.values
        return Occasion(measured_at, _id(v["taken_by_id"]), v["temperature"], str(self.fields["temperature"].raw).strip(), v["taken"] or "",
                        _id(v["session_id"]), v["note"])  # fmt: skip


class StudyForm(Form):
    fields_declared = {
        "characteristic_id": Field("What is gauged", kind="select"),
        "gauge_id": Field("Gauge", kind="select"),
        "trials": Field("Trials", kind="textarea", longest=60_000,
                        hint="One a line: operator, piece, trial, value. With decimal commas part them by semicolons. Every operator "
                             "gauges every piece equally often, at least twice."),
        "note": Field("Note", required=False, longest=300),
    }  # fmt: skip


class FitForm(Form):
    fields_declared = {
        "name": Field("Fit", longest=80, hint="Such as hinge pin in rear arm."),
        "nominal_mm": Field("Nominal size", kind="number", unit="mm", quantity=units.SIZE),
        "hole": Field("Hole", longest=60, hint="H7, or deviations such as +0.012/0, or sizes such as 4.00 to 4.02, in mm."),
        "shaft": Field("Shaft or pin", longest=60, hint="g6, or deviations such as −0.004/−0.012, or sizes."),
        "spread_mm": Field("Bearing spread", kind="number", unit="mm", quantity=units.SIZE, required=False,
                           hint="How far apart the two bearings stand: play over it is the angle at the wheel."),
        "hole_characteristic_id": Field("Measured holes", kind="select", required=False),
        "shaft_characteristic_id": Field("Measured shafts", kind="select", required=False),
        "seed": Field("Seed of the simulation", kind="integer", raw="1"),
    }  # fmt: skip


class ChainForm(Form):
    fields_declared = {
        "name": Field("Chain", longest=80, hint="Such as axle end gap."),
        "lines": Field("Parts", kind="textarea", longest=6000,
                       hint="One a line: part, + or −, nominal, plus, minus, in mm. + opens the gap, − closes it. With decimal commas part "
                            "them by semicolons."),
        "lowest_mm": Field("Gap wanted from", kind="number", unit="mm", quantity=units.LENGTH, required=False),
        "highest_mm": Field("Gap wanted to", kind="number", unit="mm", quantity=units.LENGTH, required=False),
        "seed": Field("Seed of the simulation", kind="integer", raw="1"),
    }  # fmt: skip


def _id(text: Any) -> int | None:
    """An id chosen from our own list."""
    word = str(text or "")
    return int(word) if word.isascii() and word.isdigit() and len(word) < 10 else None


chosen_id = _id


class EffectForm(Form):
    """One calculation; `of_kind` keeps the figures that it asks for."""

    fields_declared = {
        "kind": Field("What changes", kind="hidden", required=False),
        "question_id": Field("Question", kind="hidden", required=False),
        **{name: Field(name, kind="number", required=False) for name in
           ("before", "after", "coil_before", "coil_after", "turns_before", "turns_after", "length", "modulus", "force", "wheelbase",
            "track", "inner", "outer")},
        "variant_id": Field("Note it with", kind="select", required=False, hint="None: it is only worked out."),
        "note": Field("Note", required=False, longest=300),
    }  # fmt: skip

    @property
    def question_raw(self) -> str:
        """The question whose variants alone are offered; empty for all."""
        return str(self.fields["question_id"].raw or "")

    @property
    def effect_kind(self) -> EffectKind:
        raw = str(self.fields["kind"].raw)
        return EffectKind(raw) if raw in tuple(EffectKind) else EffectKind.BAR

    def of_kind(self) -> Self:
        """Only the figures that this calculation asks for, by their labels; a missing one is an error at its field."""
        asked = {one.name: one for one in ASKED[self.effect_kind]}
        for name, item in list(self.fields.items()):
            if item.kind == "number" and name not in asked:
                del self.fields[name]
            elif name in asked:
                item.label, item.unit, item.required = asked[name].label, asked[name].unit, asked[name].needed
        self.fields["kind"].raw = self.effect_kind.value
        if self.submitted:
            self.read_all()
        return self

    def given(self) -> dict[str, float]:
        return {name: self.values[name] for name, item in self.fields.items() if item.kind == "number" and self.values[name] is not None}

    def as_typed(self) -> dict[str, str]:
        return {item.label: f"{item.raw} {item.unit}".strip() for item in self.fields.values() if item.kind == "number" and item.raw}
