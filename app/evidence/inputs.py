"""What was filed about one design question, as frozen rows in storage units. Imports neither numpy nor scipy.

A caller builds `Evidence(question, marks, ...)`. Building it validates everything and sorts the rows, so two callers
with the same facts in another order hold equal evidence with one `fingerprint()`.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from app.evidence import METHOD_VERSION
from app.evidence.refusals import EvidenceError, check_marks, check_other_rows, check_rule, finite
from app.evidence.rows import LAP_TIME, PREFERENCE, Durability, Exposure, Lap, Life, PanelNoise, Preference, Reading
from app.evidence.scales import Scale

RuleKind = Literal["gain", "no_worse"]
DEFAULT_PERCENT, DEFAULT_PREFERENCE = 0.3, 0.5  # W of lap time in percent and of a preference in rating points


@dataclass(frozen=True, slots=True)
class Mark:
    """One driver's mark for one attribute of one run.

    driver, session, run : ids (not display names), so that renaming a person changes no fingerprint
    variant    : which answer to the question was really on the car
    rating     : marks, or None for "could not judge"
    clock_min  : minutes from the session's start to the run's start; None = not known
    order      : position of the run in its session; only a fallback for `clock_min` when pairing
    condition  : condition class, such as "cold carpet"; None = one class for all
    open_label : the rater knew the variant; counts, but not toward the blind share
    spoiled    : not-counted reasons that keep the mark out of everything
    pairing_only : reasons that spoil only the bracket; the mark still enters the fit
    others     : (other question or part, its variant on the car) pairs, for the confounding check
    source     : opaque id of the slip, for tracing
    """

    driver: str
    session: str
    run: str
    variant: str
    attribute: str
    rating: float | None
    clock_min: float | None = None
    car: str | None = None
    order: int | None = None
    condition: str | None = None
    open_label: bool = False
    spoiled: tuple[str, ...] = ()
    pairing_only: tuple[str, ...] = ()
    others: tuple[tuple[str, str], ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True)
class Goal:
    """What a variant must gain on: a rating attribute, 'lap_time' or 'preference'. Weights of a rule's goals sum to 1."""

    attribute: str
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Must:
    """What a variant must not lose: no worse than `margin` (None = the default worthwhile difference).

    In marks for an attribute, percent of a lap for 'lap_time', rating points for 'preference'.
    """

    attribute: str
    margin: float | None = None


@dataclass(frozen=True, slots=True)
class Fact:
    """A declared figure per variant (mass, unit cost, build minutes), the ground of a 'no worse is enough' question."""

    name: str
    values: Mapping[str, float]
    better: Literal["lower", "higher"] = "lower"
    unit: str = ""

    def __post_init__(self) -> None:
        if self.better not in ("lower", "higher"):
            raise EvidenceError("fact.better", self.better, "Say whether the lower or the higher figure is better.")
        for variant, value in self.values.items():
            finite(f"fact.values[{variant}]", value)
        object.__setattr__(self, "values", MappingProxyType(dict(sorted(self.values.items()))))


