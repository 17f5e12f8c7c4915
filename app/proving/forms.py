"""What may be typed on a concern's own page, from triage to close."""

from app.concerns import rules
from app.concerns.models import EXPOSURES, CauseClass, CloseKind, Danger, TryResult
from app.concerns.rules import USUAL_RULE, Closing, ShowRule
from app.web.forms import Field, Form

DANGER_CHOICES = [(danger.value, f"{danger.value}: {rules.DANGER_WORDS[danger]}") for danger in Danger]
SEVERITY_CHOICES = [("", "Choose one"), *((str(n), f"{n}: {words}") for n, words in rules.SEVERITY_WORDS.items())]
KIND_CHOICES = [(kind.value, kind.value) for kind in CloseKind]
EXPOSURE_CHOICES = [(exposure, ShowRule(exposure, 1).nouns) for exposure in EXPOSURES]
REASON = "At least 10 characters; it is read a year later."
ABOUT = ("question_id", "revision_id", "piece_id", "run_id")


def optional(label: str, hint: str = "") -> Field:
    """A choice that is offered at run time and may be left alone."""
    return Field(label, kind="select", required=False, hint=hint)


def hidden(label: str) -> Field:
    return Field(label, kind="hidden", required=False)


def number(text: object) -> int | None:
    """An id from a choice of ours; None for none or for what no id can be."""
    word = str(text or "")
    return int(word) if word.isascii() and word.isdigit() and len(word) < 10 else None


class RemarkForm(Form):
    fields_declared = {
        "text": Field("Remark", kind="textarea", longest=4000, hint="Added below what is there; nothing is replaced.")
    }


class ReproducedForm(Form):
    fields_declared = {"text": Field("How it was made to happen again", kind="textarea", longest=2000, hint=REASON)}


class TriageForm(Form):
    fields_declared = {
        "danger": Field("People and property", kind="radios", choices=DANGER_CHOICES),
        "product_severity": Field("How bad for the product", kind="select", choices=SEVERITY_CHOICES),
        "owner_id": optional("Owner", "Who sees to it."),
        "blocker": Field("It stops the freeze", kind="checkbox", required=False, hint=f"{rules.RULE_WORDS}."),
        "why": Field("Why", kind="textarea", required=False, longest=2000,
                     hint="Needed to judge it less severe, or to let go of a blocker: at least 10 characters."),
        "edition": hidden("Edition"),
    }  # fmt: skip


class SubjectForm(Form):
    """What it is about, where nothing was said yet."""

    fields_declared = {"question_id": optional("Question"), "revision_id": optional("Revision"), "piece_id": optional("Piece")}


class ContainForm(Form):
    fields_declared = {
        "words": Field("Instruction", hint="Such as: no flat landings on r2. Shown on the run card when it goes out.", longest=200),
        "revision_id": optional("On revision"),
        "piece_id": optional("Or on one piece", "Then only where that piece is on the car."),
        "from_at": Field("From", kind="datetime-local", required=False, hint="Programme time. Empty: from now on."),
        "until_at": Field("Until", kind="datetime-local", required=False, hint="Empty: until it is lifted."),
    }


class LiftForm(Form):
    fields_declared = {"why": Field("Why it may go", kind="textarea", longest=2000, hint=REASON)}


class CauseForm(Form):
    fields_declared = {
        "cause": Field("Cause", kind="radios", choices=[(cause.value, cause.value) for cause in CauseClass]),
        "words": Field("What was found", kind="textarea", longest=2000, hint=REASON),
        "version": hidden("Version"),
    }


RESULTS = [("", "not known yet"), *((result.value, result.value) for result in TryResult)]


class TryForm(Form):
    fields_declared = {
        "words": Field("What was tried", kind="textarea", longest=2000, hint="Such as: 1 mm radius at the shoulder."),
        "revision_id": optional("On revision"),
        "piece_id": optional("Or on one piece"),
        "result": Field("Result", kind="select", required=False, choices=RESULTS),
        "result_words": Field("In words", kind="textarea", required=False, longest=2000),
    }


class OutcomeForm(Form):
    fields_declared = {
        "try_id": Field("Try", kind="select"),
        "result": Field("Result", kind="select", choices=[("", "Choose one"), *RESULTS[1:]]),
        "words": Field("In words", kind="textarea", required=False, longest=2000),
    }


class FitForm(Form):
    fields_declared = {
        "fixed_revision_id": Field("Fitted in", kind="select", hint="The later revision that holds the cure."),
        "words": Field("What the cure is", kind="textarea", required=False, longest=2000),
    }


class RuleForm(Form):
    fields_declared = {
        "exposure": Field("Counted in", kind="select", choices=EXPOSURE_CHOICES),
        "most_per_100": Field("95 % bound at most, in 100 of them", kind="number",
                              hint="10 means 10 %: 29 clean ones without a failure. 5 % takes 59, 1 % takes 299."),
        "rule_reason": Field("Why it is changed", kind="textarea", required=False, longest=2000,
                             hint="Needed once a rule stands: at least 10 characters."),
        "version": hidden("Version"),
    }  # fmt: skip

    def rule(self) -> ShowRule:
        return ShowRule(self.values["exposure"], self.values["most_per_100"])

    def offer_usual(self, rule: ShowRule | None, version: int) -> "RuleForm":
        shown = rule or USUAL_RULE
        self.fill(exposure=shown.exposure, most_per_100=f"{shown.most_per_100:g}", version=version)
        return self


class JudgeForm(Form):
    fields_declared = {
        "incident_id": Field("Failure", kind="select"),
        "same": Field("It is", kind="radios", choices=[("same", "this concern’s own trouble"), ("other", "another trouble")]),
        "reason": Field("What the inspection showed", kind="textarea", longest=2000, hint=REASON),
    }


class CloseForm(Form):
    fields_declared = {
        "kind": Field("Closed because it is", kind="radios", choices=KIND_CHOICES),
        "later_revision_id": optional("Shown cured on", "The revision that holds the cure, for “shown cured on a later revision”."),
        "same_as_id": optional("The same as, or goes on as", "The other concern: for “same as another concern”, or for "
                               "“belongs to another part” where it is raised there already."),
        "other_revision_id": optional("Belongs to", "For “belongs to another part”: a new concern is raised on this revision."),
        "until": Field("Concession until", kind="date", required=False,
                       hint="For “lived with under concession”: a manager’s. After that day it stands open again."),
        "scope": Field("Scope of the concession", kind="textarea", required=False, longest=2000,
                       hint="What may be used, where, by whom, how many."),
        "reason": Field("Reason", kind="textarea", longest=2000, hint="What was seen and decided. At least 10 characters."),
        "edition": hidden("Edition"),
    }  # fmt: skip

    def closing(self) -> Closing:
        v = self.values
        return Closing(CloseKind(v["kind"]), v["reason"], number(v["later_revision_id"]), number(v["same_as_id"]),
                       number(v["other_revision_id"]), v["until"], v["scope"])  # fmt: skip


class ReopenForm(Form):
    fields_declared = {
        "reason": Field("Reason", kind="textarea", longest=2000, hint="What was seen since. At least 10 characters."),
        "edition": hidden("Edition"),
    }


class GrowthForm(Form):
    """Which part's growth is shown, counted in what."""

    fields_declared = {
        "part": Field("Part", kind="select", required=False),
        "exposure": Field("Counted in", kind="select", required=False, choices=EXPOSURE_CHOICES),
    }

    def show(self, part: int | None, exposure: str, parts: list[tuple[str, str]]) -> "GrowthForm":
        self.fields["part"].choices = parts
        self.fill(part=str(part or ""), exposure=exposure)
        return self
