"""A weighted mixture of normals: the form of every modelled answer, with exact tails and nothing sampled."""

from dataclasses import dataclass

import numpy as np

from app.evidence.links import Array


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """weights (K,) summing to 1, means (K,), sds (K,) > 0."""

    weights: Array
    means: Array
    sds: Array

    @property
    def mean(self) -> float:
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        return float(np.sqrt(self.weights @ (self.sds**2 + (self.means - self.mean) ** 2)))

    def p_above(self, value: float) -> float:
        """P(quantity > value)."""
        from scipy.special import ndtr

        return float(min(1.0, max(0.0, self.weights @ ndtr((self.means - value) / self.sds))))

    def quantile(self, p: float) -> float:
        """The value below which a share p lies, 0 < p < 1, by bisection to 1e-9 of the spread."""
        low = float((self.means - 9.0 * self.sds).min())
        high = float((self.means + 9.0 * self.sds).max())
        for _ in range(60):
            middle = 0.5 * (low + high)
            if self.p_above(middle) > 1.0 - p:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def scaled(self, factor: float) -> "Mixture":
        """The quantity times `factor`; -1 turns a distance lost into an improvement."""
        return Mixture(self.weights, factor * self.means, abs(factor) * self.sds)