@dataclass(frozen=True, slots=True)
class Rule:
    """How the question will be decided, declared before its first counted run.

    worthwhile  : W in marks on the first goal's scale (None = the scale's default)
    drivers, brackets, sessions : wanted minimum; 2 drivers and 2 sessions are the floor of any verdict
    conditions  : condition classes that must be covered
    blind_share : least share, 0..1, of counted marks given blind
    drift_limit : marks; a bracket whose two controls differ by more is limited
    secondary   : attributes watched beside the goals in the panel reading
    worthwhile_percent : W of lap time, percent (None = 0.3)
    fact_failures : the fact of a 'no worse' question is that the rival breaks less often than the control
    durability  : the highest failure rate a rival may have; None = the gate does not apply
    ignored_gates : clause names of gates left out, to see what a gate does
    """

    kind: RuleKind = "gain"
    goals: tuple[Goal, ...] = ()
    musts: tuple[Must, ...] = ()
    worthwhile: float | None = None
    drivers: int = 3
    brackets: int = 1
    sessions: int = 2
    conditions: tuple[str, ...] = ()
    blind_share: float = 0.0
    drift_limit: float = 1.0
    fact: Fact | None = None
    secondary: tuple[str, ...] = ()
    durability: Durability | None = None
    planned_looks: int = 6
    worthwhile_percent: float | None = None
    fact_failures: bool = False
    ignored_gates: tuple[str, ...] = ()

    @property
    def primary(self) -> str | None:
        """The attribute of the panel reading: the first goal that is rated, else the first such must, else watched."""
        rated = [name for name in self.attributes if name not in (LAP_TIME, PREFERENCE)]
        return rated[0] if rated else None

    @property
    def attributes(self) -> tuple[str, ...]:
        """Every attribute named by the rule, once, in the order declared."""
        named = [g.attribute for g in self.goals] + [m.attribute for m in self.musts] + list(self.secondary)
        return tuple(dict.fromkeys(named))


@dataclass(frozen=True, slots=True)
class Question:
    """One choice to be settled. `variants` always starts with `control`, the rivals follow in sorted order."""

    control: str
    variants: tuple[str, ...]
    scales: Mapping[str, Scale]
    rule: Rule = field(default_factory=Rule)

    def __post_init__(self) -> None:
        if len(set(self.variants)) != len(self.variants):
            raise EvidenceError("variants", self.variants, "Each variant is named once.")
        if self.control not in self.variants:
            raise EvidenceError("control", self.control, "The control must be one of the question's variants.")
        if len(self.variants) < 2:
            raise EvidenceError("variants", self.variants, "A question needs a control and at least one rival.")
        rivals = sorted(v for v in self.variants if v != self.control)
        object.__setattr__(self, "variants", (self.control, *rivals))
        object.__setattr__(self, "scales", MappingProxyType(dict(sorted(self.scales.items()))))
        check_rule(self)

    @property
    def rivals(self) -> tuple[str, ...]:
        return self.variants[1:]

    def worthwhile(self, attribute: str) -> float:
        """W on this criterion: marks, percent of a lap, or rating points; the rule's own W applies to its first goal."""
        if attribute == LAP_TIME:
            return self.rule.worthwhile_percent or DEFAULT_PERCENT
        if attribute == PREFERENCE:
            return DEFAULT_PREFERENCE
        if self.rule.worthwhile is not None and attribute == self.rule.primary:
            return self.rule.worthwhile
        return self.scales[attribute].default_worthwhile


@dataclass(frozen=True, slots=True)
class OpenConcern:
    """A concern still open; `variant` None touches every variant. Only one that `blocks` stops a verdict."""

    label: str
    variant: str | None = None
    blocks: bool = False


