"""What an incident must say, what counts as an impact and as a failure, energies and bounds. No database."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from app.errors import Refused
from app.incidents.words import COUNTS_AS_FAILURE, IMPACTS, LETS_GO, Cause, Damage, Effect, Happened, PackDamage
from app.people.rules import name_key

GRAVITY = 9.81  # m/s², rounded as usual
USUAL_CAR_G = 1700.0
SHORTEST_REASON = 10
BREAK = "; "

PACK_CAUTION = (
    "Stop. Do not charge, use or carry inside a pack that is swollen, punctured, hot or was in a hard crash.",
    "Isolate it outdoors, away from people and anything that burns; tell people first, record second.",
    "The data sheet, hall rules, transport rules and local codes come before anything written here.",
)
HOT_CAUTION = (
    "Motor, speed control and brake can burn: let them cool. Wheels off or car on a stand before power-up.",
    "Transmitter on first, off last; after a stuck throttle check the failsafe before the car runs again.",
    "Keep fingers, hair, cords and sleeves clear of belts, gears and wheels.",
)
TRACK_CAUTION = (
    "Nobody on track; marshals seen and ready; no run with drivers or children inside the barrier.",
    "Stop the run for any person: a 1.7 kg car at 10 m/s carries 85 J.",
    "Plan abuse with an empty track.",
)
SPLINTER_CAUTION = (
    "Broken carbon plate splinters, and its dust is harmful and conducts electricity.",
    "Gloves and eye cover; wet cut or extract at the source; no dry sanding in the pit or near chargers.",
)


@dataclass(frozen=True, slots=True)
class Report:
    """What is first said of an incident. `pieces`: piece id -> damage words, none = it took it and is sound."""

    kind: Happened
    effect: Effect
    pieces: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    run_id: int | None = None
    abuse_test_id: int | None = None
    happened_at: datetime | None = None
    lap_number: int | None = None
    struck: str = ""
    speed_mps: float | None = None
    drop_height_m: float | None = None
    car_mass_g: float | None = None
    hits: int = 1
    tweak_before_mm: float | None = None
    tweak_after_mm: float | None = None
    pack_damage: tuple[str, ...] = ()
    words: str = ""
    quarantine: bool = True

    @property
    def damaged(self) -> dict[int, tuple[str, ...]]:
        """The pieces that something is named for, other than “no damage found”."""
        return {piece: words for piece, words in self.pieces.items() if is_damaged(words)}


def is_damaged(words: Sequence[str]) -> bool:
    return any(word != Damage.NONE for word in words)


def split_words(stored: str) -> tuple[str, ...]:
    return tuple(stored.split(BREAK)) if stored else ()


def check_report(report: Report) -> None:
    """Refuse what can't be, at its field."""
    for piece, words in report.pieces.items():
        if Damage.NONE in words and len(words) > 1:
            raise Refused("“No damage found” beside a damage", "One piece can't have both", "Untick one of them.", field=f"piece_{piece}")
        if strange := [word for word in words if word not in tuple(Damage)]:
            raise Refused(f"“{strange[0][:40]}” is not on the list of damage words", field=f"piece_{piece}")
    if strange := [word for word in report.pack_damage if word not in tuple(PackDamage)]:
        raise Refused(f"“{strange[0][:40]}” is not on the list of damage words", field="pack_damage")
    _check_range("hits", "Hits", report.hits, 1, 1000)
    _check_range("lap_number", "The lap", report.lap_number, 1, 2000)
    _check_range("speed_mps", "A speed in m/s", report.speed_mps, 0, 60)
    _check_range("drop_height_m", "A drop in m", report.drop_height_m, 0, 20)
    _check_range("car_mass_g", "A car's mass in g", report.car_mass_g, 100, 20_000)
    for name in ("tweak_before_mm", "tweak_after_mm"):
        _check_range(name, "A tweak in mm", getattr(report, name), 0, 50)
    if report.speed_mps is not None and report.drop_height_m is not None:
        raise Refused("A speed and a drop height", "One of them follows from the other", "Keep the one that was measured.",
                      field="drop_height_m")  # fmt: skip


