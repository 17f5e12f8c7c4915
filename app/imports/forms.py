"""What may be typed about a table: which column says what, the control, the scale, the question."""

import base64
import binascii
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

from app import units
from app.errors import Refused
from app.imports.cells import look_alike_key, named, read_mark
from app.imports.rules import MINUTES_PER_RUN, NEEDED, Choices, Role, Scale, guess_columns
from app.programmes.models import ScaleKind
from app.programmes.rules import ScaleSpec, check_scale
from app.questions.rules import MOST_VARIANTS
from app.tables import MOST_BYTES, Errors, Table, TableRefused, Unreadable
from app.web.forms import Choice, Field, Form

MOST_CARRIED = 900_000  # characters of the packed table that a page carries from step to step; nothing is stored yet
OPTIONAL = tuple(role for role in Role if role not in NEEDED and role != Role.ATTRIBUTE)

KINDS: tuple[Choice, ...] = (
    (ScaleKind.QUALITY.value, "quality: higher is better"), (ScaleKind.IDEAL_ZERO.value, "as I want it: 0 is ideal")
)  # fmt: skip

HINTS = {
    Role.DRIVER: "Who gave the mark: initials or a name.",
    Role.SESSION: "The day or block it belongs to.",
    Role.RUN: "Which run of that driver in that session.",
    Role.VARIANT: "What was on the car.",
    Role.RATING: "The mark. Empty, – or n/a reads as “could not judge”.",
    Role.CLOCK: "Minutes since the session began; tells the order of runs.",
    Role.DATE: "The session's day, like 2026-02-03.",
}


class UploadForm(Form):
    fields_declared = {
        "table": Field("Table", kind="file", hint="A CSV or tab-separated file with one mark a row and a header line.")
    }


def _column(role: Role) -> Field:
    return Field(
        f"Column: {role.value.replace('_min', ' minute')}",
        kind="select",
        required=role in NEEDED,
        hint=HINTS.get(role, ""),
    )