@dataclass(frozen=True, slots=True)
class Gate:
    """A pass/fail check made elsewhere (abuse, gauge limits, fit cells, legality). `passed` None = not yet checked, or not
    checked far enough: with a sentence that says how far, nothing is adopted on it, and nothing is called blocked."""

    name: str
    passed: bool | None
    variant: str | None = None
    sentence: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything known about one question. Raises EvidenceError, naming the row, for what makes no sense.

    lap_guard_worse : rivals known to be slower than the control; they cannot read "favours adopt"
    panel_noise : learned from the programme's other questions; None = the default priors
    """

    question: Question
    marks: tuple[Mark, ...] = ()
    concerns: tuple[OpenConcern, ...] = ()
    gates: tuple[Gate, ...] = ()
    lap_guard_worse: tuple[str, ...] = ()
    laps: tuple[Lap, ...] = ()
    preferences: tuple[Preference, ...] = ()
    exposures: tuple[Exposure, ...] = ()
    lives: tuple[Life, ...] = ()
    readings: tuple[Reading, ...] = ()
    panel_noise: PanelNoise | None = None

    def __post_init__(self) -> None:
        check_marks(self.question, self.marks)
        check_other_rows(self)
        for touched in [c.variant for c in self.concerns] + [g.variant for g in self.gates]:
            if touched is not None and touched not in self.question.variants:
                raise EvidenceError("variant", touched, "It is not one of the question's variants.")
        object.__setattr__(self, "marks", tuple(sorted(map(_tidied, self.marks), key=_row_key)))
        object.__setattr__(self, "concerns", tuple(sorted(self.concerns, key=lambda c: (c.label, c.variant or ""))))
        object.__setattr__(self, "gates", tuple(sorted(self.gates, key=lambda g: (g.name, g.variant or ""))))
        object.__setattr__(self, "lap_guard_worse", tuple(sorted(set(self.lap_guard_worse))))
        for name in OTHER_ROWS:
            object.__setattr__(self, name, tuple(sorted(getattr(self, name), key=_fields)))

    def fingerprint(self) -> str:
        """64 hex digits over the sorted rows, the rule and METHOD_VERSION; equal facts give equal fingerprints."""
        return hashlib.sha256(self.canonical_json().encode()).hexdigest()

    def canonical_json(self) -> str:
        """The text that is hashed: every row, scale, margin and gate, in one fixed order."""
        question = self.question
        rule = {name: getattr(question.rule, name) for name in Rule.__dataclass_fields__ if name != "fact"}
        rule["goals"] = [asdict(goal) for goal in question.rule.goals]
        rule["musts"] = [asdict(must) for must in question.rule.musts]
        fact = question.rule.fact
        rule["durability"] = question.rule.durability and asdict(question.rule.durability)
        rule["fact"] = fact and [fact.name, dict(fact.values), fact.better, fact.unit]
        whole: dict[str, Any] = {
            "method": METHOD_VERSION,
            "variants": question.variants,
            "scales": {name: asdict(scale) for name, scale in question.scales.items()},
            "rule": rule,
            "marks": [asdict(mark) for mark in self.marks],
            "concerns": [asdict(concern) for concern in self.concerns],
            "gates": [asdict(gate) for gate in self.gates],
            "lap_guard_worse": self.lap_guard_worse,
            "panel_noise": self.panel_noise and asdict(self.panel_noise),
            **{name: [_fields(row) for row in getattr(self, name)] for name in OTHER_ROWS},
        }
        return json.dumps(_plain_numbers(whole), sort_keys=True, separators=(",", ":"), allow_nan=False)


OTHER_ROWS = ("laps", "preferences", "exposures", "lives", "readings")


def _fields(row: Any) -> tuple[tuple[bool, Any], ...]:
    """Every field in order, each with whether it is there, so that rows with gaps sort too."""
    return tuple((value is not None, 0 if value is None else value) for name in row.__slots__ for value in (getattr(row, name),))


def _plain_numbers(value: Any) -> Any:
    """1 and 1.0 are the same fact, so they must be the same bytes."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if isinstance(value, (int, float)):
        return float(value)
    if isinstance(value, Mapping):
        return {str(key): _plain_numbers(item) for key, item in value.items()}
    return [_plain_numbers(item) for item in value]


def _row_key(mark: Mark) -> tuple[str, ...]:
    return (mark.attribute, mark.session, mark.driver, mark.run, mark.variant, mark.source, repr(mark))


def _tidied(mark: Mark) -> Mark:
    """Reasons and parts in one order, so that the order a caller found them in changes nothing."""
    values = {name: getattr(mark, name) for name in Mark.__dataclass_fields__}
    values["rating"] = None if mark.rating is None else float(mark.rating)
    values["clock_min"] = None if mark.clock_min is None else float(mark.clock_min)
    values["spoiled"] = tuple(sorted(set(mark.spoiled)))
    values["pairing_only"] = tuple(sorted(set(mark.pairing_only)))
    values["others"] = tuple(sorted({(str(name), str(level)) for name, level in mark.others}))
    return Mark(**values)
