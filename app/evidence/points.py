"""Fixed low-discrepancy points, so that the same evidence always gives the same bytes.

Sobol's sequence in four dimensions, with the direction numbers of Joe & Kuo (2008), moved by one fixed digital shift
so that no point lies on the edge of the cube. Tested against scipy's generator, which is slow to import.
"""

import numpy as np
from numpy.typing import NDArray

_BITS = 30
_POLYNOMIALS = ((0, 0, (1,)), (1, 0, (1,)), (2, 1, (1, 3)), (3, 1, (1, 3, 1)))  # degree, coefficients, first m
_SHIFT = (0x1A2B3C4D & (2**_BITS - 1), 0x2F6E2B1A & (2**_BITS - 1), 0x05A7C3E9, 0x13579BDF)  # arbitrary, fixed


def sobol4(n: int) -> NDArray[np.float64]:
    """The first `n` points, unshifted, shape (n, 4), in [0, 1)."""
    return _integers(n) / 2.0**_BITS


def shifted_sobol4(n: int) -> NDArray[np.float64]:
    """The first `n` points after the fixed digital shift, shape (n, 4), strictly inside (0, 1)."""
    return ((_integers(n) ^ np.array(_SHIFT)) + 0.5) / 2.0**_BITS


def _integers(n: int) -> NDArray[np.int64]:
    directions = np.array([_direction_numbers(*polynomial) for polynomial in _POLYNOMIALS])
    points = np.zeros((n, 4), dtype=np.int64)
    for i in range(1, n):
        lowest_zero_bit = (i & -i).bit_length() - 1
        points[i] = points[i - 1] ^ directions[:, lowest_zero_bit]
    return points


def _direction_numbers(degree: int, coefficients: int, first: tuple[int, ...]) -> list[int]:
    """v_1..v_30 as integers scaled by 2^30, by the recurrence of the primitive polynomial."""
    if degree == 0:
        return [1 << (_BITS - 1 - i) for i in range(_BITS)]
    m = list(first)
    for i in range(degree, _BITS):
        new = m[i - degree] ^ (m[i - degree] << degree)
        for k in range(1, degree):
            if (coefficients >> (degree - 1 - k)) & 1:
                new ^= m[i - k] << k
        m.append(new)
    return [m[i] << (_BITS - 1 - i) for i in range(_BITS)]
