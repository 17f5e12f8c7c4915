"""The result file as the page "How far to trust this" reads it: rates with their Monte-Carlo error, and plain sentences.

Rates are fractions of simulated programmes with Wilson's 95 % interval (E. B. Wilson 1927, JASA 22, 209-212): it stays
honest where nothing was counted. Nothing is computed here that is not a count of the file divided by its n.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from app.evidence import METHOD_VERSION
from app.trials import RESULTS

SHOWN_LOOKS = (2, 4, 6)
FEW = 100  # programmes; below, a file shows that the campaign works, not how good the rule is
Z95 = 1.959964


@dataclass(frozen=True, slots=True)
class Rate:
    """`k` of `n` programmes."""

    k: int
    n: int

    @property
    def share(self) -> float:
        return self.k / self.n if self.n else 0.0

    def _wilson(self, side: int) -> float:
        if not self.n:
            return 0.0 if side < 0 else 1.0
        p, z2 = self.share, Z95**2 / self.n
        half = Z95 * math.sqrt(p * (1 - p) / self.n + z2 / (4 * self.n))
        return min(1.0, max(0.0, (p + z2 / 2 + side * half) / (1 + z2)))

    @property
    def low(self) -> float:
        return 0.0 if self.k == 0 else self._wilson(-1)

    @property
    def high(self) -> float:
        return 1.0 if self.k == self.n else self._wilson(+1)

    @property
    def percent(self) -> str:
        return percent(self.share)

    @property
    def span(self) -> str:
        """'1.5–4.8', in percent."""
        return f"{percent(self.low)}–{percent(self.high)}"


def percent(share: float) -> str:
    """Whole percent; below ten one decimal, so that 2.7 is not told as 3."""
    return f"{100 * share:.1f}".removesuffix(".0") if share < 0.0995 else f"{100 * share:.0f}"


@dataclass(frozen=True, slots=True)
class AimReading:
    """One aim against what was found: 'met', 'missed', or 'within error' where only the error's width lies between."""

    words: str
    found: Rate
    state: str


@dataclass(frozen=True, slots=True)
class Situation:
    """One cell of the file."""

    name: str
    title: str
    family: str
    kind: str
    drivers: int
    variants: int
    n: int
    looks: int
    counts: Mapping[str, Sequence[int]]
    clauses: Mapping[str, Mapping[str, int]]
    coverage: Mapping[str, Sequence[Mapping[str, Any] | None]]
    flags: Mapping[str, Sequence[int]]
    read: Sequence[int]
    aims: tuple[AimReading, ...]
    cpu_ms: float | None

    def rate(self, word: str, sessions: int) -> Rate:
        return Rate(self.counts[word][min(sessions, self.looks) - 1], self.n)

    @property
    def adopted(self) -> list[Rate]:
        return [self.rate("adopt", sessions) for sessions in SHOWN_LOOKS]

    @property
    def rejected(self) -> list[Rate]:
        return [self.rate("reject", sessions) for sessions in SHOWN_LOOKS]

    @property
    def setting(self) -> Rate:
        return self.rate("setting", self.looks)

    @property
    def retest(self) -> Rate:
        return self.rate("retest", self.looks)


@dataclass(frozen=True, slots=True)
class Interval:
    """How often a 90 % interval held the truth, and how far the estimate lay from it on average."""

    situation: Situation
    criterion: str
    sessions: int
    covered: Rate
    truth: float
    bias: float
    bias_error: float
    width: float
    unit: str


@dataclass(frozen=True, slots=True)
class Report:
    method_version: str
    seed: int
    world: Mapping[str, Any]
    rule: Mapping[str, Any]
    situations: tuple[Situation, ...]

    @property
    def outdated(self) -> bool:
        return self.method_version != METHOD_VERSION

    @property
    def fewest(self) -> int:
        return min((s.n for s in self.situations), default=0)

    @property
    def most(self) -> int:
        return max((s.n for s in self.situations), default=0)

    def find(self, name: str) -> Situation | None:
        return next((s for s in self.situations if s.name == name), None)

    def of_family(self, *families: str) -> list[Situation]:
        """In the order of the file: by what is tried, then by drivers."""
        return [s for s in self.situations if s.family in families]

    @property
    def missed(self) -> list[tuple[Situation, AimReading]]:
        return [(s, aim) for s in self.situations for aim in s.aims if aim.state != "met"]

    @property
    def order_flags(self) -> tuple[Rate, Rate] | None:
        """After two sessions, how often the order was flagged: the rival always driven last, and driven to and fro."""
        late = [Rate(s.flags.get("late_only", [0, 0])[1], s.read[1]) for s in map(self.find, ("late-d3", "equal-d3")) if s]
        return (late[0], late[1]) if len(late) == 2 else None

    @property
    def intervals(self) -> list[Interval]:
        return [found for s in self.situations for name, at in s.coverage.items() for found in _intervals(s, name, at)]


def read_report(path: Path = RESULTS) -> Report | None:
    """The result file; None where there is none. Raises ValueError for a file that is not one of ours."""
    try:
        changed = path.stat().st_mtime_ns
    except FileNotFoundError:
        return None
    return _read(path, changed)


