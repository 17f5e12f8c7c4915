"""Simulated test programmes with known truth, to measure how often the rule is right.

The settings are those on which the rule's thresholds were chosen: our own, common practice, no source; no real
programme was seen. Improvements are signed so that + is better: points of a 1..10 scale for ratings, percent of a lap
for `lap_time`. A programme is drawn from (seed, name, number) alone, so that any one of them can be made again.
"""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from app.evidence.inputs import Evidence, Mark, Question
from app.evidence.rows import LAP_TIME, PREFERENCE, Lap, Preference

Order = Literal["ABBA", "A then B", "A-B-A", "random"]
Truths = Mapping[str, Sequence[float]]
"""Criterion -> true improvement of each rival over the control, in the order of `question.rivals`."""


@dataclass(frozen=True, slots=True)
class World:
    """Everything about a simulated programme but its question and its truth. SDs are of one draw unless a line says more.

    absent, lost  : chance that a driver misses a session, that a run gives nothing
    ratings, points: driver_variant and session_variant are SDs of the difference from the control; halo is shared by the
        attributes of a run; scale_use is the relative SD between drivers of how widely they mark; drift: as grip comes up
    laps, percent  : bad laps lose bad_least plus an exponential of mean bad_mean; track -1.2 +- .6 saturates with a time
        constant between tau_min; faster track = less time; fade per lap
    classes, class_effect : condition classes of the sessions in turn; rivals gain +effect/2 in the first, -effect/2 in others
    """

    drivers: int = 3
    sessions: int = 6
    order: Order = "ABBA"
    laps: int = 8
    lap_s: float = 20.0
    gap_s: float = 180.0
    absent: float = 0.10
    lost: float = 0.08
    level: float = 6.3
    driver: float = 0.8
    session: float = 0.3
    driver_session: float = 0.35
    driver_variant: float = 0.4
    session_variant: float = 0.2
    halo: float = 0.35
    noise: float = 0.75
    scale_use: float = 0.15
    threshold_jitter: float = 0.15
    drift: float = 0.3
    preference_noise: float = 1.0
    preferences: bool = False
    lap_driver: float = 1.5
    lap_session: float = 1.0
    lap_driver_session: float = 0.4
    lap_driver_variant: float = 0.15
    lap_session_variant: float = 0.10
    lap_run: float = 0.30
    lap_noise: float = 0.9
    bad_share: float = 0.07
    bad_least: float = 1.0
    bad_mean: float = 6.0
    bad_flagged: float = 0.6
    track: float = -1.2
    track_sd: float = 0.6
    tau_min: tuple[float, float] = (30.0, 90.0)
    first_laps: tuple[float, float] = (2.5, 0.8)
    fade: float = 0.06
    classes: tuple[str, ...] = ()
    class_effect: float = 0.0


QUIET, LOUD = 2 / 3, 1.5
_NOISES = ("driver_session", "driver_variant", "session_variant", "halo", "noise", "lap_driver_session", "lap_driver_variant",
           "lap_session_variant", "lap_run", "lap_noise")  # fmt: skip


def noisier(world: World, factor: float) -> World:
    """The same world with every noise SD (not how drivers and days differ in level) times `factor`."""
    return replace(world, **{name: factor * getattr(world, name) for name in _NOISES})


def generator(seed: int, name: str, number: int) -> np.random.Generator:
    """The stream of one programme: PCG64 seeded from (seed, name, number)."""
    word = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big")
    return np.random.default_rng(np.random.SeedSequence([seed, word, number]))


def simulate(world: World, question: Question, truths: Truths, rng: np.random.Generator) -> Evidence:
    """The whole programme of `world.sessions` sessions as evidence; laps only where `truths` names the lap time.

    Sessions are S1, S2, ..., drivers D1, D2, ...; a run's label tells session, driver and its place in the order.
    """
    panel = _Panel(world, question, truths, rng)
    for s in range(world.sessions):
        panel.drive(s)
    return Evidence(question, tuple(panel.marks), laps=tuple(panel.laps), preferences=tuple(panel.preferences))


