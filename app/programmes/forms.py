"""What may be typed about a programme and its scales."""

from app.people.forms import HAT_CHOICES
from app.programmes.models import ScaleKind
from app.web.forms import Field, Form

KIND_CHOICES = [
    (ScaleKind.QUALITY.value, "quality: higher is better"),
    (ScaleKind.IDEAL_ZERO.value, "as I want it: 0 is ideal"),
]


class ProgrammeForm(Form):
    fields_declared = {
        "name": Field("Programme", longest=80, hint="One car or update project, such as Tarnwick."),
        "team": Field("Team", longest=80, required=False),
        "car": Field("Car", longest=120, required=False, hint="Such as: 1:10 electric 4WD off-road buggy."),
        "time_zone": Field("Time zone", kind="zone", hint="An IANA name such as Europe/Berlin.", raw="Europe/Berlin"),
        "freeze_on": Field("Freeze date", kind="date", required=False),
        "edition": Field("Edition", kind="hidden", required=False),
    }


class StartForm(ProgrammeForm):
    fields_declared = {
        **{name: item for name, item in ProgrammeForm.fields_declared.items() if name != "edition"},
        "initials": Field("Your initials", longest=6),
        "hats": Field(
            "Your hats", kind="checkboxes", choices=HAT_CHOICES, raw=["manager"], hint="Manager is always one."
        ),
    }


class AttributeForm(Form):
    fields_declared = {
        "name": Field("Attribute", longest=60, hint="One thing that can be felt, such as Braking stability."),
        "kind": Field("Kind", kind="radios", choices=KIND_CHOICES, raw="quality"),
        "lowest": Field("Lowest mark", kind="number", raw="1"),
        "highest": Field("Highest mark", kind="number", raw="10"),
        "step": Field("Step", kind="number", raw="0.5"),
        "low_word": Field("Word at the lowest", longest=40, required=False),
        "high_word": Field("Word at the highest", longest=40, required=False),
        "on_slip": Field("On the slip", kind="checkbox", required=False, hint="At most six attributes are."),
    }


class OnSlipForm(Form):
    fields_declared = {"on_slip": Field("On the slip", kind="checkbox", required=False)}
