"""What every modelled criterion gives the rule, whatever it was fitted from: improvements, + is better.

Ratings are in marks, lap times in percent of a lap, preferences in rating points. The rule, the condition check and
the outlook read only this form, so a new criterion needs no new rule.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from app.evidence.links import Array
from app.evidence.mixture import Mixture


@dataclass(frozen=True, slots=True)
class FittedRow:
    """One run (or, for preferences, one choice) that entered a fit."""

    driver: str
    session: str
    run: str
    variant: str
    condition: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """The whole posterior of one fit at its K integration points, for asking what more runs would show.

    weights   : (K,) summing to 1;  means (K, P);  precision (K, P, P) negative Hessian of all coefficients
    sign      : +1, or -1 where a smaller modelled value is better (lap time, distance from ideal)
    first     : term -> number of its first coefficient, of: beta (rival i at first+i-1), mu, driver (in the order of
                `drivers`), g (driver x variant; see `n_variants`), drift (per hour, at (t - 0.5))
                with 2 variants g is one per driver at +-1/2, else one per driver x variant, driver-major
    *_sd      : (K,) SDs of the effects a new session, a new driver's session and a new session x variant draw
                (with 2 variants session_variant_sd is that of the difference, coded +-1/2)
    row_variance : (K,) variance of one new run's value around its linear predictor
    drift_sds : prior SDs of a new session's own drift in (t - 0.5), (t - 0.5)^2, ...; empty = one drift for all
    """

    weights: Array
    means: Array
    precision: Array
    sign: float
    first: Mapping[str, int]
    n_variants: int
    drivers: tuple[str, ...]
    session_sd: Array
    cell_sd: Array
    session_variant_sd: Array
    row_variance: Array
    drift_sds: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """One criterion's fit. Mixtures are improvements over the control.

    fitted     : rows that entered, each with driver, session, run, variant, condition;  runs : how many per variant
    left_out   : runs that did not enter, by reason;  order_unknown : no clock for some of them, so no drift term there
    population : per rival, for a driver and a day like these: what verdicts use;  panel : these drivers, for display
    own        : (rival, driver) -> that driver's own effect, shrunk;  between : (rival a, rival b) -> a over b
    within     : (rival, condition class) -> improvement in that class; only where classes could be told apart
    depends    : rival -> {class: difference of that class from the mean of classes}; same availability
    """

    criterion: str
    fitted: tuple[Any, ...]
    runs: Mapping[str, int]
    drivers: tuple[str, ...]
    sessions: tuple[str, ...]
    left_out: Mapping[str, int]
    order_unknown: bool
    population: Mapping[str, Mixture]
    panel: Mapping[str, Mixture]
    own: Mapping[tuple[str, str], Mixture]
    between: Mapping[tuple[str, str], Mixture]
    within: Mapping[tuple[str, str], Mixture] = field(default_factory=dict)
    depends: Mapping[str, Mapping[str, Mixture]] = field(default_factory=dict)
    joint: Joint | None = None
    noise_seen: tuple[tuple[float, ...], tuple[float, ...]] | None = None  # ratings: see `nested.RatingPosterior.z_mean`

    def own_runs(self, variant: str, driver: str) -> int:
        return sum(m.variant == variant and m.driver == driver for m in self.fitted)

    def improvement_over(self, a: str, b: str) -> Mixture:
        """Rival a against rival b."""
        return self.between[a, b] if (a, b) in self.between else self.between[b, a].scaled(-1.0)
