"""What may be typed about a concern."""

from app.concerns import rules
from app.concerns.models import CloseKind, Danger
from app.concerns.rules import Closing
from app.web.forms import Field, Form

DANGER_CHOICES = [(danger.value, f"{danger.value}: {rules.DANGER_WORDS[danger]}") for danger in Danger]
SEVERITY_CHOICES = [("", "Choose one"), *((str(n), f"{n}: {words}") for n, words in rules.SEVERITY_WORDS.items())]
KIND_CHOICES = [(kind.value, kind.value) for kind in CloseKind]


def optional(label: str, hint: str = "") -> Field:
    """A choice that is offered at run time and may be left alone."""
    return Field(label, kind="select", required=False, hint=hint)


class RaiseForm(Form):
    fields_declared = {
        "words": Field(
            "What worries you, in your own words",
            kind="textarea",
            longest=4000,
            hint="Kept as you write it. What you saw, where, after what.",
        ),
        "danger": Field(
            "People and property", kind="radios", choices=DANGER_CHOICES, hint="The worst that could come of it."
        ),
        "product_severity": Field(
            "How bad for the product", kind="select", choices=SEVERITY_CHOICES, hint="Of 10; 7 up stops the freeze."
        ),
        "question_id": optional("Question"),
        "revision_id": optional("Revision"),
        "piece_id": optional("Piece"),
        "run_id": optional("Run"),
        "stops_freeze": Field(
            "It stops the freeze",
            kind="checkbox",
            required=False,
            hint="Catastrophic, critical and 7 or more of 10 do so by rule, ticked or not.",
        ),
    }


ABOUT = ("question_id", "revision_id", "piece_id", "run_id")


class RemarkForm(Form):
    fields_declared = {
        "text": Field("Remark", kind="textarea", longest=4000, hint="Added below what is there; nothing is replaced.")
    }


class TriageForm(Form):
    fields_declared = {
        "danger": Field("People and property", kind="radios", choices=DANGER_CHOICES),
        "product_severity": Field("How bad for the product", kind="select", choices=SEVERITY_CHOICES),
        "owner_id": optional("Owner", "Who sees to it."),
        "blocker": Field("It stops the freeze", kind="checkbox", required=False, hint=f"{rules.RULE_WORDS}."),
        "why": Field("Why", kind="textarea", required=False, longest=2000,
                     hint="Needed to judge it less severe, or to let go of a blocker: at least 10 characters."),
        "edition": Field("Edition", kind="hidden", required=False),
    }  # fmt: skip


class CloseForm(Form):
    fields_declared = {
        "kind": Field("Closed because it is", kind="radios", choices=KIND_CHOICES),
        "later_revision_id": optional("Shown cured on", "The later revision, for “shown cured on a later revision”."),
        "same_as_id": optional("The same as", "The other concern, for “same as another concern”."),
        "other_part_id": optional("Belongs to", "The other part, for “belongs to another part”."),
        "until": Field("Concession until", kind="date", required=False, hint="For “lived with under concession”."),
        "reason": Field(
            "Reason",
            kind="textarea",
            longest=2000,
            hint="What was run, how often, with what result; or the scope of the concession. At least 10 characters.",
        ),
        "edition": Field("Edition", kind="hidden", required=False),
    }

    def closing(self) -> Closing:
        v = self.values
        return Closing(CloseKind(v["kind"]), v["reason"], number(v["later_revision_id"]), number(v["same_as_id"]),
                       number(v["other_part_id"]), v["until"])  # fmt: skip


class ReopenForm(Form):
    fields_declared = {
        "reason": Field("Reason", kind="textarea", longest=2000, hint="What was seen since. At least 10 characters."),
        "edition": Field("Edition", kind="hidden", required=False),
    }


class PhotoForm(Form):
    fields_declared = {
        "photo": Field("Photo", kind="file", hint="JPEG, PNG or WebP, at most 8 MB. Place and camera are not kept."),
        "alt": Field("What the photo shows", required=False, longest=200,
                     hint="For whoever can’t see it, such as: crack at the bolt hole."),
    }


def number(text: object) -> int | None:
    """An id from a choice of ours or from an address; None for none or for what no id can be."""
    word = str(text or "")
    return int(word) if word.isascii() and word.isdigit() and len(word) < 10 else None
