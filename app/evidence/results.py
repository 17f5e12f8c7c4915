"""The frozen answers of this package and their JSON form. Imports neither numpy nor scipy.

Improvements are signed so that + is better. Figures are marks unless `unit` says otherwise; intervals are 90 %.
`storing` turns a sheet to JSON and back.
"""

from dataclasses import dataclass
from typing import Literal

from app.evidence.findings import (
    Agreement,
    ConditionReading,
    Disagreement,
    FailureReading,
    GaugeReading,
    LapReading,
    Measure,
    NoiseSeen,
    Outlook,
)

VerdictWord = Literal["adopt", "reject", "retest", "setting"]

CLAUSES = (
    "gain", "large_gain", "no_worse", "gain_with_harm", "harm", "loss", "futility", "gain_not_shown", "must_not_shown",
    "sessions", "drivers", "one_driver", "one_session", "aliased", "late_only", "inflated", "durability", "blocked",
    "conflict", "conditions", "blind", "two_ahead", "thin",
)  # fmt: skip
"""Every clause a verdict may name; a closed list."""

READINGS = (
    "blocked", "not_enough", "drivers_conflict", "depends_on_conditions", "favours_adopt", "favours_reject",
    "no_practical_difference", "not_shown", "mixed_retest",
)  # fmt: skip
"""Every panel reading, in the order in which they are tried ('not_shown' replaces 'no_practical_difference')."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """One improvement with its uncertainty.

    p_worse_than_margin : P(improvement < -margin), where a margin is declared
    """

    mean: float
    sd: float
    low90: float
    high90: float
    p_better: float
    p_worse_than_margin: float | None
    unit: str
    n: int
    method: str


@dataclass(frozen=True, slots=True)
class BracketReading:
    """One test run against its controls. state: 'counted', 'limited' (shown, not counted) or 'not_counted'.

    before, after, control, mark, effect, shift, drift are marks; None where they could not be formed.
    """

    driver: str
    session: str
    car: str | None
    condition: str | None
    run: str
    variant: str
    attribute: str
    before: float | None
    after: float | None
    control: float | None
    mark: float | None
    effect: float | None
    shift: float | None
    drift: float | None
    state: Literal["counted", "limited", "not_counted"]
    reasons: tuple[str, ...]
    note: str
    source: str


@dataclass(frozen=True, slots=True)
class DriverEffect:
    """The mean of one driver's counted brackets in one condition class, and the vote it makes."""

    driver: str
    condition: str | None
    effect: float
    brackets: int
    vote: Literal["for", "none", "against"]
    shift: float | None


@dataclass(frozen=True, slots=True)
class ClassReading:
    """One variant in one condition class."""

    condition: str | None
    drivers: tuple[DriverEffect, ...]
    median: float | None
    low: float | None
    high: float | None
    votes_for: int
    votes_none: int
    votes_against: int
    reading: str
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UnpairedOpinion:
    """Marks of a driver who had no control run in that session: shown, never counted."""

    driver: str
    session: str
    variant: str
    marks: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class PanelReading:
    """What the drivers said about one variant on the primary attribute.

    The figures on top are those of the one condition class, or, with several, of the class named in `condition`;
    `classes` holds all. `distances` are |mark| of the test runs and `directions` their signed marks (bipolar only).
    """

    variant: str
    attribute: str
    reading: str
    sentence: str
    condition: str | None
    drivers: tuple[DriverEffect, ...]
    median: float | None
    low: float | None
    high: float | None
    votes_for: int
    votes_none: int
    votes_against: int
    classes: tuple[ClassReading, ...]
    missing: tuple[str, ...]
    brackets: tuple[BracketReading, ...]
    limited: int
    not_counted: dict[str, int]
    secondary_medians: dict[str, float]
    distances: tuple[float, ...]
    directions: tuple[float, ...]
    mean_distance: float | None
    unpaired: tuple[UnpairedOpinion, ...]
    judges: int
    raters: int
    judges_sentence: str
    worthwhile: float


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How closely a driver repeats a mark of the same build on the same day; `driver` None = pooled over the panel."""

    driver: str | None
    s: float
    bracket_noise: float
    n: int


@dataclass(frozen=True, slots=True)
class Panel:
    """What the drivers said, counted. `indirect` compares two rivals within driver:
    (a, b, median of e_a - e_b, n).

    `judges` says per attribute how many of the raters could judge it ("2 of 3"); `blind_share` is of counted marks.
    """

    attribute: str | None
    readings: tuple[PanelReading, ...]
    repeatability: tuple[Repeatability, ...]
    bracket_noise: float | None
    blind_share: float | None
    judges: dict[str, str]
    indirect: tuple[tuple[str, str, float, int], ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Flag:
    """A weakness of the plan or the data. kind: a clause name, or 'warning'; `blocks`: no verdict but retest."""

    kind: str
    variant: str | None
    sentence: str
    blocks: bool = False


@dataclass(frozen=True, slots=True)
class DesignReading:
    """What the plan as driven can show about one variant. Inflations are None where the variant is aliased."""

    variant: str
    runs: int
    vif_session: float | None
    vif_clock: float | None
    vif_parts: float | None
    n_eff: float
    drivers_eff: float
    sessions_eff: float
    informative_drivers: tuple[str, ...]
    informative_sessions: tuple[str, ...]
    part_correlation: dict[str, float]
    flags: tuple[Flag, ...]


@dataclass(frozen=True, slots=True)
class Strand:
    """One kind of evidence. `estimates` maps 'variant|attribute' to the population estimate, `panel_estimates` likewise
    for these drivers only, `driver_estimates` maps 'variant|attribute|driver'."""

    name: str
    state: Literal["evidence", "no_evidence", "too_thin"]
    estimates: dict[str, Estimate]
    panel_estimates: dict[str, Estimate]
    driver_estimates: dict[str, Estimate]
    sentence: str


@dataclass(frozen=True, slots=True)
class Criterion:
    """One line of the rule: what was asked, what it needs, what was found."""

    variant: str
    role: Literal["goal", "must", "gate"]
    name: str
    needs: str
    found: str
    met: bool


@dataclass(frozen=True, slots=True)
class Verdict:
    """What may be concluded about one variant. `clause` is one of CLAUSES; `nearest` says what would change it."""

    variant: str
    verdict: VerdictWord
    clause: str
    sentence: str
    nearest: str
    offer: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """The evidence sheet of one question: what the drivers said (`panel`) and what may be concluded (`verdicts`)."""

    method_version: str
    fingerprint: str
    control: str
    variants: tuple[str, ...]
    panel: Panel
    strands: tuple[Strand, ...]
    design: tuple[DesignReading, ...]
    criteria: tuple[Criterion, ...]
    verdicts: tuple[Verdict, ...]
    flags: tuple[Flag, ...]
    left_out: dict[str, int]
    order_unknown: bool
    why_they_differ: tuple[str, ...]
    measures: tuple[Measure, ...] = ()
    lap_readings: tuple[LapReading, ...] = ()
    failure_readings: tuple[FailureReading, ...] = ()
    gauge_readings: tuple[GaugeReading, ...] = ()
    condition_readings: tuple[ConditionReading, ...] = ()
    agreements: tuple[Agreement, ...] = ()
    disagreements: tuple[Disagreement, ...] = ()
    outlook: tuple[Outlook, ...] = ()
    noise: NoiseSeen | None = None
