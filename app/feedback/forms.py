"""The debrief slip as a form: its fields follow the programme's attributes."""

from collections.abc import Sequence
from typing import Any, Self

from app.feedback.models import Confidence, NotCounted
from app.feedback.rules import LONGEST_REMARK, Answers, ScaleShown, shown_scale
from app.programmes.models import Attribute
from app.web.forms import Field, Form

COULD_NOT_JUDGE = "could-not-judge"
CONFIDENCES = [(word.value, word.value) for word in Confidence]
DAMAGE = ("bent", "cracked", "chipped edge", "stripped thread", "pulled insert", "worn", "loose", "melted", "swollen pack", "tweaked")
CARD_PHOTO = "JPEG, PNG or WebP, at most 8 MB. Place and camera are not kept."
REASONS = [(reason.value, reason.value) for reason in NotCounted]


class SlipForm(Form):
    """`for_attributes` adds a field a rating attribute; a posted form is read again then."""

    holds_other_content = True
    fields_declared = {
        "confidence": Field("How sure are you?", kind="radios", choices=CONFIDENCES, required=False),
        "damage": Field("Damage seen", kind="checkboxes", required=False, choices=[(word, word) for word in DAMAGE],
                        hint="Goes into your own words. It is not a low mark."),
        "heard_others": Field("I had heard others before", kind="checkbox", required=False),
        "remark": Field("In your own words", kind="textarea", longest=LONGEST_REMARK, required=False),
        "token": Field("Token", kind="hidden", longest=64),
        "version": Field("Version", kind="hidden", required=False),
        "reason": Field("Why you amend it", longest=300, required=False),
        "rater_id": Field("Rated by", kind="hidden", required=False),
        "paper_card": Field("Paper card", longest=40, required=False,
                            hint="Run number and letter, such as R-12 K. A card of your own has no letter: write “own 14”."),
        "card_photo": Field("Photo of the card", kind="file", required=False, hint=CARD_PHOTO),
        "captured_at": Field("Time on the card", kind="datetime-local", required=False, hint="Venue time."),
    }

    def __init__(self) -> None:
        super().__init__()
        self.scales: list[ScaleShown] = []
        self.posted_marks: dict[str, str] = {}

    def load(self, data: Any) -> Self:
        self.posted_marks = {name: str(value) for name, value in data.multi_items() if name.startswith("mark_")}
        return super().load(data)

    def for_attributes(self, attributes: Sequence[Attribute]) -> "SlipForm":
        self.scales = [shown_scale(attribute) for attribute in attributes]
        for scale in self.scales:
            choices = [*scale.steps, (COULD_NOT_JUDGE, "could not judge")]
            name = f"mark_{scale.id}"
            item = Field(scale.title, kind="radios", choices=choices, required=False, name=name)
            item.raw = self.posted_marks.get(name, "")
            self.fields[name] = item
        if self.submitted:
            self.read_all()
        return self

    def check(self) -> None:
        if self.sent is not None and self.values["token"] not in ("", self.sent.token):
            self.message = "The slip's token and the outbox's differ, so the slip can't be told from a copy. Open the slip again."
        if self.scales and all(self.values.get(f"mark_{scale.id}") is None for scale in self.scales):
            self.message = "Nothing is marked. Mark at least one attribute, or choose could not judge."

    def answers(self) -> Answers:
        marks: dict[int, int | None] = {}
        for scale in self.scales:
            chosen = self.values.get(f"mark_{scale.id}")
            if chosen is not None:
                marks[scale.id] = None if chosen == COULD_NOT_JUDGE else int(chosen)
        damage = self.values["damage"]
        lines = [self.values["remark"], f"Damage seen: {', '.join(damage)}." if damage else ""]
        return Answers(marks, self.values["confidence"] or "", self.values["heard_others"], "\n".join(line for line in lines if line))


class CardPhotoForm(Form):
    fields_declared = {"card_photo": Field("Photo of the card", kind="file", hint=CARD_PHOTO)}


class CountingForm(Form):
    fields_declared = {
        "counts": Field("Ruling", kind="radios", choices=[("no", "Not counted because…"), ("yes", "Counts after all because…")]),
        "reason": Field("Reason", kind="select", choices=REASONS),
        "text": Field("In your own words", longest=300),
        "slip_id": Field("Slip", kind="select", required=False),
    }


class WithdrawForm(Form):
    fields_declared = {"why": Field("Why", longest=300)}


class MoveForm(Form):
    fields_declared = {
        "run_id": Field("This was", kind="select"),
        "reason": Field("How it happened", longest=300),
        "version": Field("Version", kind="hidden"),
    }


class SettleForm(Form):
    fields_declared = {"accept": Field("Which one", kind="radios", choices=[("yes", "the later one"), ("no", "the first one")])}


class ConfirmMoveForm(Form):
    fields_declared = {"accept": Field("Was it that run?", kind="radios", choices=[("yes", "yes, it was"), ("no", "no, leave it")])}


class SwapForm(Form):
    fields_declared = {
        "first": Field("First run", kind="select"),
        "second": Field("Second run", kind="select"),
        "why": Field("What happened", longest=300),
        "undo": Field("This swaps them back", kind="checkbox", required=False),
    }
