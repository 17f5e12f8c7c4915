"""What a change of dimension is expected to do: closed forms of textbook mechanics. Units in every name.

A factor needs no material: a round bar's bending stiffness goes with d⁴ and its strength with d³, a plate's with t³ and
t², a coil's rate with d⁴/(D³ n). The same outline, lay-up and material on both sides are taken for granted.
"""

import math
from typing import NamedTuple

POISSON = 0.29  # of steel; G = E / (2 (1 + 0.29))


class Bar(NamedTuple):
    """A round bar: second moments in mm⁴, stiffness at a load in N/mm, deflection in mm, torsion in N·mm/rad."""

    second_moment_mm4: float
    polar_moment_mm4: float
    cantilever_N_per_mm: float
    supported_N_per_mm: float
    clamped_N_per_mm: float
    cantilever_mm: float
    torsion_Nmm_per_rad: float


def round_bar(d_mm: float, length_mm: float, e_mpa: float, force_n: float = 0.0) -> Bar:
    """3EI/L³ at the end of a cantilever, 48EI/L³ in the middle on two supports, 192EI/L³ clamped at both ends, GJ/L."""
    _positive(diameter=d_mm, length=length_mm, modulus=e_mpa)
    i, cube = math.pi * d_mm**4 / 64, length_mm**3
    cantilever = 3 * e_mpa * i / cube
    shear = e_mpa / (2 * (1 + POISSON))
    return Bar(i, 2 * i, cantilever, 16 * cantilever, 64 * cantilever, force_n / cantilever, shear * 2 * i / length_mm)


def bar_factors(before_mm: float, after_mm: float) -> tuple[float, float]:
    """(stiffness, strength) after over before: d⁴ and d³. An anti-roll bar's rate goes with the first."""
    _positive(before=before_mm, after=after_mm)
    return (after_mm / before_mm) ** 4, (after_mm / before_mm) ** 3


def plate_factors(before_mm: float, after_mm: float) -> tuple[float, float]:
    """(bending stiffness, strength) of a flat plate of the same outline and lay-up: t³ and t²."""
    _positive(before=before_mm, after=after_mm)
    return (after_mm / before_mm) ** 3, (after_mm / before_mm) ** 2


def spring_rate(wire_d: float, coil_d: float, active_turns: float, shear_modulus: float) -> float:
    """G d⁴ / (8 D³ n): N/mm from mm and MPa, lbf/in from in and psi; D is the mean coil diameter."""
    _positive(wire=wire_d, coil=coil_d, turns=active_turns, modulus=shear_modulus)
    return shear_modulus * wire_d**4 / (8 * coil_d**3 * active_turns)


def spring_factor(wire: tuple[float, float], coil: tuple[float, float], turns: tuple[float, float]) -> float:
    """Rate after over before; each pair is (before, after)."""
    _positive(wire=min(wire), coil=min(coil), turns=min(turns))
    return (wire[1] / wire[0]) ** 4 / ((coil[1] / coil[0]) ** 3 * (turns[1] / turns[0]))


def outer_angle_deg(inner_deg: float, track_mm: float, wheelbase_mm: float) -> float:
    """The outer wheel's angle at full Ackermann: cot(outer) − cot(inner) = kingpin track / wheelbase."""
    _positive(track=track_mm, wheelbase=wheelbase_mm)
    if not 0 < inner_deg < 90:
        raise ValueError(f"the inner angle must lie between 0 and 90°, got {inner_deg:g}")
    return math.degrees(math.atan(1 / (1 / math.tan(math.radians(inner_deg)) + track_mm / wheelbase_mm)))


def turn_radius_mm(inner_deg: float, track_mm: float, wheelbase_mm: float) -> float:
    """Of the rear axle's centre, without slip."""
    return wheelbase_mm / math.tan(math.radians(inner_deg)) + track_mm / 2


def ackermann_percent(inner_deg: float, outer_deg: float, track_mm: float, wheelbase_mm: float) -> float:
    """(inner − outer) over what full Ackermann asks for, in %."""
    return 100 * (inner_deg - outer_deg) / (inner_deg - outer_angle_deg(inner_deg, track_mm, wheelbase_mm))


def flex(torque_Nm: float, angle_deg: float) -> float:
    """N·m/° of a part on a torsion rig."""
    _positive(torque=torque_Nm, angle=angle_deg)
    return torque_Nm / angle_deg


def _positive(**given: float) -> None:
    for name, value in given.items():
        if not value > 0:
            raise ValueError(f"the {name} must be above 0, got {value:g}")
