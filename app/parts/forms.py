"""What may be typed about parts, revisions and pieces."""

from app import units
from app.errors import Refused
from app.parts import rules
from app.parts.models import Process
from app.web.forms import Field, Form, whole
from app.web.text import TextRefused, clean_line

STARTING_CHOICES = [("issued", "issued: pieces may be made and run"), ("draft", "only a draft for now")]
PROCESS_CHOICES = [("", "Choose one"), *((process.value, process.value) for process in Process)]
PIECE_STATE_CHOICES = [(state.value, state.value) for state in rules.STATES_TO_CHOOSE]
KEPT_HINT = "Its name, size and SHA-256 are kept, to tell it from any other file. The file itself is not kept here."


class PartForm(Form):
    fields_declared = {
        "code": Field("Code", longest=12, hint="Short, such as FST. It is in every label, so it never changes."),
        "number": Field("Number", longest=24, hint="The part's number in your own system, such as KT-0101."),
        "title": Field("Title", longest=120, hint="Such as front shock tower."),
    }


class EditPartForm(Form):
    fields_declared = {
        "title": Field("Title", longest=120),
        "number": Field("Number", longest=24, hint="Fixed as soon as a piece carries it."),
        "edition": Field("Edition", kind="hidden", required=False),
    }


FACT_FIELDS = {
    "mass_g": Field("Mass", kind="number", required=False, quantity=units.MASS, unit="g"),
    "unit_cost": Field("Cost each", kind="number", required=False, quantity=units.COST, unit="in your currency"),
    "lead_time_days": Field("Lead time", kind="integer", required=False, quantity=units.DAYS, unit="days"),
    "change_note": Field("Change note", kind="textarea", required=False, longest=2000,
                         hint="What is different from the step before; needed from r2 on."),
}  # fmt: skip


class DrawingForm(Form):
    """A form with an uploaded drawing; what is kept of it is in `values["drawing"]`."""

    fields_declared = {"drawing": Field("Drawing or CAD file", kind="file", hint=f"{KEPT_HINT} Up to 30 MB.")}

    def check(self) -> None:
        upload = self.values["drawing"]
        if upload is None:
            return
        item = self.fields["drawing"]
        try:
            name = clean_line(upload.filename.replace("\\", "/").rpartition("/")[2], longest=120)
            rules.check_visible(name, field="drawing", label="Drawing or CAD file: its name")
        except TextRefused as wrong:
            item.error = f"Drawing or CAD file: in its name {wrong}."
            return
        except Refused as refused:
            item.error = refused.sentence
            return
        drawing = rules.read_drawing(name, upload.file)
        if not drawing.size_bytes:
            item.error = f"Drawing or CAD file: {name} is empty (0 bytes). Choose the file itself."
            return
        self.values["drawing"] = drawing


class RevisionForm(DrawingForm):
    fields_declared = {
        "line": Field(
            "Line",
            longest=16,
            hint="One line of design, such as t45 for a tower of 4.5 mm. The step (r1, r2 …) counts itself.",
        ),
        "state": Field("State", kind="radios", choices=STARTING_CHOICES, raw="issued"),
        "alias": Field(
            "Alias",
            longest=60,
            required=False,
            hint="What people call it, such as five-mil. May change; the label never does.",
        ),
        **FACT_FIELDS,
        "drawing": Field("Drawing or CAD file", kind="file", required=False, hint=f"{KEPT_HINT} Up to 30 MB."),
        "seen": Field("Seen", kind="hidden", required=False),
    }


class EditRevisionForm(Form):
    fields_declared = {
        "alias": Field(
            "Alias", longest=60, required=False, hint="What people call it. A search still finds earlier aliases."
        ),
        **FACT_FIELDS,
        "edition": Field("Edition", kind="hidden", required=False),
    }


class StateForm(Form):
    fields_declared = {
        "state": Field("Next state", kind="select"),
        "why": Field("Why", kind="textarea", required=False, longest=1000,
                     hint="Needed to go back, to supersede, to withdraw and to bring back."),
        "edition": Field("Edition", kind="hidden", required=False),
    }  # fmt: skip


class PiecesForm(Form):
    fields_declared = {
        "count": Field("How many", kind="integer", raw="1", hint="Each gets the next mark: #1, #2 …"),
        "process": Field("Process", kind="select", choices=PROCESS_CHOICES),
        "place": Field("Where", longest=60, required=False, hint="Such as pit box 2."),
        "note": Field("Note", kind="textarea", required=False, longest=1000),
        "seen": Field("Seen", kind="hidden", required=False),
    }


class EditPieceForm(Form):
    fields_declared = {
        "state": Field("State", kind="select", choices=PIECE_STATE_CHOICES),
        "place": Field("Where", longest=60, required=False),
        "note": Field("Note", kind="textarea", required=False, longest=1000),
        "edition": Field("Edition", kind="hidden", required=False),
    }


class ModifyForm(Form):
    fields_declared = {
        "what": Field("What was changed by hand", kind="textarea", longest=1000,
                      hint="Such as: lower hole filed out by 0.3 mm. At least 10 characters."),
        "edition": Field("Edition", kind="hidden", required=False),
    }  # fmt: skip


def taken(form: Form, name: str) -> int:
    """A hidden whole number of ours (edition, seen), taken out of the form's values."""
    return whole(form.values.pop(name, None))