class ImportForm(Form):
    """Carries the table itself along as packed text in the hidden field `kept`; offers are made from its header."""

    fields_declared = {
        **{role.value: _column(role) for role in NEEDED},
        Role.ATTRIBUTE.value: Field("Column: attribute", kind="select", required=False),
        "attribute_name": Field("What was rated", longest=60, required=False,
                                hint="Needed when no column names the attribute, such as Steering precision."),
        **{role.value: _column(role) for role in OPTIONAL},
        "control": Field("Control", kind="select", hint="The variant that stands for what you have now."),
        "kind": Field("Kind of scale", kind="radios", choices=KINDS, raw="quality"),
        "lowest": Field("Lowest mark", kind="number", raw="1"),
        "highest": Field("Highest mark", kind="number", raw="10"),
        "step": Field("Step", kind="number", raw="0.5"),
        "title": Field("Question", longest=120, hint="One choice, such as Tower: 4.0 or 4.5 mm?"),
        "goal": Field("Attribute that decides", longest=60, required=False, hint="Empty takes the first in the table."),
        "worthwhile": Field("Worthwhile difference W", kind="number", unit="points", quantity=units.POINTS,
                            required=False, hint="The smallest gain worth having; empty takes the scale's default."),
        "minutes_per_run": Field("Minutes from run to run", kind="integer", raw=str(MINUTES_PER_RUN),
                                 hint="Used only where run numbers tell the order and no column gives minutes."),
        "programme_name": Field("Name of the new programme", longest=80, required=False,
                                hint="Only to keep the table apart, in a programme of its own. Empty: into this one."),
        "file_name": Field("File", kind="hidden", required=False, longest=200),
    }  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self.kept = ""
        self.bad: Errors | None = None

    def load(self, data: Any) -> "ImportForm":
        kept = data.get("kept", "")
        self.kept = kept if isinstance(kept, str) else ""
        super().load(data)
        return self

    def refuse(self, refused: Refused) -> None:
        """Keep the bad lines of a refused table beside the form's message."""
        if isinstance(refused, TableRefused):
            self.bad = refused.errors
        super().refuse(refused)

    def offer_columns(self, table: Table) -> None:
        named_columns: list[Choice] = [(name, name) for name in table.header if name]
        offers: dict[str, Sequence[Choice]] = {role.value: [("", "choose a column"), *named_columns] for role in NEEDED}
        offers[Role.ATTRIBUTE] = [("", "none: one attribute, named below"), *named_columns]
        offers |= {role.value: [("", "none"), *named_columns] for role in OPTIONAL}
        self.offer(**offers, control=control_choices(table, self.fields[Role.VARIANT].raw))

    def guess(self, table: Table) -> "ImportForm":
        """Choose by the usual names, and show what the chosen columns hold."""
        columns = guess_columns(table.header)
        self.fill(**columns)
        self.offer_columns(table)
        variant = columns.get(Role.VARIANT)
        if variant and 2 <= len(found := distinct(table, variant)) <= MOST_VARIANTS:
            self.fill(title=f"{variant}: {' or '.join(found)}?"[:120])
        self.show_range(table)
        return self

    def show_range(self, table: Table) -> None:
        """Say at the scale what the rating column holds, so that a wrong scale is seen before the check."""
        rating = self.fields[Role.RATING].raw
        marks = []
        for raw in distinct(table, rating) if rating in table.header else []:
            try:
                mark = read_mark(raw, 0)
            except Unreadable:
                continue
            marks += [mark] if mark is not None else []
        if marks:
            hint = f"The column {rating} holds {min(marks) / 100:g} to {max(marks) / 100:g}."
            self.fields["lowest"].hint = hint

    def check(self) -> None:
        values = self.values
        try:
            scale = Scale.in_points(values["kind"], values["lowest"], values["highest"], values["step"])
            check_scale(ScaleSpec("scale", values["kind"], values["lowest"], values["highest"], values["step"], {}))
            values["scale"] = scale
        except Refused as refused:
            self.refuse(refused)
        if not 1 <= values["minutes_per_run"] <= 240:
            self.fields["minutes_per_run"].error = "Minutes from run to run: 1 to 240 can be."

    def choices(self) -> Choices:
        """What was chosen, as the import reads it; call only when the form is ok."""
        return self._made({role.value: self.values[role.value] or "" for role in Role}, self.values["control"])

    def read_choices(self, columns: Mapping[str, str], control: str) -> Choices:
        """For the command line: everything but columns and control is read here; refuses the first wrong one."""
        self.submitted = True
        chosen_elsewhere = {role.value for role in Role} | {"control"}
        for name in chosen_elsewhere:
            self.fields[name].kind, self.fields[name].required = "text", False
        self.read_all()
        if self.errors:
            raise Refused(self.errors[0][1])
        return self._made(dict(columns), control)

    def _made(self, columns: Mapping[str, str], control: str) -> Choices:
        v = self.values
        worthwhile = None if v["worthwhile"] is None else round(v["worthwhile"] * 100)
        return Choices(columns, v["title"], control, v["scale"], check_name(v["attribute_name"]), v["goal"], worthwhile,
                       v["minutes_per_run"])  # fmt: skip


def check_name(attribute_name: str) -> str:
    """The attribute's name as typed, refused where a cell with it would be."""
    try:
        return named(60, required=False)(attribute_name, 0)
    except Unreadable as wrong:
        raise Refused(f"“{attribute_name[:40]}” {wrong}", field="attribute_name") from wrong


def distinct(table: Table, column: str) -> list[str]:
    position = table.header.index(column)
    return list(dict.fromkeys(row.cells[position] for row in table.rows))


def control_choices(table: Table, variant: str) -> list[Choice]:
    """Every value of a column that could hold variants; those of the chosen column first, with its name."""
    columns = sorted((name for name in table.header if name), key=lambda name: name != variant)
    offered: dict[str, Choice] = {}
    for name in columns:
        values = [value for value in distinct(table, name) if value]
        if not 2 <= len(values) <= MOST_VARIANTS:
            continue
        for value in values:
            offered.setdefault(look_alike_key(value), (value, f"{value} ({name})"))
    return [("", "choose"), *offered.values()]


def pack(content: bytes) -> str | None:
    """The file as text for a hidden field; None when it is too large for a page to carry."""
    text = base64.urlsafe_b64encode(zlib.compress(content, 6)).decode("ascii").rstrip("=")
    return text if len(text) <= MOST_CARRIED else None


def unpack(text: str) -> bytes:
    """The inverse of `pack`; never more than the most a table may have."""
    lost = Refused("The table was lost on the way", "", "Choose the file again.")
    try:
        packed = base64.b64decode(text.encode("ascii") + b"=" * (-len(text) % 4), altchars=b"-_", validate=True)
        reader: Any = zlib.decompressobj()
        content = reader.decompress(packed, MOST_BYTES + 1)
    except (ValueError, binascii.Error, zlib.error) as broken:
        raise lost from broken
    if not content or (not reader.eof and len(content) <= MOST_BYTES):
        raise lost
    return content
