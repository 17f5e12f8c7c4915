"""A rating attribute's scale: its marks, its unit, and the categories a model sees. Imports neither numpy nor scipy."""

import math
from dataclasses import asdict, dataclass
from typing import Literal

from app.evidence.refusals import EvidenceError, finite

ScaleKind = Literal["quality", "ideal_zero"]


@dataclass(frozen=True, slots=True)
class Scale:
    """A rating attribute's scale, in marks.

    kind 'quality': unipolar, higher is better.
    kind 'ideal_zero': bipolar, 0 = as wanted, so a smaller |mark| is better.
    """

    lowest: float = 1.0
    highest: float = 10.0
    step: float = 1.0
    kind: ScaleKind = "quality"

    def __post_init__(self) -> None:
        for name in ("lowest", "highest", "step"):
            finite(f"scale.{name}", getattr(self, name))
        if self.step <= 0 or self.highest <= self.lowest:
            raise EvidenceError(
                "scale", asdict(self), "A scale needs a positive step, and a highest mark above its lowest."
            )
        if self.kind not in ("quality", "ideal_zero"):
            raise EvidenceError("scale.kind", self.kind, "A scale is either 'quality' or 'ideal_zero'.")
        if self.kind == "ideal_zero" and not math.isclose(self.lowest, -self.highest):
            raise EvidenceError(
                "scale", asdict(self), "A scale with its ideal at zero must reach equally far both ways."
            )
        if not self.is_mark(self.highest):
            raise EvidenceError("scale.step", self.step, "The steps must lead from the lowest mark to the highest.")
        if self.categories < 3:
            raise EvidenceError("scale.step", self.step, "A scale needs at least three different marks.")

    @property
    def unit_r(self) -> float:
        """The unit in which priors, W and margins are stated, in marks: one point of a 1..10 scale.

        'ideal_zero': one step, but a finer step does not make drivers steadier, so never less than a fifth of the way
        from ideal to the end (our reading of "in steps"; the two agree on -5..+5 in whole steps).
        """
        if self.kind == "quality":
            return (self.highest - self.lowest) / 9.0
        return max(self.step, self.highest / 5.0)

    @property
    def default_worthwhile(self) -> float:
        """Smallest difference worth having, in marks: half a point of quality, or one step nearer to ideal."""
        return 0.5 * self.unit_r if self.kind == "quality" else self.unit_r

    @property
    def floor(self) -> float:
        """The lowest modelled value: the lowest mark, or distance 0."""
        return self.lowest if self.kind == "quality" else 0.0

    @property
    def categories(self) -> int:
        """How many different values can be modelled (marks, or distances from ideal)."""
        return round((self.highest - self.floor) / self.step) + 1

    def category(self, mark: float) -> int:
        """0-based category of a mark (quality) or of its distance from ideal (ideal_zero)."""
        value = mark if self.kind == "quality" else abs(mark)
        return round((value - self.floor) / self.step)

    def is_mark(self, mark: float) -> bool:
        """Is this a value the slip offers?"""
        if not (math.isfinite(mark) and self.lowest - 1e-9 <= mark <= self.highest + 1e-9):
            return False
        steps = (mark - (self.lowest if self.kind == "quality" else 0.0)) / self.step
        return abs(steps - round(steps)) < 1e-6