def _check_range(name: str, called: str, value: float | None, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise Refused(f"{called} of {value:g} is not plausible", f"Between {low:g} and {high:g} is taken", "Check the figure.", field=name)


def check_cause(cause: Cause, reason: str, before: str) -> None:
    """A class needs a reason that can be read a year later, and must differ from what stands."""
    if cause == before:
        raise Refused(f"The cause is classed as “{before}” already", "", "Choose another class.", field="cause")
    length = len(name_key(reason))
    if length < SHORTEST_REASON:
        raise Refused(f"Classing the cause needs a reason of at least {SHORTEST_REASON} characters; this has {length}",
                      "It decides what counts as a failure", "Say in a sentence what the inspection showed.", field="reason")  # fmt: skip


def check_test(kind: Happened, hits: int, every: int, tweak_mm: float | None, speed: float | None, drop: float | None) -> None:
    """Refuse a series of planned abuse that could count nothing."""
    if kind not in IMPACTS:
        raise Refused(f"“{kind}” is no hit", "Planned abuse is counted in hits", "Choose a kind of hit.", field="kind")
    _check_range("hits_planned", "Planned hits", hits, 1, 1000)
    _check_range("check_every", "Hits between two checks", every, 1, hits)
    _check_range("tweak_limit_mm", "A tweak in mm", tweak_mm, 0, 50)
    _check_range("speed_mps", "A speed in m/s", speed, 0, 60)
    _check_range("drop_height_m", "A drop in m", drop, 0, 20)
    if speed is not None and drop is not None:
        raise Refused("A speed and a drop height", "One of them follows from the other", "Keep the one that was measured.",
                      field="drop_height_m")  # fmt: skip


# --- energies: v = sqrt(2 g h), E = m v² / 2; textbook mechanics, no drag
def impact_speed(drop_height_m: float) -> float:
    """m/s after a free fall from that height."""
    return math.sqrt(2 * GRAVITY * drop_height_m)


def energy_J(speed_mps: float, car_mass_g: float = USUAL_CAR_G) -> float:
    """Joules of a car at that speed."""
    return car_mass_g / 1000 * speed_mps**2 / 2


def _joules(speed_mps: float, mass_g: float) -> str:
    energy = energy_J(speed_mps, mass_g)
    return f"{energy:.{0 if energy >= 10 else 1}f}"


def energy_words(speed_mps: float | None, drop_height_m: float | None, car_mass_g: float | None) -> str:
    """“from 1 m: 4.43 m/s at impact; 17 J for 1.7 kg”, or nothing."""
    mass = car_mass_g or USUAL_CAR_G
    assumed = "" if car_mass_g else ", the usual car"
    if drop_height_m is not None:
        speed = impact_speed(drop_height_m)
        return f"from {drop_height_m:g} m: {speed:.2f} m/s at impact; {_joules(speed, mass)} J for {mass / 1000:g} kg{assumed}"
    if speed_mps is not None:
        return f"at {speed_mps:g} m/s: {_joules(speed_mps, mass)} J for {mass / 1000:g} kg{assumed}"
    return ""


# --- what counts
def impacts_of(kind: str, hits: int) -> int:
    """Hits that are impacts; a radio glitch is none."""
    return hits if kind in IMPACTS else 0


def has_failed(kind: str, damage: Sequence[str]) -> bool:
    """Whether a named piece failed, before its cause is asked: damage is named, or it is of the kind that lets go."""
    return is_damaged(damage) or (kind in LETS_GO and Damage.NONE not in damage)


def counts_as_failure(kind: str, damage: Sequence[str], cause: str) -> bool:
    """A failure counts against the piece unless its cause is another part or an accident beyond design."""
    return has_failed(kind, damage) and cause in COUNTS_AS_FAILURE


def matches(asked: str, kind: str) -> bool:
    """Whether an incident of `kind` is a hit of the asked sort: “any impact”, or words that a kind begins with."""
    return kind in IMPACTS and (asked == "any impact" or kind.startswith(asked))


# --- bounds
def upper_bound(clean: int, failures: int = 0) -> float:
    """95 % upper bound of the chance to fail in one hit: 1 - .05^(1/n) without a failure, else Clopper-Pearson."""
    n = clean + failures
    if n == 0:
        return 1.0
    if failures == 0:
        return 1 - 0.05 ** (1 / n)
    if clean == 0:
        return 1.0
    from scipy.stats import beta

    return float(beta.ppf(0.95, failures + 1, clean))


def fisher_p(failures: int, n: int, other_failures: int, other_n: int) -> float:
    """One-sided P of at least so many failures in the first group, if both broke equally often (Fisher, exact)."""
    from scipy.stats import hypergeom

    return float(hypergeom.sf(failures - 1, n + other_n, failures + other_failures, n))


def more_needed(clean: int, bound: float) -> int:
    """Clean hits still missing until the bound without a failure is at most `bound`."""
    return max(0, math.ceil(math.log(0.05) / math.log1p(-bound) - 1e-9) - clean)


def percent(share: float) -> str:
    """22.1 %, 9.5 %, 4.95 %: one decimal from 5 % on, two below."""
    return f"{100 * share:.{1 if share >= 0.05 else 2}f} %"
