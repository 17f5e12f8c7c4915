"""Rows for the tests: the acceptance fixture (invented team, three cars, five slots) and a simulated programme.

The simulated world has the settings the product's thresholds were chosen on; it is ours, not a real team's.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from app.evidence.inputs import Evidence, Goal, Mark, Must, Question, Rule, Scale

SLOTS_MIN = (0.0, 12.0, 24.0, 36.0, 48.0)
FIXTURE = {  # driver: car, variants in order, precision marks
    "AQ": ("1", "t40 t45 t40 t50 t40", (6.0, 7.0, 6.0, 7.5, 6.5)),
    "MS": ("2", "t40 t50 t40 t45 t40", (6.5, 7.0, 7.0, 7.5, 7.0)),
    "DH": ("3", "t40 t45 t40 t50 t40", (5.5, 6.5, 6.0, 4.5, 6.0)),
}
HALF_STEPS = Scale(1, 10, 0.5)


def outing(
    driver: str,
    variants: str,
    marks: Sequence[float | None],
    *,
    session: str = "S-03",
    attribute: str = "precision",
    car: str = "1",
    times: Sequence[float] = SLOTS_MIN,
    condition: str | None = "cold carpet",
) -> list[Mark]:
    """One driver's runs in one session, in order."""
    return [
        Mark(
            driver, session, f"{session}-{car}-{driver}-{k}", v, attribute, m, clock_min=t, car=car, condition=condition
        )
        for k, (v, m, t) in enumerate(zip(variants.split(), marks, times, strict=False))
    ]


def fixture_marks(session: str = "S-03") -> list[Mark]:
    return [m for d, (car, order, marks) in FIXTURE.items() for m in outing(d, order, marks, car=car, session=session)]


def question(**rule) -> Question:
    rule.setdefault("goals", (Goal("precision"),))
    return Question("t40", ("t40", "t45", "t50"), {"precision": HALF_STEPS}, Rule(**rule))


def evidence(marks: Sequence[Mark] | None = None, **rule) -> Evidence:
    return Evidence(question(**rule), tuple(fixture_marks() if marks is None else marks))


def pair_question(scale: Scale = HALF_STEPS, musts: tuple[Must, ...] = (), **rule) -> Question:
    """Control A against one rival B on 'grip'."""
    scales = {"grip": scale, **{m.attribute: Scale() for m in musts}}
    return Question("A", ("A", "B"), scales, Rule(goals=(Goal("grip"),), musts=musts, **rule))


def programme(
    rng: np.random.Generator,
    *,
    drivers: int = 3,
    sessions: int = 3,
    effects: Sequence[float] = (0.0, 0.0),
    attributes: Sequence[str] = ("grip",),
    must_effects: Sequence[float] | None = None,
    order: str = "ABBA",
    driver_variant_sd: float = 0.4,
    lost: float = 0.08,
    absent: float = 0.10,
) -> list[Mark]:
    """Rated runs of a simulated programme, marks 1..10 in whole steps.

    effects : true latent effect of each variant on the first attribute, in points; must_effects: on the others
    order   : 'ABBA' alternating with 'BAAB', or 'AABB' for control always first (two variants)
    """
    variants = [chr(ord("A") + i) for i in range(len(effects))]
    truths = [effects, *([must_effects or [0.0] * len(effects)] * (len(attributes) - 1))]
    level = {(a, d): rng.normal(0, 0.8) for a in attributes for d in range(drivers)}
    spread = {d: np.exp(rng.normal(0, 0.15)) for d in range(drivers)}
    own = {
        (a, d): rng.normal(0, driver_variant_sd / np.sqrt(2), len(variants)) for a in attributes for d in range(drivers)
    }
    cuts = np.arange(1.5, 10.0)[None, :] + rng.normal(0, 0.15, (drivers, 9))
    found: list[Mark] = []
    for s in range(sessions):
        day = {a: rng.normal(0, 0.3) for a in attributes}
        today = {a: rng.normal(0, 0.2 / np.sqrt(2), len(variants)) for a in attributes}
        for d in range(drivers):
            if drivers > 1 and rng.random() < absent:
                continue
            cell = {a: rng.normal(0, 0.35) for a in attributes}
            for k, v in enumerate(_order(order, len(variants), s + d)):
                if rng.random() < lost:
                    continue
                hours = (k * drivers + d) * (8 * 20 + 180) / 3600
                halo = rng.normal(0, 0.35)
                for a, truth in zip(attributes, truths, strict=True):
                    y = 6.3 + truth[v] + level[a, d] + day[a] + cell[a] + own[a, d][v] + today[a][v]
                    y += 0.3 * (1 - np.exp(-hours)) + halo + rng.normal(0, 0.75) * spread[d]
                    mark = float(1 + np.searchsorted(np.sort(cuts[d]), y))
                    found.append(
                        Mark(f"D{d}", f"S{s}", f"{s}-{d}-{k}", variants[v], a, mark, clock_min=60 * hours, car="1")
                    )
    return found


def _order(order: str, variants: int, turn: int) -> list[int]:
    if order == "AABB":
        return [0, 0, 1, 1]
    forth = list(range(variants)) if turn % 2 == 0 else list(reversed(range(variants)))
    return forth + forth[::-1]


def up_to_session(marks: Sequence[Mark], sessions: int) -> list[Mark]:
    """What had been filed when that many sessions were closed."""
    return [m for m in marks if int(m.session[1:]) < sessions]


def without_clock(marks: Sequence[Mark]) -> list[Mark]:
    return [replace(m, clock_min=None) for m in marks]