@lru_cache(maxsize=4)
def _read(path: Path, _changed: int) -> Report:
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        cells = tuple(_situation(name, cell, stored.get("cpu", {}).get(name)) for name, cell in stored["cells"].items())
        return Report(stored["method_version"], stored["seed"], stored["world"], stored["rule"], cells)
    except (KeyError, TypeError, AttributeError) as wrong:
        raise ValueError(f"{path.name} is not a result file of a campaign: {wrong!r}") from wrong


def _situation(name: str, cell: Mapping[str, Any], cpu: Mapping[str, Any] | None) -> Situation:
    aims = tuple(_aim(aim, Rate(cell["counts"][aim["verdict"]][aim["sessions"] - 1], cell["n"])) for aim in cell["aims"])
    return Situation(name, cell["title"], cell["family"], cell["kind"], cell["drivers"], cell["variants"], cell["n"], cell["looks"],
                     cell["counts"], cell["clauses"], cell["coverage"], cell["flags"], cell["read"], aims,
                     cpu["ms_a_programme"] if cpu else None)  # fmt: skip


_WORDS = {"adopt": "adopted", "reject": "rejected", "setting": "kept as a setting", "retest": "still open"}


def _aim(aim: Mapping[str, Any], found: Rate) -> AimReading:
    most, least = aim.get("most", 1.0), aim.get("least", 0.0)
    bound = f"at most {percent(most)}" if "most" in aim else f"at least {percent(least)}"
    words = f"{_WORDS[aim['verdict']]} by {aim['sessions']} sessions in {bound} %"
    if least <= found.share <= most:
        return AimReading(words, found, "met")
    return AimReading(words, found, "within error" if found.low <= most and found.high >= least else "missed")


def _intervals(situation: Situation, criterion: str, at: Sequence[Mapping[str, Any] | None]) -> list[Interval]:
    found = []
    for sessions in SHOWN_LOOKS:
        look = at[sessions - 1] if len(at) >= sessions else None
        if look is not None:
            unit = "percent" if criterion == "lap_time" else "points"
            error = look["sd"] / math.sqrt(look["n"])
            found.append(Interval(situation, criterion.replace("_", " "), sessions, Rate(look["covered"], look["n"]), look["truth"],
                                  look["bias"], error, look["width"], unit))  # fmt: skip
    return found


@dataclass(frozen=True, slots=True)
class Expected:
    """False adoptions to expect if every rival of the open questions were equal to its control.

    number, low, high : sums over questions, low and high with every rate at its own bound
    unmeasured : names of situations that the file lacks;  questions : open questions with a rival, `lacking` of them of such a situation
    """

    questions: int
    lacking: int
    drivers: int
    number: float
    low: float
    high: float
    n: int
    unmeasured: tuple[str, ...]

    @property
    def of_25(self) -> float:
        """The same for twenty-five questions like these."""
        measured = self.questions - self.lacking
        return 25 * self.number / measured if measured else 0.0


def expected_false_adoptions(report: Report, variants_of_open: Sequence[int], drivers: int) -> Expected:
    """`variants_of_open` : number of live variants, control included, of each open question with a rival.

    `drivers` of the panel, read from the nearest simulated panel of 2 to 4; three variants and more were tried with 3.
    """
    near = min(4, max(2, drivers))
    names = [f"equal-d{near}" if variants == 2 else f"variants{min(variants, 4)}-equal-d3" for variants in variants_of_open]
    rates = [s.rate("adopt", s.looks) for name in names if (s := report.find(name)) is not None]
    lacking = tuple(sorted({name for name in names if report.find(name) is None}))
    number, low, high = (sum(getattr(r, name) for r in rates) for name in ("share", "low", "high"))
    return Expected(len(names), len(names) - len(rates), near, number, low, high, min((r.n for r in rates), default=0), lacking)


def plain_words(report: Report, drivers: int) -> list[str]:
    """What the figures come to, for a panel of that size; a situation that the file lacks is left out."""
    near, found = min(4, max(2, drivers)), []
    for name, told in (
        (f"equal-d{near}", "Of 100 questions whose parts are equal, about {6} are adopted by mistake within six sessions"),
        (f"worse0.5-d{near}", "Of 100 parts that are half a point worse, about {6} are adopted within six sessions"),
        (f"trap1-d{near}", "Of 100 parts that gain a point and lose a point on something that must not suffer, about {6} are adopted"),
        (f"better1-d{near}", "Of 100 parts that are one point better, about {4} are adopted within four sessions and {6} within six"),
        (f"better0.5-d{near}", "Of 100 parts that are half a point better, about {6} are adopted within six and {open} still ask for runs"),
        (f"pace-faster0.3-d{near}", "Of 100 parts that are 0.3 % faster a lap, about {6} are adopted within six sessions"),
    ):
        situation = report.find(name)
        if situation is not None:
            rates = {sessions: situation.rate("adopt", sessions) for sessions in SHOWN_LOOKS}
            sentence = told.replace("{open}", situation.retest.percent)
            for sessions, rate in rates.items():
                sentence = sentence.replace(f"{{{sessions}}}", rate.percent)
            found.append(f"{sentence} (n {situation.n}; 95 % range {rates[6].span}).")
    return found
