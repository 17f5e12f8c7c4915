"""The rule's probabilities. Common practice, no source: our defaults, chosen on simulated programmes; see `verdict`."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RuleThresholds:
    """Probabilities; `gain` by number of variants, 4 holding for more (an extrapolation)."""

    gain: tuple[float, float, float] = (0.96, 0.98, 0.99)
    many_looks: float = 0.01  # added to `gain` beyond six planned looks
    by_choice: float = 0.6  # of the error left to `gain` where forced preferences are a goal: at .96 they alone adopted
    # 8 +- 1 % of equal parts by six looks (3 and 4 drivers, 600 programmes each), at .976 5 and 3 %
    must_held: float = 0.75
    harm: float = 0.85
    loss: float = 0.90
    futility: float = 0.05
    large_gain: float = 0.96
    large_gain_must: float = 0.60
    large_gain_twice_margin: float = 0.95
    no_worse: float = 0.95  # .90 adopted a must at exactly -margin in 15 to 17 % of simulated programmes by six looks
    driver_differs: float = 0.80
    ahead: float = 0.80

    def p_gain(self, n_variants: int, planned_looks: int, *, by_choice: bool = False) -> float:
        """P(better) that a gain asks for, among so many variants; `by_choice`: a goal is the forced preference."""
        p = self.gain[min(n_variants, 4) - 2] + (self.many_looks if planned_looks > 6 else 0.0)
        return min(1.0 - self.by_choice * (1.0 - p) if by_choice else p, 0.995)


RULE = RuleThresholds()
