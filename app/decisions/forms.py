"""What may be typed into a ruling."""

from app.decisions.models import Decision, Form
from app.web.forms import Field
from app.web.forms import Form as PageForm

DECISIONS = [(word.value, word.value) for word in Decision]
FORMS = [(Form.SOLE.value, "as the sole part"), (Form.SETTING.value, "as a setting"), (Form.AS_IS.value, "confirmed as is")]


class RulingForm(PageForm):
    fields_declared = {
        "decision": Field("Ruling", kind="radios", choices=DECISIONS),
        "form": Field("If adopted", kind="radios", choices=FORMS, raw="sole"),
        "scope": Field("Scope", longest=200, required=False, hint="Where it was tested, such as low-grip carpet, 5 to 15 °C."),
        "grounds": Field("Grounds", kind="textarea", longest=2000),
        "dissent": Field("Dissent noted", kind="textarea", longest=2000, required=False),
        "missing": Field("What is missing", longest=400, required=False, hint="A retest names it."),
        "missing_by": Field("By when", kind="date", required=False),
        "against_verdict_why": Field("Why it differs from the verdict", longest=500, required=False,
                                     hint="Needed when the ruling is not what the verdict says; it is printed with it."),
        "sign": Field("I sign it at once: it stands", kind="checkbox", required=False),
        "shown": Field("Shown", kind="hidden", longest=64),
    }  # fmt: skip


class SignForm(PageForm):
    fields_declared = {"shown": Field("Shown", kind="hidden", longest=64)}


class ReopenForm(PageForm):
    fields_declared = {"why": Field("Why", longest=300)}
