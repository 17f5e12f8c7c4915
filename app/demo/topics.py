"""What else the season asks, and what is true of each choice. One question for each way in which a verdict comes out.

Everything is invented. `truths` is what a driver would mark without noise; nobody in the demo knows it but the scenes.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from app.parts.rules import Facts
from app.questions.models import RuleKind
from app.questions.rules import DeclaredRule, DurabilityRule, FactRule, GoalRule, MustRule

PRECISION, LANDING, BUMPS, OVERALL = "Steering precision", "Jump and landing stability", "Bump absorption", "Overall for a 5-minute final"
LAP_TIME = "lap_time"
CARPET_CLASS, TURF_CLASS = "carpet, low grip", "artificial turf, high grip"
Variants = Mapping[str, tuple[str, Facts]]


@dataclass(frozen=True)
class Topic:
    """One question: `variants` with the control first, `rule` from attribute ids by name.

    truths : attribute -> the rival's gain, in marks (lap_time: percent of a lap, + = faster) by driver, by surface, or by
    "" for everybody;  of : the topic whose very revisions answer this question too;  ground : the asked ground
    """

    key: str
    title: str
    part: tuple[str, str, str]
    variants: Variants
    rule: Callable[[Mapping[str, int]], DeclaredRule]
    goal: str = OVERALL
    ground: str = "handling"
    text: str = ""
    of: str = ""
    truths: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @property
    def rival(self) -> str:
        return list(self.variants)[1]

    def gain(self, attribute: str, driver: str, surface: str) -> float:
        """What the rival is truly worth to this driver on this surface."""
        told = self.truths.get(attribute, {})
        return next((told[key] for key in (driver, surface, "") if key in told), 0.0)


def goal_rule(name: str, *musts: tuple[str, int], w: int = 50, **more: Any) -> Callable[[Mapping[str, int]], DeclaredRule]:
    """A gain on one attribute; musts as (attribute, margin in hundredths)."""
    return lambda ids: DeclaredRule(goals=(GoalRule(ids[name]),), musts=tuple(MustRule(ids[must], margin) for must, margin in musts),
                                    worthwhile_hundredths=w, **more)  # fmt: skip


def lap_rule(_ids: Mapping[str, int]) -> DeclaredRule:
    return DeclaredRule(goals=(GoalRule(0, measure=LAP_TIME),), worthwhile_percent_hundredths=30)


def lighter_rule(ids: Mapping[str, int]) -> DeclaredRule:
    """No worse is enough: the ground is the declared mass."""
    fact = FactRule("mass", "g", "lower", {"h0": 31.0, "h1": 24.5})
    return DeclaredRule(kind=RuleKind.NO_WORSE, musts=(MustRule(ids[OVERALL], 100),), fact=fact)


TOPICS = (
    Topic("hex", "Front wheel hex: 5.0 or 5.75 mm offset?", ("P-130", "FWH", "Front wheel hex"),
          {"x50": ("5.0 mm", Facts(2.1, 1.6, 5)), "x57": ("5.75 mm", Facts(2.3, 1.6, 5))},
          goal_rule(PRECISION, (LANDING, 100), durability=DurabilityRule(2.0, 1000, "laps")), goal=PRECISION,
          text="A wider front should answer sooner; it must survive a season of kerbs.",
          truths={PRECISION: {"": 1.6}, LANDING: {"": 0.3}, OVERALL: {"": 0.5}, LAP_TIME: {"": 0.3}}),
    Topic("wing", "Rear wing: flat or high gurney?", ("P-140", "RWG", "Rear wing"),
          {"w0": ("flat", Facts(8.0, 2.9, 3)), "w9": ("9 mm gurney", Facts(8.6, 3.1, 3))}, lap_rule, ground="pace",
          text="It looks planted. Is it any faster?", truths={LANDING: {"": 0.5}, LAP_TIME: {"": -1.1}}),
    Topic("bar", "Front anti-roll bar: 1.2 or 1.4 mm?", ("P-150", "ARB", "Front anti-roll bar"),
          {"b12": ("1.2 mm", Facts(3.4, 1.2, 8)), "b14": ("1.4 mm", Facts(4.6, 1.2, 8))},
          goal_rule(PRECISION, (BUMPS, 50)), goal=PRECISION,
          text="Sharper on smooth ground, and harsher where it is not?", truths={PRECISION: {"": 1.6}, BUMPS: {"": -1.8}}),
    Topic("insert", "Tyre insert: soft or firm foam?", ("P-160", "INS", "Tyre insert"),
          {"i0": ("soft", Facts(6.0, 2.0, 12)), "i1": ("firm", Facts(7.1, 2.0, 12))}, goal_rule(OVERALL),
          text="Firm was quick on warm turf last year.", truths={OVERALL: {"carpet": -1.6, "artificial turf": 1.6}}),
    Topic("diff", "Front differential: printed or moulded case?", ("P-170", "DIF", "Front differential case"),
          {"d0": ("moulded", Facts(14.0, 3.0, 25)), "d1": ("printed", Facts(11.5, 6.0, 25))},
          goal_rule(OVERALL, durability=DurabilityRule(2.0, 1000, "laps")), ground="durability",
          text="Lighter and livelier, but does it live?", truths={OVERALL: {"": 1.5}}),
    Topic("ackermann", "Steering plate: parallel or Ackermann?", ("P-180", "STP", "Steering plate"),
          {"a0": ("parallel", Facts(5.1, 2.2, 15)), "a4": ("4 degrees Ackermann", Facts(5.3, 2.2, 15))}, goal_rule(OVERALL, w=100),
          text="AQ wants it in the car; DH and PL can't drive it.", truths={OVERALL: {"AQ": 2.6, "MS": 0.0, "": -1.8}}),
    Topic("oil", "Front damper oil: 350 or 400?", ("P-240", "FDO", "Front damper oil"),
          {"o350": ("350", Facts()), "o400": ("400", Facts())}, goal_rule(OVERALL),
          text="Changed at the end of the day, as oil always is.", truths={OVERALL: {"": 1.0}}),
    Topic("spring", "Rear spring: 1.8 or 2.0 N/mm?", ("P-190", "RSP", "Rear spring"),
          {"s18": ("1.8 N/mm", Facts(4.0, 1.0, 6)), "s20": ("2.0 N/mm", Facts(4.1, 1.0, 6))},
          goal_rule(OVERALL, conditions=(CARPET_CLASS, TURF_CLASS)), text="Asked for both halls.", truths={OVERALL: {"": 1.6}}),
    Topic("cell", "Battery tray: middle or forward?", ("P-200", "BTR", "Battery tray"),
          {"m0": ("middle", Facts(19.0, 4.0, 20)), "f9": ("9 mm forward", Facts(19.0, 4.0, 20))}, goal_rule(OVERALL),
          text="One session so far.", truths={OVERALL: {"": 1.6}}),
    Topic("knuckle", "Front knuckle: nylon or machined alloy?", ("P-210", "FKN", "Front knuckle"),
          {"k0": ("nylon, 0 mm trail", Facts(7.0, 3.0, 12)), "k4": ("alloy, 4 mm trail", Facts(10.5, 14.0, 12))}, goal_rule(PRECISION),
          goal=PRECISION, text="The alloy piece came with more trail.", truths={PRECISION: {"": 1.2}}),
    Topic("trail", "Front knuckle: 0 or 4 mm trail?", ("P-210", "FKN", "Front knuckle"),
          {"k0": ("0 mm", Facts()), "k4": ("4 mm", Facts())}, goal_rule(PRECISION), goal=PRECISION, of="knuckle",
          text="Is it the trail or the metal?"),
    Topic("shaft", "Centre shaft: steel or alloy?", ("P-220", "CSH", "Centre shaft"),
          {"h0": ("steel", Facts(31.0, 4.0, 18)), "h1": ("alloy", Facts(24.5, 7.0, 18))}, lighter_rule,
          ground="mass", text="Does anybody feel 6 g, and does it cost anything on track?"),
    Topic("post", "Battery post: moulded or printed?", ("P-230", "BTP", "Battery post"),
          {"q0": ("moulded", Facts(1.5, 0.4, 2)), "q1": ("printed", Facts(1.1, 1.2, 2))},
          goal_rule(OVERALL, durability=DurabilityRule(2.0, 1000, "laps")), ground="durability",
          text="Printed posts were put on every club car for a month; no test run was needed."),
)  # fmt: skip
