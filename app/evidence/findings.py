"""What the strands beside the marks found, frozen and storable; part of a `results.Sheet`. Neither numpy nor scipy.

Improvements are signed so that + is better; intervals are 90 % unless a name says otherwise.
"""

from dataclasses import dataclass
from typing import Literal

from app.evidence.rows import PanelNoise


@dataclass(frozen=True, slots=True)
class Measure:
    """One criterion of one rival against the control, in one line.

    criterion : attribute name, 'lap_time', 'preference' or 'goal_index';  unit : points, percent, ..., 'times W'
    p_worse_than_margin : None where no margin is declared;  mean_s, low90_s, high90_s : seconds per lap, lap time only
    """

    variant: str
    criterion: str
    mean: float
    sd: float
    low90: float
    high90: float
    p_better: float
    p_worse_than_margin: float | None
    unit: str
    n: int
    method: str
    mean_s: float | None = None
    low90_s: float | None = None
    high90_s: float | None = None


@dataclass(frozen=True, slots=True)
class LapReading:
    """What lap times say about one rival.

    base_s     : lap time of the control at lap 4, half an hour in, seconds
    race_laps, race_s : laps of a race of `race_minutes` and seconds gained over it (+ = faster)
    resolution_s : smallest difference these runs would show with P .96 half of the time, seconds a lap
    laps, left_out_laps : laps used, and flagged laps left out;  runs : run values
    scatter_s  : robust lap-to-lap scatter of one driver's clean laps;  laps_to_see : (seconds a lap, laps a variant)
    spoiled_rate, spoiled_rate_control : share of laps that are flagged or far off, and the test that they differ
    """

    variant: str
    mean_s: float
    low90_s: float
    high90_s: float
    base_s: float
    race_minutes: float
    race_laps: int
    race_s: float
    resolution_s: float
    runs: int
    laps: int
    left_out_laps: int
    spoiled_rate: float
    spoiled_rate_control: float
    spoiled_p: float
    spoiled_differs: bool
    sentence: str
    scatter_s: float = 0.0
    laps_to_see: tuple[tuple[float, int], ...] = ()


@dataclass(frozen=True, slots=True)
class FailureReading:
    """Failures of one variant in its exposure, against the declared limit and the control.

    exposure in `unit`; rates per `per` of it; rate90 = exact Poisson interval (Garwood), None without exposure
    p_below_limit : P(rate < limit), None without a limit;  p_below_control : P(rate < control's), None for the control
    p_twice_control : P(rate > 2 x control's);  missing : exposure still missing to show the limit, no more failing
    state : 'shown' | 'failed' | 'not_shown' | 'no_limit'
    shape : Weibull shape with its 90 % interval where pieces' lives allow, else None;  survival : (amount, share, low, high)
    """

    variant: str
    unit: str
    exposure: float
    failures: int
    per: float
    rate: float | None
    low90: float | None
    high90: float | None
    p_below_limit: float | None
    p_below_control: float | None
    p_twice_control: float | None
    missing: float | None
    state: Literal["shown", "failed", "not_shown", "no_limit"]
    shape: tuple[float, float, float] | None
    survival: tuple[tuple[float, float, float, float], ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """One reading against its limits with guard band: 'pass', 'fail' or 'inconclusive'."""

    variant: str
    characteristic: str
    piece: str
    value: float
    uncertainty: float | None
    lower: float | None
    upper: float | None
    unit: str
    state: Literal["pass", "fail", "inconclusive"]
    sentence: str


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far drivers rank the variants alike: Friedman's chi-square with Kendall's W, and its p."""

    attribute: str
    drivers: int
    chi2: float
    p: float
    w: float
    sentence: str


@dataclass(frozen=True, slots=True)
class ClassCover:
    """One condition class of one rival: what was driven there, per driver, and the improvement in that class."""

    variant: str
    condition: str
    sessions: int
    drivers: tuple[tuple[str, int], ...]  # (driver, paired runs)
    runs: int
    covered: bool
    mean: float | None
    low90: float | None
    high90: float | None
    p_better: float | None


@dataclass(frozen=True, slots=True)
class ConditionReading:
    """How one rival's gain hangs on conditions. state 'depends': better in one class, worse in another;

    'differs' : the size differs for certain, the direction not;  'unclear' : no difference shown;  'one_class'
    """

    variant: str
    criterion: str
    classes: tuple[ClassCover, ...]
    state: Literal["depends", "differs", "unclear", "one_class"]
    better_in: tuple[str, ...]
    worse_in: tuple[str, ...]
    validity: str


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two readings of the same runs that point different ways. kind: 'panel', 'preference', 'laps' or 'driver'."""

    kind: Literal["panel", "preference", "laps", "driver"]
    variant: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """One next test session for one rival: which drivers, how many runs each, and what it is expected to settle.

    p_settle = P(the verdict leaves retest) = p_adopt + p_reject + p_setting
    """

    variant: str
    drivers: tuple[str, ...]
    runs_each: int
    runs: int
    p_adopt: float
    p_reject: float
    p_setting: float
    p_settle: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """Candidate next sessions of one rival, best first; `sessions_to_settle` None = more than four."""

    variant: str
    candidates: tuple[Candidate, ...]
    sessions_to_settle: int | None
    sentence: str


@dataclass(frozen=True, slots=True)
class NoiseSeen:
    """What one question's marks tell of this panel's noise, for other questions to learn from; see `panel_noise`.

    seen    : per fitted quality attribute (mean, SD) of the four noise SDs' posterior on their priors' standard-normal scale
    drivers : who rated;  used : learned priors that the fits stood on, None = the defaults
    """

    seen: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...] = ()
    drivers: tuple[str, ...] = ()
    used: PanelNoise | None = None
