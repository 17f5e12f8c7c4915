"""What may be typed about a fit grid."""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Self

from app.errors import Refused
from app.grid.reading import TypedFactor, TypedLevel, read_factors, read_levels
from app.grid.rules import Factor, GridFacts
from app.grid.words import Fit, How, Proof, RuleKind, SettingMark
from app.photos.rules import LONGEST_ALT
from app.web.forms import Field, Form, Wrong

STRENGTHS = [("2", "every pair"), ("3", "every triple")]
PROOFS = [(Proof.EACH_CELL.value, "each required cell by itself"),
          (Proof.COMBINATIONS.value, "every pair (or triple) in some build that fits")]  # fmt: skip
TITLE = Field("What must fit together", longest=120, hint="Such as: damper mounts, motor cans and wheel offsets.")
QUESTION = Field("Question that waits for it", kind="select", required=False,
                 hint="It is not adopted while a required cell is unknown, and is blocked while one rubs.")  # fmt: skip
RESULTS = [(word.value, word.value) for word in Fit]
SHIM = Field("Shim", required=False, longest=80, hint="Only with “fits with shim”: which, and where.")
NOTE = Field("Note", kind="textarea", required=False, longest=1000, hint="Where it rubs, at which travel and lock.")
KINDS = [(RuleKind.EXCLUDED.value, "excluded: taken out of the grid, with the owner's sentence"),
         (RuleKind.FORBIDDEN.value, "forbidden pair: never built together"),
         (RuleKind.REQUIRED.value, "required: once a rule says so, only what such rules name is required")]  # fmt: skip


class GridForm(Form):
    fields_declared = {
        "title": TITLE,
        "options": Field("Options", kind="textarea", longest=4000, required=False,
                         hint="One a line: Damper hole: inner, middle, outer. A part: Tower: t40 = FST-t40, t45 = FST-t45."),
        "items": Field("Third-party items", kind="textarea", longest=4000, required=False, hint="One kind a line: Motor can: S1, S2, S3."),
        "strength": Field("Trial builds are to try", kind="radios", choices=STRENGTHS, raw="2"),
        "proof": Field("A required cell is known by", kind="radios", choices=PROOFS, raw=Proof.EACH_CELL.value,
                       hint="By pairs far fewer builds do; a fault that needs three choices together is then not seen."),
        "question_id": QUESTION,
    }  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self.factors: dict[str, list[TypedFactor]] = {}

    def check(self) -> None:
        for name in ("options", "items"):
            try:
                self.factors[name] = read_factors(self.values[name], field=name)
            except Refused as refused:
                self.refuse(refused)


class EditGridForm(Form):
    fields_declared = {
        "title": TITLE,
        "strength": GridForm.fields_declared["strength"],
        "proof": GridForm.fields_declared["proof"],
        "question_id": QUESTION,
        "edition": Field("Edition", kind="hidden"),
    }


class LevelForm(Form):
    fields_declared = {
        "factor_id": Field("Factor", kind="select", choices=()),
        "level": Field("New level", longest=100, hint="Such as S4, or t50 = FST-t50."),
    }

    def new_level(self) -> TypedLevel:
        """Call only when the form is ok."""
        found = read_levels(self.values["level"], field="level", where="the new level")
        if len(found) != 1:
            raise Refused(f"{len(found)} levels are typed", "One is added at a time", "Leave the comma out.", field="level")
        return found[0]


class FitForm(Form):
    """What one cell did. `for_cell` adds a choice for each level of which several revisions are issued.

    on : "level:revision level:revision", the revisions that were the newest when the page was made.
    """

    fields_declared = {
        "result": Field("Result", kind="radios", choices=RESULTS),
        "shim": SHIM,
        "note": NOTE,
        "how": Field("How", kind="radios", choices=[(how.value, how.value) for how in How], raw=How.BY_HAND.value),
        "photo": Field("Photo", kind="file", required=False, hint="JPEG, PNG or WebP, at most 8 MB. Place and camera are not kept."),
        "alt": Field("What the photo shows", required=False, longest=LONGEST_ALT, hint="For whoever can't see it."),
        "cell": Field("Cell", kind="hidden", required=False),
        "on": Field("Revisions", kind="hidden", required=False),
    }  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self.posted: dict[str, str] = {}
        self.level_ids: list[int] = []

    def load(self, data: Any) -> Self:
        self.posted = {name: str(value) for name, value in data.multi_items() if name.startswith("on_") and isinstance(value, str)}
        return super().load(data)

    def for_cell(self, facts: GridFacts, cell: Sequence[int]) -> Self:
        for factor, index in zip(facts.factors, cell, strict=True):
            level = factor.levels[index]
            if len(level.revisions) < 2:
                continue
            name = f"on_{level.id}"
            choices = [(str(revision_id), label) for revision_id, label in reversed(level.revisions)]
            self.fields[name] = Field(f"{factor.name} {level.code} is", kind="select", choices=choices, name=name)
            self.fields[name].raw = self.posted.get(name, choices[0][0])
            self.level_ids.append(level.id)
        if self.submitted:
            self.read_all()
        return self

    def check(self) -> None:
        try:
            self.values["on"] = read_on(self.values["on"] or "")
        except Wrong as wrong:
            self.message = str(wrong)
        if self.values["photo"] is not None and not self.values["alt"]:
            self.fields["alt"].error = "What the photo shows: say it in a few words, for whoever can't see it."

    def tried_on(self) -> dict[int, int]:
        """Level id -> revision id. Call only when the form is ok."""
        return {**self.values["on"], **{level: int(self.values[f"on_{level}"]) for level in self.level_ids}}


