"""What may be typed about a concern."""

from app.concerns import rules
from app.concerns.models import Danger
from app.web.forms import Field, Form

DANGER_CHOICES = [(danger.value, f"{danger.value}: {rules.DANGER_WORDS[danger]}") for danger in Danger]
SEVERITY_CHOICES = [("", "Choose one"), *((str(n), f"{n}: {words}") for n, words in rules.SEVERITY_WORDS.items())]


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
        "photo": Field("Photo", kind="file", required=False, hint="JPEG, PNG or WebP, at most 8 MB. Place and camera are not kept."),
        "alt": Field("What the photo shows", required=False, longest=200,
                     hint="For whoever can’t see it, such as: crack at the bolt hole."),
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
