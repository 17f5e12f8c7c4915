"""What may be typed about a table of measurements: its kind, the file or the pasted rows, why it is withdrawn."""

from app.errors import Refused
from app.measurements.models import Kind
from app.measurements.rules import NEEDED, OPTIONAL, Plan, unix
from app.tables import MOST_BYTES, Errors, TableRefused, read_text
from app.web.forms import Field, Form

MOST_PASTED = 900_000  # characters that a page carries from step to step; nothing is stored before the last
KINDS = [
    (Kind.LAPS.value, "laps"), (Kind.PREFERENCES.value, "forced preferences"),
    (Kind.EXPOSURES.value, "use of parts, with failures"), (Kind.READINGS.value, "gauge readings"),
]  # fmt: skip
NO_PREFERENCE = "none"


class TableForm(Form):
    """A file that is chosen replaces what was pasted: from then on the page carries it as text."""

    fields_declared = {
        "kind": Field("What the table holds", kind="radios", choices=KINDS),
        "table": Field("File", kind="file", required=False, hint="CSV or tab-separated, with a header line."),
        "pasted": Field("Or paste its rows here", kind="textarea", longest=MOST_PASTED, required=False,
                        hint="With the header line; copied from a spreadsheet works too."),
        "flags": Field("File of flags", kind="file", required=False,
                       hint="Only beside laps: session, run, lap, flag of each lap to leave out."),
        "pasted_flags": Field("Or paste the flags here", kind="textarea", longest=MOST_PASTED, required=False),
        "file_name": Field("File name", kind="hidden", required=False, longest=200),
    }  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self.bad: Errors | None = None

    def take_files(self) -> None:
        """Put the text of chosen files where it can be carried on; a file that can't be read is a refusal."""
        chosen = {name: self.values.get(name) for name in ("table", "flags")}
        if not any(chosen.values()):
            return
        for name, into in (("table", "pasted"), ("flags", "pasted_flags")):
            upload = chosen[name]
            if upload is None:
                continue
            try:
                self.fields[into].raw = read_text(upload.file.read(MOST_BYTES + 1))
            except TableRefused as refused:
                self.refuse(refused)
                return
            if name == "table":
                self.fields["file_name"].raw = "".join(c for c in (upload.filename or "") if c.isprintable())[-200:]
        for name in ("table", "flags"):
            self.fields[name].raw = ""
        self.read_all()

    def check(self) -> None:
        if not self.fields["table"].raw and not self.text.strip():
            self.fields["pasted"].error = "Or paste its rows here: choose a file, or paste the rows."

    @property
    def kind(self) -> Kind:
        return Kind(self.values["kind"])

    @property
    def text(self) -> str:
        """As sent, but for line ends: so that a wrong line has the number it has in the file."""
        return unix(str(self.fields["pasted"].raw))

    @property
    def flags_text(self) -> str:
        return unix(str(self.fields["pasted_flags"].raw))

    def refuse(self, refused: Refused) -> None:
        if isinstance(refused, TableRefused):
            self.bad = refused.errors
        super().refuse(refused)

    def refuse_plan(self, plan: Plan) -> None:
        """Say on top of the form that the plan has errors; they are listed below it."""
        if plan.errors:
            self.refuse(TableRefused(plan.errors))


class WithdrawTableForm(Form):
    fields_declared = {"why": Field("Why it is withdrawn", longest=300)}


class PreferenceForm(Form):
    """`choice` is such as 3:7:9:7: the question, the two variants, and the one to keep (0 = no preference)."""

    fields_declared = {"choice": Field("Which would you keep?", kind="radios")}

    @property
    def chosen(self) -> tuple[int, int, int, int | None]:
        question, first, second, kept = (int(part) for part in self.values["choice"].split(":"))
        return question, first, second, kept or None


def column_lists() -> list[tuple[str, str, str]]:
    """(kind, columns it needs, columns it may have) for the page that explains tables."""
    shown = dict(KINDS)
    needed = {kind: ", ".join(NEEDED[kind]) for kind in Kind}
    needed[Kind.EXPOSURES] = "revision; or question, variant"
    return [(shown[kind.value], needed[kind], ", ".join(OPTIONAL[kind]) or "–") for kind in Kind]
