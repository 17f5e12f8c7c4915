"""The situations that are tried: a kind of question, a panel, a truth, and what the rule is hoped to do there.

`expected` names the verdicts that are right. `aims` are bounds on what happens by a number of sessions, as fractions of
programmes; they are our own goals (common practice, no source), and the page tells where they are missed.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from app.evidence.inputs import Fact, Goal, Must, Question, Rule
from app.evidence.rows import LAP_TIME, PREFERENCE
from app.evidence.scales import Scale
from app.trials.world import LOUD, QUIET, World, noisier

LOOKS = 6
POINTS, PERCENT = 0.5, 0.3  # the default margins of a rated must and of lap time
HANDLING, EASE = "handling", "ease"  # the rated goal and the rated must

Family = Literal["equal", "worse", "better", "trap", "no_worse"]
Kind = Literal["handling", "pace", "no_worse", "choice", "index"]


@dataclass(frozen=True, slots=True)
class Aim:
    """`verdict` is given by `sessions` in at most or at least `share` of programmes."""

    verdict: str
    sessions: int
    most: float | None = None
    least: float | None = None


@dataclass(frozen=True, slots=True)
class Cell:
    """One situation. `truths` are improvements per rival: points, or percent of a lap.

    gain : the true gain on the goal, for ordering tables;  coverage : intervals are compared with the truth at each look
    """

    name: str
    title: str
    family: Family
    kind: Kind
    question: Question
    world: World
    truths: Mapping[str, tuple[float, ...]]
    expected: tuple[str, ...]
    aims: tuple[Aim, ...] = ()
    coverage: bool = False
    gain: float = field(default=0.0)

    @property
    def drivers(self) -> int:
        return self.world.drivers

    @property
    def variants(self) -> int:
        return len(self.question.variants)


def question_of(kind: Kind, variants: int = 2, step: float = 1.0, *, with_laps: bool = True, ignored: tuple[str, ...] = ()) -> Question:
    """What is asked, for a gain unless said otherwise.

    'handling': goal a rating, musts a rating and lap time; 'pace': goal lap time, must a rating; 'no_worse': both musts;
    'choice': goal the forced preference, without a must; 'index': goals two ratings in equal parts, must lap time.
    """
    lap, ease = Must(LAP_TIME, PERCENT), Must(EASE, POINTS)
    musts = (ease, lap) if with_laps else (ease,)
    codes = tuple(chr(ord("A") + v) for v in range(variants))
    scales = {HANDLING: Scale(1, 10, step), EASE: Scale(1, 10, step)}
    rule = Rule(goals=(Goal(HANDLING),), musts=musts, drivers=2, sessions=2, planned_looks=LOOKS, ignored_gates=ignored)
    if kind == "pace":
        rule = replace(rule, goals=(Goal(LAP_TIME),), musts=(ease,))
    if kind == "no_worse":
        lighter = Fact("mass", {code: 900.0 - 20.0 * v for v, code in enumerate(codes)}, unit="g")
        rule = replace(rule, kind="no_worse", goals=(), fact=lighter)
    if kind == "choice":
        rule = replace(rule, goals=(Goal(PREFERENCE),), musts=(), secondary=(HANDLING,))  # handling makes the choices
    if kind == "index":
        rule = replace(rule, goals=(Goal(HANDLING, 0.5), Goal(EASE, 0.5)), musts=(lap,))
    return Question("A", codes, {name: scale for name, scale in scales.items() if name in rule.attributes}, rule)


def truths_of(question: Question, **improvements: float | tuple[float, ...]) -> dict[str, tuple[float, ...]]:
    """No difference on every criterion of the rule, but for what is named (one figure for all rivals, or one each)."""
    n = len(question.rivals)
    found = {}
    for name in question.rule.attributes:
        value = improvements.get(name, 0.0)
        found[name] = value if isinstance(value, tuple) else (value,) * n
    return found


def all_cells() -> dict[str, Cell]:
    """Every situation by name, in the order in which they are told."""
    return {cell.name: cell for cell in (*_handling(), *_pace(), *_panels(), *_several(), *_no_worse(), *_without_laps(), *_other_goals())}


def _cell(name: str, title: str, family: Family, kind: Kind, drivers: int, *, expected: str, world: World | None = None,
          question: Question | None = None, aims: tuple[Aim, ...] = (), coverage: bool = False,
          **improvements: float | tuple[float, ...]) -> Cell:  # fmt: skip
    asked = question or question_of(kind)
    here = replace(world or World(), drivers=drivers)
    goal = improvements.get(LAP_TIME if kind == "pace" else HANDLING, 0.0)
    return Cell(f"{name}-d{drivers}", title, family, kind, asked, here, truths_of(asked, **improvements), tuple(expected.split()),
                aims, coverage, goal if isinstance(goal, float) else max(goal))  # fmt: skip


def _points(gain: float) -> str:
    return "point" if abs(gain) == 1 else "points"


_BETTER = {  # (gain, drivers): adopted by 4 and by 6 sessions in at least
    (1.0, 3): (0.42, 0.58),
    (1.0, 4): (0.55, 0.68),
    (0.5, 4): (None, 0.28),
}


def _better(gain: float, drivers: int) -> tuple[Aim, ...]:
    by4, by6 = _BETTER.get((gain, drivers), (None, None))
    found = [Aim("adopt", sessions, least=share) for sessions, share in ((4, by4), (6, by6)) if share is not None]
    return (*found, Aim("reject", 6, most=0.06)) if gain >= 1 else tuple(found)


def _handling() -> Iterator[Cell]:
    for d in (2, 3, 4):
        yield _cell("equal", "equal in everything", "equal", "handling", d, expected="reject", coverage=True,
                    aims=(Aim("adopt", 6, most=0.05),))  # fmt: skip
    for gain, d in ((g, d) for g in (-0.5, -1.0) for d in (2, 3, 4)):
        late = (Aim("reject", 4, least=0.70 if gain == -0.5 else 0.90),) if d == 3 else ()
        yield _cell(f"worse{-gain:g}", f"goal {-gain:g} {_points(gain)} worse", "worse", "handling", d, expected="reject", handling=gain,
                    aims=(Aim("adopt", 6, most=0.01), *late))  # fmt: skip
    for gain, d in ((g, d) for g in (0.5, 1.0, 2.0, 3.0) for d in (2, 3, 4)):
        yield _cell(f"better{gain:g}", f"goal {gain:g} {_points(gain)} better", "better", "handling", d, expected="adopt", handling=gain,
                    aims=_better(gain, d), coverage=gain in (0.5, 1.0))  # fmt: skip
    for gain, d in ((g, d) for g in (1.0, 2.0) for d in (2, 3, 4)):
        both = (Aim("setting", 6, least=0.22),) if (gain, d) == (1.0, 3) else ()
        yield _cell(f"trap{gain:g}", f"goal {gain:g} better, a must 1 point worse", "trap", "handling", d, expected="setting reject",
                    handling=gain, ease=-1.0, aims=(Aim("adopt", 6, most=0.08), *both))  # fmt: skip
    for d in (2, 3, 4):
        yield _cell("disagree", "equal on average, drivers disagree (SD 0.8)", "equal", "handling", d, expected="reject",
                    world=World(driver_variant=0.8), aims=(Aim("adopt", 6, most=0.09),))  # fmt: skip
    last = World(order="A then B")
    yield _cell("late", "equal, the rival always driven last", "equal", "handling", 3, expected="retest", world=last,
                aims=(Aim("adopt", 6, most=0.0),))  # fmt: skip
    ungated = question_of("handling", ignored=("late_only", "inflated"))
    yield _cell("late-ungated", "the same with the gates for order left out", "equal", "handling", 3, expected="reject retest",
                question=ungated, world=last, aims=(Aim("adopt", 6, most=0.08),))  # fmt: skip


def _pace() -> Iterator[Cell]:
    for d in (2, 3, 4):
        yield _cell("pace-equal", "equally fast", "equal", "pace", d, expected="reject", coverage=True, aims=(Aim("adopt", 6, most=0.05),))
    for gain, d in ((g, d) for g in (0.3, 0.6) for d in (2, 3, 4)):
        aims = {(0.6, 3): (Aim("adopt", 4, least=0.65),), (0.3, 4): (Aim("adopt", 6, least=0.48),)}.get((gain, d), ())
        yield _cell(f"pace-faster{gain:g}", f"{gain:g} % faster", "better", "pace", d, expected="adopt", lap_time=gain, aims=aims,
                    coverage=d == 3)  # fmt: skip
    for d in (2, 3, 4):
        yield _cell("pace-slower0.3", "0.3 % slower", "worse", "pace", d, expected="reject", lap_time=-0.3,
                    aims=(Aim("adopt", 6, most=0.01),))  # fmt: skip
    yield _cell("pace-spoiled", "equally fast, every fifth lap spoiled and none flagged", "equal", "pace", 3, expected="reject",
                world=World(bad_share=0.20, bad_flagged=0.0), coverage=True, aims=(Aim("adopt", 6, most=0.05),))  # fmt: skip
    yield _cell("pace-late", "equally fast, the rival always driven last", "equal", "pace", 3, expected="retest", coverage=True,
                world=World(order="A then B"), aims=(Aim("adopt", 6, most=0.0),))  # fmt: skip


def _panels() -> Iterator[Cell]:
    """Panels that are not like the default one, three drivers."""
    for name, words, world in (
        ("quiet", "a quiet panel (noise times 2/3)", noisier(World(), QUIET)),
        ("loud", "a loud panel (noise times 1.5)", noisier(World(), LOUD)),
        ("uneven", "uneven use of the scale (SD 50 %)", World(scale_use=0.5)),
    ):
        yield _cell(f"{name}-equal", f"equal, {words}", "equal", "handling", 3, expected="reject", world=world,
                    aims=(Aim("adopt", 6, most=0.05),))  # fmt: skip
        yield _cell(f"{name}-better1", f"goal 1 point better, {words}", "better", "handling", 3, expected="adopt", world=world,
                    handling=1.0)  # fmt: skip
    halves = question_of("handling", step=0.5)
    yield _cell("halves-equal", "equal, marks in half steps", "equal", "handling", 3, expected="reject", question=halves,
                aims=(Aim("adopt", 6, most=0.05),))  # fmt: skip
    yield _cell("halves-better1", "goal 1 point better, marks in half steps", "better", "handling", 3, expected="adopt", question=halves,
                handling=1.0, aims=_better(1.0, 3))  # fmt: skip


def _several() -> Iterator[Cell]:
    for variants in (3, 4):
        yield _cell(f"variants{variants}-equal", f"{variants} variants, all equal", "equal", "handling", 3, expected="reject",
                    question=question_of("handling", variants), aims=(Aim("adopt", 6, most=0.06),))  # fmt: skip


def _no_worse() -> Iterator[Cell]:
    for d in (2, 3, 4):
        yield _cell("margin", "a must worse by exactly its margin; a lighter part", "trap", "no_worse", d, expected="reject retest",
                    ease=-POINTS, aims=(Aim("adopt", 6, most=0.08),))  # fmt: skip
    yield _cell("lighter", "no difference on the track; a lighter part", "no_worse", "no_worse", 3, expected="adopt")


def _without_laps() -> Iterator[Cell]:
    """Rated questions only: what the marks alone can decide."""
    rated = question_of("handling", with_laps=False)
    yield _cell("rated-equal", "equal, no lap times asked for", "equal", "handling", 3, expected="reject", question=rated,
                aims=(Aim("adopt", 6, most=0.05),))  # fmt: skip
    yield _cell("rated-better1", "goal 1 point better, no lap times asked for", "better", "handling", 3, expected="adopt", question=rated,
                handling=1.0)  # fmt: skip


def _other_goals() -> Iterator[Cell]:
    """The forced preference alone as goal, and a goal of two ratings that share drivers and runs."""
    asked = World(preferences=True)
    for d in (2, 3, 4):
        yield _cell("choice-equal", "equal, only the forced preference asked for", "equal", "choice", d, expected="reject", world=asked,
                    aims=(Aim("adopt", 6, most=0.05),))  # fmt: skip
        yield _cell("choice-better1", "goal 1 point better, only the forced preference asked for", "better", "choice", d,
                    expected="adopt", world=asked, handling=1.0, aims=(Aim("reject", 6, most=0.06),))  # fmt: skip
    for d in (3, 4):
        yield _cell("index-equal", "equal, the goal an index of two ratings", "equal", "index", d, expected="reject",
                    aims=(Aim("adopt", 6, most=0.05),))  # fmt: skip
    yield _cell("index-better1", "both ratings of the index 1 point better", "better", "index", 3, expected="adopt", handling=1.0, ease=1.0)