def read_on(text: str) -> dict[int, int]:
    found = {}
    for pair in text.split():
        level, colon, revision = pair.partition(":")
        if not colon or number(level) is None or number(revision) is None:
            raise Wrong("The revisions it was tried on can't be read. Open the cell again.")
        found[number(level) or 0] = number(revision) or 0
    return found


class BuildFitForm(FitForm):
    """The same on a build list: the build says which cell, and it is tried by hand."""

    fields_declared = {name: field for name, field in FitForm.fields_declared.items() if name not in ("cell", "how")}


class LevelsForm(Form):
    """A base: a group of boxes a factor, none ticked = every level. `for_factors` adds them."""

    extra: ClassVar[Mapping[str, Field]] = {}

    def __init__(self) -> None:
        super().__init__()
        self.posted: dict[str, list[str]] = {}
        self.names: list[str] = []

    def load(self, data: Any) -> Self:
        names = {name for name, _ in data.multi_items() if name.startswith("factor_")}
        self.posted = {name: [str(value) for value in data.getlist(name)] for name in names}
        return super().load(data)

    def for_factors(self, factors: Sequence[Factor], chosen: Sequence[int] = ()) -> Self:
        """chosen : level ids that are ticked on a fresh form."""
        for factor in factors:
            name = f"factor_{factor.id}"
            choices = [(str(level.id), level.code) for level in factor.levels]
            item = Field(factor.name, kind="checkboxes", choices=choices, required=False, name=name)
            fresh = [str(level.id) for level in factor.levels if level.id in chosen]
            item.raw = self.posted.get(name, []) if self.submitted else fresh
            self.fields[name] = item
            self.names.append(name)
        if self.submitted:
            self.read_all()
        return self

    def level_ids(self) -> list[int]:
        """Call only when the form is ok."""
        return [int(level) for name in self.names for level in self.values[name]]


class RuleForm(LevelsForm):
    fields_declared = {
        "kind": Field("These cells are", kind="radios", choices=KINDS, raw=RuleKind.EXCLUDED.value),
        "sentence": Field("The owner's sentence", kind="textarea", longest=1000,
                          hint="At least 20 characters: why, and what customers are told."),
    }

    def refuse(self, refused: Refused) -> None:
        """A refusal about the levels stands at the first group of boxes."""
        at = self.names[0] if refused.field == "levels" and self.names else refused.field
        super().refuse(Refused(refused.title, refused.reason, refused.next_step, field=at))


class CadForm(LevelsForm):
    fields_declared = {"result": Field("By CAD, they", kind="radios", choices=RESULTS), "shim": SHIM, "note": NOTE}


class ReasonForm(Form):
    fields_declared = {"reason": Field("Why it is withdrawn", longest=300, hint="At least 10 characters.")}


class CarryForm(Form):
    fields_declared = {
        "from": Field("What was tried on", kind="select", choices=()),
        "sentence": Field("Why it holds for the newest", kind="textarea", longest=1000,
                          hint="At least 20 characters: what changed, and why that touches no clearance."),
    }  # fmt: skip


class SettingForm(Form):
    fields_declared = {
        "setting": Field("Setting", kind="select", choices=()),
        "mark": Field("It is", kind="radios", choices=[(mark.value, mark.value) for mark in SettingMark]),
        "same_as": Field("Equivalent to", kind="select", choices=(), required=False),
        "sentence": Field("Why, or its named use", longest=300, required=False,
                          hint="Needed where it is unsafe; else a use such as “cold carpet”."),
    }  # fmt: skip


def number(text: object) -> int | None:
    """An id from a form or an address; None for none or for what no id can be."""
    word = str(text or "")
    return int(word) if word.isascii() and word.isdigit() and len(word) < 10 else None


def numbers(text: object) -> list[int]:
    """Ids of an address such as 3-7-9; [] for what can't be read."""
    found = [number(word) for word in str(text or "").split("-")]
    return [] if None in found else [n for n in found if n is not None]
