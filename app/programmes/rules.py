"""The attributes a new programme starts with, and facts about scales.

Anchor words follow the manner of the open vehicle-handling rating practice SAE J1441, paraphrased;
the bipolar scales follow the neutral-point idea of ISO 4121.
"""

from dataclasses import dataclass

from app.errors import Refused
from app.programmes.models import ScaleKind

QUALITY_WORDS = {"10": "excellent", "8": "good", "6": "fair", "5": "borderline", "4": "poor", "2": "very poor",
                 "1": "not acceptable"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ScaleSpec:
    """One attribute's scale, in points (half steps where step is 0.5)."""

    name: str
    kind: ScaleKind
    lowest: float
    highest: float
    step: float
    anchors: dict[str, str]
    on_slip: bool = True


def quality(name: str, *, on_slip: bool = True) -> ScaleSpec:
    return ScaleSpec(name, ScaleKind.QUALITY, 1, 10, 0.5, dict(QUALITY_WORDS), on_slip)


def ideal_zero(name: str, low: str, high: str, *, on_slip: bool = True) -> ScaleSpec:
    anchors = {"-5": low, "0": "as I want it", "5": high}
    return ScaleSpec(name, ScaleKind.IDEAL_ZERO, -5, 5, 0.5, anchors, on_slip)


STARTING_ATTRIBUTES = (
    quality("Steering precision"),
    quality("Jump and landing stability"),
    quality("Bump absorption"),
    quality("Traction out of corners"),
    ideal_zero("Mid-corner balance", "spins", "ploughs"),
    quality("Overall for a 5-minute final"),
    quality("Confidence to push", on_slip=False),
    quality("Bench work", on_slip=False),
    ideal_zero("Response speed", "lazy", "nervous", on_slip=False),
)

MOST_ON_SLIP = 6


def check_scale(spec: ScaleSpec) -> None:
    """Refuse a scale that can't be rated on: ends, step and number of categories."""
    if spec.highest <= spec.lowest:
        raise Refused(f"The scale runs from {spec.lowest:g} to {spec.highest:g}", "The top must be above the bottom",
                      field="highest")  # fmt: skip
    if spec.step < 0.01:
        raise Refused(f"A step of {spec.step:g} can't be", "The least is 0.01", field="step")
    steps = (spec.highest - spec.lowest) / spec.step
    if abs(steps - round(steps)) > 1e-9:
        raise Refused(f"Steps of {spec.step:g} don't lead from {spec.lowest:g} to {spec.highest:g}",
                      "Choose a step that fits", field="step")  # fmt: skip
    if not 1 <= round(steps) <= 40:
        raise Refused(f"The scale would have {round(steps) + 1} marks", "2 to 41 can be rated on", field="step")
    if round(steps) < 2:
        raise Refused("The scale would have two marks only", "At least three can be told apart", field="step")
    if spec.kind == ScaleKind.IDEAL_ZERO and abs(spec.lowest + spec.highest) > 1e-9:
        raise Refused("An as-I-want-it scale reaches equally far both ways from 0",
                      f"This one runs from {spec.lowest:g} to {spec.highest:g}", field="lowest")  # fmt: skip
    if spec.kind == ScaleKind.IDEAL_ZERO and abs(spec.highest / spec.step - round(spec.highest / spec.step)) > 1e-9:
        raise Refused(f"Steps of {spec.step:g} don't meet 0", "Choose a step that fits", field="step")
