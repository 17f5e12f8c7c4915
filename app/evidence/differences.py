"""First and second derivatives by central differences, for functions too tangled to differentiate by hand."""

from collections.abc import Callable

import numpy as np

from app.evidence.links import Array


def central_gradient(f: Callable[[Array], float], v: Array, h: float = 1e-5) -> Array:
    """Central first differences, shape (d,)."""
    steps = h * np.maximum(1.0, np.abs(v))
    out = np.empty(len(v))
    for i, step in enumerate(steps):
        e = np.zeros(len(v))
        e[i] = step
        out[i] = (f(v + e) - f(v - e)) / (2 * step)
    return out


def central_hessian(f: Callable[[Array], float], v: Array, gaps: Array, h: float = 2e-4) -> Array:
    """Central second differences; steps small beside the threshold gaps, in which the likelihood bends fastest."""
    steps = np.minimum(h * np.maximum(1.0, np.abs(v)), gaps / 200)
    d = len(v)
    e = np.diag(steps)
    out = np.empty((d, d))
    centre = f(v)
    for i in range(d):
        out[i, i] = (f(v + e[i]) - 2 * centre + f(v - e[i])) / steps[i] ** 2
        for j in range(i):
            corners = f(v + e[i] + e[j]) - f(v + e[i] - e[j]) - f(v - e[i] + e[j]) + f(v - e[i] - e[j])
            out[i, j] = out[j, i] = corners / (4 * steps[i] * steps[j])
    return out
