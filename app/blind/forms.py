"""What may be typed about blind blocks. What runs and codes there are is known at run time only."""

from collections.abc import Sequence
from typing import Any, Self

from app.blind.models import BlockKind
from app.blind.rules import KIND_WORDS, LEAST_WHY, BlockFacts, Fitted, Trial
from app.web.forms import Choice, Field, Form

KINDS = [(kind.value, words) for kind, words in KIND_WORDS.items()]
REPEAT = "r"


class PostedFields(Form):
    """A form whose fields are made for what is there; the raw text is kept until then."""

    prefix = ""

    def __init__(self) -> None:
        super().__init__()
        self.posted: dict[str, str] = {}

    def load(self, data: Any) -> Self:
        self.posted = {name: str(value) for name, value in data.multi_items() if name.startswith(self.prefix)}
        return super().load(data)

    def ask(self, name: str, label: str, choices: Sequence[Choice], *, kind: str = "select", required: bool = True) -> None:
        item = Field(label, kind=kind, choices=choices, required=required, name=name)
        item.raw = self.posted.get(name, "")
        self.fields[name] = item


class BlockForm(PostedFields):
    """`for_runs` adds a field a run that can go under a code."""

    prefix = "run_"
    fields_declared = {
        "question_id": Field("Question", kind="hidden"),
        "kind": Field("Kind of block", kind="hidden"),
        "asked": Field("Of the two, which one …", longest=120, required=False, hint="Such as: steers more precisely."),
        "expected_id": Field("Expected answer", kind="select", required=False,
                             hint="Fixed now: with one expected the test is one-sided, without it two-sided."),
    }  # fmt: skip

    def for_runs(self, runs: Sequence[tuple[int, str]], variants: Sequence[tuple[int, str, bool]], *, repeats: bool) -> Self:
        """runs as (id, words); variants as (id, words, is the control)."""
        choices: list[Choice] = [("", "not in the block")]
        for number, words, is_control in variants:
            choices.append((str(number), words))
            if is_control and repeats:
                choices.append((f"{number}{REPEAT}", f"{words}, hidden repeat"))
        self.fields["expected_id"].choices = [("", "none"), *((str(number), words) for number, words, _ in variants)]
        for run_id, words in runs:
            self.ask(f"run_{run_id}", words, choices, required=False)
        if self.submitted:
            self.read_all()
        return self

    def fitted(self) -> dict[int, Fitted]:
        found = {}
        for name, value in self.values.items():
            if name.startswith("run_") and value:
                found[int(name.removeprefix("run_"))] = Fitted(int(value.removesuffix(REPEAT)), value.endswith(REPEAT))
        return found


class SealedBuildForm(Form):
    fields_declared = {
        "piece_ids": Field("Pieces on the car", kind="checkboxes", required=False),
        "settings": Field("Set-up values", kind="textarea", longest=4000, required=False,
                          hint="One a line: anti-roll bar mm = 1.2"),
        "confirmed": Field("I fitted it, and it is so", kind="checkbox", required=False),
        "reason": Field("Reason for the correction", longest=300, required=False),
    }  # fmt: skip


class OpenForm(Form):
    fields_declared = {
        "why": Field("Why now", longest=300, required=False, hint=f"At least {LEAST_WHY} characters: it is shown on the sheet.")
    }


class GuessForm(PostedFields):
    prefix = "guess_"

    def for_codes(self, block: BlockFacts, account_id: int) -> Self:
        choices = [(str(number), code) for number, code in block.variants]
        for code in sorted({run.code for run in block.own_runs(account_id)}):
            self.ask(f"guess_{code}", f"Code {code}", choices, kind="radios")
        if self.submitted:
            self.read_all()
        return self

    def guesses(self) -> dict[int, int]:
        return {int(name.removeprefix("guess_")): int(value) for name, value in self.values.items() if name.startswith("guess_") and value}


class ChoiceForm(Form):
    fields_declared = {
        "first_run_id": Field("Trial", kind="hidden"),
        "chosen_run_id": Field("Your choice", kind="radios"),
    }

    def for_trial(self, trial: Trial | None) -> Self:
        runs = trial.runs if trial is not None else ()
        self.fill(first_run_id=str(runs[0].run_id) if runs else "") if not self.submitted else self
        return self.offer(chosen_run_id=[(str(run.run_id), f"{run.label}, code {run.code}") for run in runs])


def kind_of(text: str) -> BlockKind:
    """The kind that an address or a hidden field names; rated where it names none."""
    return BlockKind(text) if text in list(BlockKind) else BlockKind.RATED
