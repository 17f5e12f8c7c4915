"""Expected effects: what each calculation asks for, and its answer as a sentence. No database."""

from collections.abc import Mapping
from typing import NamedTuple

from app.bench.words import EffectKind
from app.gauging import effects as mechanics


class Asked(NamedTuple):
    """A figure that a calculation needs."""

    name: str
    label: str
    unit: str
    needed: bool = True


PAIR = (Asked("before", "Before", "mm"), Asked("after", "After", "mm"))
ASKED: dict[EffectKind, tuple[Asked, ...]] = {
    EffectKind.BAR: PAIR, EffectKind.PLATE: PAIR, EffectKind.ROLL_BAR: PAIR,
    EffectKind.SPRING: (Asked("before", "Wire before", "mm"), Asked("after", "Wire after", "mm"),
                        Asked("coil_before", "Mean coil before", "mm"), Asked("coil_after", "Mean coil after", "mm"),
                        Asked("turns_before", "Active turns before", ""),
                        Asked("turns_after", "Active turns after", ""), Asked("modulus", "Shear modulus", "MPa", False)),
    EffectKind.STIFFNESS: (Asked("before", "Diameter", "mm"), Asked("length", "Free length", "mm"),
                           Asked("modulus", "Young's modulus", "MPa"), Asked("force", "Load", "N", False)),
    EffectKind.ACKERMANN: (Asked("wheelbase", "Wheelbase", "mm"), Asked("track", "Kingpin track", "mm"), Asked("inner", "Inner wheel", "°"),
                           Asked("outer", "Outer wheel as built", "°", False)),
}  # fmt: skip
HINTS = {
    EffectKind.BAR: "Bending stiffness goes with d⁴, strength with d³.", EffectKind.PLATE: "Bending stiffness with t³, strength with t².",
    EffectKind.ROLL_BAR: "Its rate goes with d⁴.",
    EffectKind.SPRING: "Rate = G d⁴ / (8 D³ n); steel wire: G about 79 300 MPa (from memory).",
    EffectKind.STIFFNESS: "3EI/L³ at the end, 48 in the middle on two supports, 192 clamped; steel: E about 205 000 MPa (from memory).",
    EffectKind.ACKERMANN: "cot(outer) − cot(inner) = kingpin track / wheelbase.",
}  # fmt: skip


def answer(kind: EffectKind, g: Mapping[str, float]) -> str:
    """The effect in a sentence with its figures. Raises ValueError with the reason where a figure can't be."""
    if kind in (EffectKind.BAR, EffectKind.PLATE):
        of = mechanics.bar_factors if kind == EffectKind.BAR else mechanics.plate_factors
        stiffness, strength = of(g["before"], g["after"])
        return f"{g['before']:g} to {g['after']:g} mm: bending stiffness × {stiffness:.2f}, strength × {strength:.2f}."
    if kind == EffectKind.ROLL_BAR:
        return f"{g['before']:g} to {g['after']:g} mm: rate × {mechanics.bar_factors(g['before'], g['after'])[0]:.2f}."
    if kind == EffectKind.SPRING:
        return _spring(g)
    if kind == EffectKind.STIFFNESS:
        bar = mechanics.round_bar(g["before"], g["length"], g["modulus"], g.get("force", 0.0))
        bent = f", {bar.cantilever_mm:.3g} mm under {g['force']:g} N" if g.get("force") else ""
        return (f"Stiffness {bar.cantilever_N_per_mm:.3g} N/mm at a free end{bent}; {bar.supported_N_per_mm:.3g} in the middle on two "
                f"supports, {bar.clamped_N_per_mm:.3g} clamped at both; torsion {bar.torsion_Nmm_per_rad:.3g} N·mm/rad.")  # fmt: skip
    ideal = mechanics.outer_angle_deg(g["inner"], g["track"], g["wheelbase"])
    told = f"At {g['inner']:g}° inside, full Ackermann asks for {ideal:.2f}° outside"
    if "outer" in g:
        percent = mechanics.ackermann_percent(g["inner"], g["outer"], g["track"], g["wheelbase"])
        return f"{told}; {g['outer']:g}° as built is {percent:.0f} %."
    return f"{told}; turn radius {mechanics.turn_radius_mm(g['inner'], g['track'], g['wheelbase']):.0f} mm at the rear axle."


def _spring(g: Mapping[str, float]) -> str:
    wire, coil = (g["before"], g["after"]), (g["coil_before"], g["coil_after"])
    turns = (g["turns_before"], g["turns_after"])
    factor = mechanics.spring_factor(wire, coil, turns)
    if "modulus" not in g:
        return f"Rate × {factor:.2f}."
    rates = [mechanics.spring_rate(wire[i], coil[i], turns[i], g["modulus"]) for i in (0, 1)]
    return f"Rate {rates[0]:.3g} to {rates[1]:.3g} N/mm, × {factor:.2f}."