def up_to_session(evidence: Evidence, sessions: int) -> Evidence:
    """What was filed when that many sessions were closed."""

    def kept(rows: Sequence) -> tuple:
        return tuple(row for row in rows if int(row.session[1:]) <= sessions)

    return replace(
        evidence, marks=kept(evidence.marks), laps=kept(evidence.laps), preferences=kept(evidence.preferences)
    )


def run_order(order: Order, variants: int, turn: int, rng: np.random.Generator) -> list[int]:
    """Variants by number, in the order driven by one driver in one session; 0 is the control.

    ABBA turns to BAAB with every second `turn`; with V variants each is driven twice, in A-B-A the control before,
    between and after.
    """
    if order == "A then B":
        return [v for v in range(variants) for _ in range(2)]
    if order == "A-B-A":
        return [0, *(v for rival in range(1, variants) for v in (rival, 0))]
    if order == "random":
        return [int(v) for v in rng.permutation(np.repeat(np.arange(variants), 2))]
    forth = list(range(variants)) if turn % 2 == 0 else list(reversed(range(variants)))
    return forth + forth[::-1]


class _Panel:
    """One programme in the making: the drivers' lasting traits, and the rows as sessions are driven."""

    def __init__(self, world: World, question: Question, truths: Truths, rng: np.random.Generator) -> None:
        self.world, self.question, self.rng = world, question, rng
        self.attributes = [name for name in question.rule.attributes if name not in (LAP_TIME, PREFERENCE)]
        self.criteria = [*self.attributes, *([LAP_TIME] if LAP_TIME in truths else [])]
        self.truth = {c: np.array([0.0, *truths[c]]) for c in self.criteria}
        n = len(question.variants)
        wrong = [c for c, effects in self.truth.items() if len(effects) != n]
        if wrong:
            raise ValueError(f"truths[{wrong[0]}] needs one improvement for each of {n - 1} rivals")
        self.level = {c: rng.normal(0, self._sd("driver", c), world.drivers) for c in self.criteria}
        self.own = {c: rng.normal(0, self._sd("driver_variant", c) / math.sqrt(2), (world.drivers, n)) for c in self.criteria}
        spread = rng.normal(0, 1, world.drivers) * world.scale_use
        self.spread = np.exp(spread - world.scale_use**2 / 2)  # mean 1, so that truths stay what they say
        self.cuts = {a: self._thresholds(a) for a in self.attributes}
        self.marks: list[Mark] = []
        self.laps: list[Lap] = []
        self.preferences: list[Preference] = []

    def _sd(self, name: str, criterion: str) -> float:
        return float(getattr(self.world, f"lap_{name}" if criterion == LAP_TIME else name))

    def _thresholds(self, attribute: str) -> np.ndarray:
        """(drivers, categories - 1) rising thresholds half-way between marks, each driver's own."""
        scale = self.question.scales[attribute]
        half_way = scale.lowest + scale.step * (np.arange(scale.categories - 1) + 0.5)
        jitter = self.rng.normal(0, self.world.threshold_jitter * scale.step, (self.world.drivers, len(half_way)))
        return np.sort(half_way + jitter, axis=1)

    def drive(self, s: int) -> None:
        """One session: every driver who is there, in rotation on one clock."""
        world, rng, n = self.world, self.rng, len(self.question.variants)
        day = {c: rng.normal(0, self._sd("session", c)) for c in self.criteria}
        today = {c: rng.normal(0, self._sd("session_variant", c) / math.sqrt(2), n) for c in self.criteria}
        tau_h = rng.uniform(*world.tau_min) / 60
        track = rng.normal(world.track, world.track_sd)
        in_class = np.zeros(n)
        if len(world.classes) > 1:
            in_class[1:] = world.class_effect * (0.5 if s % len(world.classes) == 0 else -0.5)
        for d in range(world.drivers):
            if world.drivers > 1 and rng.random() < world.absent:
                continue
            cell = {c: rng.normal(0, self._sd("driver_session", c)) for c in self.criteria}
            gain = {c: self.truth[c] + self.own[c][d] + today[c] + in_class for c in self.criteria}
            driven = set()
            for k, v in enumerate(run_order(world.order, n, s + d, rng)):
                if rng.random() < world.lost:
                    continue
                driven.add(v)
                seat = _Seat(s, d, k, v, (k * world.drivers + d) * (world.laps * world.lap_s + world.gap_s))
                self._rate(seat, {c: day[c] + cell[c] + gain[c][v] for c in self.attributes}, tau_h)
                if LAP_TIME in self.criteria:
                    self._lap(seat, day[LAP_TIME] + cell[LAP_TIME] - gain[LAP_TIME][v], track, tau_h)
            if world.preferences and n == 2 and len(driven) == 2 and self.attributes:
                self._prefer(s, d, gain[self.attributes[0]])

    def _condition(self, s: int) -> str | None:
        return self.world.classes[s % len(self.world.classes)] if self.world.classes else None

    def _rate(self, seat: "_Seat", felt: Mapping[str, float], tau_h: float) -> None:
        world, d = self.world, seat.d
        grip = world.drift * (1 - math.exp(-seat.start_s / 3600 / tau_h))
        halo = self.rng.normal(0, world.halo)
        for a in self.attributes:
            scale = self.question.scales[a]
            moved = felt[a] + grip + halo + self.rng.normal(0, world.noise)
            latent = world.level + self.level[a][d] + self.spread[d] * moved
            rating = scale.lowest + scale.step * int(np.searchsorted(self.cuts[a][d], latent))
            self.marks.append(Mark(seat.driver, seat.session, seat.run, self.question.variants[seat.v], a, rating,
                                   clock_min=seat.start_s / 60, car="1", condition=self._condition(seat.s)))  # fmt: skip

    def _lap(self, seat: "_Seat", shift: float, track: float, tau_h: float) -> None:
        """The laps of one run: 100 ln(time) is the sum of its effects, so a percent is a percent wherever it starts."""
        world, rng, clock_s = self.world, self.rng, seat.start_s
        shift += self.level[LAP_TIME][seat.d] + rng.normal(0, world.lap_run)
        for number in range(1, world.laps + 1):
            percent = shift + track * (1 - math.exp(-clock_s / 3600 / tau_h)) + world.fade * (number - 4)
            percent += world.first_laps[number - 1] if number <= len(world.first_laps) else 0.0
            percent += rng.normal(0, world.lap_noise)
            flag = ""
            if rng.random() < world.bad_share:
                percent += world.bad_least + rng.exponential(world.bad_mean)
                flag = "mistake" if rng.random() < world.bad_flagged else ""
            time_s = round(world.lap_s * math.exp(percent / 100), 3)
            self.laps.append(Lap(seat.driver, seat.session, seat.run, self.question.variants[seat.v], number, time_s,
                                 clock_s=round(clock_s, 3), flag=flag, condition=self._condition(seat.s)))  # fmt: skip
            clock_s += time_s

    def _prefer(self, s: int, d: int, gain: np.ndarray) -> None:
        first, second = self.question.variants
        ahead = gain[1] - gain[0] + self.rng.normal(0, self.world.preference_noise)
        self.preferences.append(Preference(f"D{d + 1}", f"S{s + 1}", first, second, second if ahead > 0 else first,
                                           condition=self._condition(s)))  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Seat:
    """One run: session, driver, place in the order and variant by number (from 0); start in seconds of the session."""

    s: int
    d: int
    k: int
    v: int
    start_s: float

    @property
    def driver(self) -> str:
        return f"D{self.d + 1}"

    @property
    def session(self) -> str:
        return f"S{self.s + 1}"

    @property
    def run(self) -> str:
        return f"{self.session}-{self.driver}-{self.k + 1}"
