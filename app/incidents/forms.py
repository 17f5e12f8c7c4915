"""What may be typed about an incident: pieces and damage are chips, so that one thumb files it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Protocol, Self

from app.incidents.rules import Report
from app.incidents.words import IMPACTS, Cause, Damage, Effect, Happened, PackDamage
from app.photos.rules import LONGEST_ALT
from app.web.forms import Field, Form

HIT = "took the hit"
PHOTO = Field("Photo", kind="file", required=False, hint="JPEG, PNG or WebP, at most 8 MB. Place and camera are not kept.")
ALT = Field("What the photo shows", required=False, longest=LONGEST_ALT, hint="For whoever can't see it, such as “crack at the bolt hole”.")
QUARANTINE = Field("Take damaged pieces out of use until somebody has looked", kind="checkbox", required=False, raw=True)
FIGURES = ("speed_mps", "drop_height_m", "car_mass_g", "tweak_before_mm", "tweak_after_mm")


class Named(Protocol):
    """A piece that may be named."""

    @property
    def id(self) -> int: ...
    @property
    def label(self) -> str: ...


def _figure(label: str, unit: str, hint: str = "") -> Field:
    return Field(label, kind="number", unit=unit, required=False, hint=hint)


class PiecesForm(Form):
    """Pieces that were not named when it was reported. `for_pieces` adds a field a piece; a posted form is read again then."""

    fields_declared = {"quarantine": QUARANTINE}

    def __init__(self) -> None:
        super().__init__()
        self.piece_ids: list[int] = []
        self.posted: dict[str, list[str]] = {}

    def load(self, data: Any) -> Self:
        names = {name for name, _ in data.multi_items() if name.startswith("piece_") and name != "piece_id"}
        self.posted = {name: [str(value) for value in data.getlist(name)] for name in names}
        return super().load(data)

    def for_pieces(self, pieces: Sequence[Named]) -> Self:
        """One group of chips a piece; a piece alone on the car is taken to have been hit until it is unticked."""
        choices = [("hit", HIT), *((word.value, word.value) for word in Damage)]
        self.piece_ids = [piece.id for piece in pieces]
        for piece in pieces:
            name = f"piece_{piece.id}"
            item = Field(piece.label, kind="checkboxes", choices=choices, required=False, name=name)
            item.raw = self.posted.get(name, []) if self.submitted else ["hit"] if len(pieces) == 1 else []
            self.fields[name] = item
        if self.submitted:
            self.read_all()
            if strange := [name for name in self.posted if name not in self.fields]:
                self.message = (f"What was on the car has been corrected meanwhile: {len(strange)} of the pieces named are not on it. "
                                "Look at the pieces below and send it again.")  # fmt: skip
        return self

    def named(self) -> dict[int, tuple[str, ...]]:
        """Piece id -> damage words, none = it took it and is sound. Call only when the form is ok."""
        chosen = {piece: self.values[f"piece_{piece}"] for piece in self.piece_ids}
        return {piece: tuple(word for word in words if word != "hit") for piece, words in chosen.items() if words}



class ReportForm(PiecesForm):
    """What happened, with its pieces."""

    fields_declared = {
        "kind": Field("What happened", kind="radios", choices=[(kind.value, kind.value) for kind in Happened]),
        "effect": Field("What came of it", kind="radios", choices=[(effect.value, effect.value) for effect in Effect]),
        "pack_damage": Field("The battery pack", kind="checkboxes", required=False,
                             choices=[(word.value, word.value) for word in PackDamage],
                             hint="Any of these raises a concern for people and property by itself."),
        "words": Field("In your own words", kind="textarea", longest=2000, required=False, hint="Kept as you write it."),
        "quarantine": QUARANTINE,
        "struck": Field("What was hit", required=False, hint="Such as: board at turn 3."),
        "hits": Field("Hits of this kind", kind="integer", raw="1"),
        "lap_number": Field("On lap", kind="integer", required=False),
        "speed_mps": _figure("Speed", "m/s"),
        "drop_height_m": _figure("Drop height", "m", "Or the speed, not both."),
        "car_mass_g": _figure("Mass of the car", "g", "Empty: 1700 g."),
        "tweak_before_mm": _figure("Tweak before", "mm", "Largest corner gap on a flat plate."),
        "tweak_after_mm": _figure("Tweak after", "mm"),
        "happened_at": Field("When", kind="datetime-local", required=False, hint="Venue time. Empty: just now, or the run's end."),
        "photo": PHOTO,
        "alt": ALT,
        "run_id": Field("Run", kind="hidden", required=False),
        "piece_id": Field("Piece", kind="hidden", required=False),
        "abuse_test_id": Field("Series", kind="hidden", required=False),
    }  # fmt: skip

    def report(self, happened_at: datetime | None) -> Report:
        """What was typed. Call only when the form is ok."""
        v = self.values
        return Report(
            kind=Happened(v["kind"]), effect=Effect(v["effect"]), happened_at=happened_at, words=v["words"], quarantine=v["quarantine"],
            pieces=self.named(), pack_damage=tuple(v["pack_damage"]), struck=v["struck"], hits=v["hits"], lap_number=v["lap_number"],
            run_id=number(v["run_id"]), abuse_test_id=number(v["abuse_test_id"]), **{name: v[name] for name in FIGURES},
        )  # fmt: skip


class CauseForm(Form):
    fields_declared = {
        "cause": Field("Cause", kind="radios", choices=[(cause.value, cause.value) for cause in Cause]),
        "reason": Field("What the inspection showed", kind="textarea", longest=2000,
                        hint="At least 10 characters. It decides what counts as a failure."),
        "version": Field("Version", kind="hidden", required=False),
    }  # fmt: skip


class PhotoForm(Form):
    fields_declared = {"photo": Field("Photo", kind="file", hint=PHOTO.hint), "alt": ALT}


class AbuseForm(Form):
    fields_declared = {
        "kind": Field("Hits of this kind", kind="radios", choices=[(kind.value, kind.value) for kind in IMPACTS]),
        "hits_planned": Field("Hits in all", kind="integer", raw="20"),
        "check_every": Field("Tweak is re-checked every", kind="integer", unit="hits", raw="5"),
        "tweak_limit_mm": _figure("Tweak at most", "mm", "Usual: 0.10 mm corner gap."),
        "struck": Field("What is hit", required=False, hint="Such as: board at the end of the straight."),
        "speed_mps": _figure("Speed", "m/s"),
        "drop_height_m": _figure("Drop height", "m", "Or the speed, not both."),
        "piece_id": Field("Piece", kind="select", choices=()),
        "second_piece_id": Field("Another piece on the car", kind="select", required=False),
        "third_piece_id": Field("And another", kind="select", required=False),
    }


def number(text: object) -> int | None:
    """An id from a form or an address; None for none or for what no id can be."""
    word = str(text or "")
    return int(word) if word.isascii() and word.isdigit() and len(word) < 10 else None
