"""Rows of evidence beside the marks, frozen and in storage units. Imports neither numpy nor scipy.

Times are seconds, exposures laps, minutes or impacts. `condition`, `others` and `spoiled` mean what they mean for a mark.
"""

from dataclasses import dataclass
from typing import Literal

LAP_TIME, PREFERENCE, GOAL_INDEX = "lap_time", "preference", "goal_index"
RESERVED = (LAP_TIME, PREFERENCE, GOAL_INDEX)
"""Criteria that are not rating attributes; no attribute may take these names."""

ExposureUnit = Literal["laps", "minutes", "impacts"]


@dataclass(frozen=True, slots=True)
class Lap:
    """One lap of one run.

    lap     : number within its run, from 1
    time_s  : lap time;  clock_s : start of the lap, seconds since the session's start, None = not known
    flag    : why the lap is left out ('' = keep it)
    """

    driver: str
    session: str
    run: str
    variant: str
    lap: int
    time_s: float
    clock_s: float | None = None
    flag: str = ""
    condition: str | None = None
    others: tuple[tuple[str, str], ...] = ()
    spoiled: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Preference:
    """One driver's forced choice between two variants after driving both in one session; None = no preference."""

    driver: str
    session: str
    first: str
    second: str
    preferred: str | None
    condition: str | None = None


@dataclass(frozen=True, slots=True)
class Exposure:
    """Use of one variant's part and the failures in it; `session` None = counts for every set of sessions."""

    variant: str
    laps: float = 0.0
    minutes: float = 0.0
    failures: int = 0
    impacts: float = 0.0
    session: str | None = None

    def amount(self, unit: str) -> float:
        return {"laps": self.laps, "minutes": self.minutes, "impacts": self.impacts}[unit]


@dataclass(frozen=True, slots=True)
class Life:
    """One piece's use until it failed, or until now if it did not (right-censored)."""

    variant: str
    piece: str
    amount: float
    failed: bool
    unit: ExposureUnit = "laps"


@dataclass(frozen=True, slots=True)
class Reading:
    """One gauge reading against its limits, with expanded uncertainty (k = 2) in the reading's own unit.

    lower, upper : limits, None = open on that side;  uncertainty None = not stated
    """

    variant: str
    characteristic: str
    value: float
    unit: str = ""
    lower: float | None = None
    upper: float | None = None
    uncertainty: float | None = None
    piece: str = ""


@dataclass(frozen=True, slots=True)
class Durability:
    """The highest failure rate a rival may have: `highest_rate` failures per `per` of `unit`.

    hurts : a failure can hurt people, so .95 and one planned look instead of .80
    """

    highest_rate: float
    per: float = 1000.0
    unit: ExposureUnit = "laps"
    hurts: bool = False

    @property
    def rate(self) -> float:
        """Failures per one lap, minute or impact."""
        return self.highest_rate / self.per


@dataclass(frozen=True, slots=True)
class PanelNoise:
    """Noise of this panel, learned from the programme's other questions; replaces the default priors of the ratings.

    Units of the scale's `unit_r`. log_noise, log_driver_session : (centre, spread) of a log-normal SD
    half_driver_variant, half_session_variant : scale of a half-normal SD;  questions, drivers : what it was learned from
    """

    log_noise: tuple[float, float]
    log_driver_session: tuple[float, float]
    half_driver_variant: float
    half_session_variant: float
    questions: int = 0
    drivers: int = 0
