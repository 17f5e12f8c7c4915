"""What a question declares before its first counted run, and what must hold before it may be asked."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from app.errors import Conflict, Refused
from app.programmes.conditions import ALL_CLASSES
from app.questions.models import Question, QuestionState, RuleKind, RuleVersion

MOST_VARIANTS = 6
MEASURES: Mapping[str, str] = {"lap_time": "Lap time", "preference": "Forced preference"}  # criteria that nobody rates
USE_UNITS = ("laps", "minutes", "impacts")
ABUSE_KINDS = ("board hit", "flat landing", "cartwheel", "traction roll", "pipe clip", "any impact")  # an incident's word begins so
MOST_HITS = 1000


@dataclass(frozen=True, slots=True)
class GoalRule:
    """What must gain: a rating attribute, or (attribute_id 0) one of MEASURES."""

    attribute_id: int
    weight: float = 1.0
    measure: str = ""

    @property
    def key(self) -> int | str:
        return self.measure or self.attribute_id


@dataclass(frozen=True, slots=True)
class MustRule:
    """No worse than `margin_hundredths` on this attribute or measure; None = the worthwhile difference.

    Hundredths of a point for an attribute and for a preference, of a percent of the lap for lap time.
    """

    attribute_id: int
    margin_hundredths: int | None = None
    measure: str = ""

    @property
    def key(self) -> int | str:
        return self.measure or self.attribute_id


@dataclass(frozen=True, slots=True)
class DurabilityRule:
    """A rival may fail at most `highest_rate` times per `per` laps, minutes or impacts. hurts : failing can hurt people."""

    highest_rate: float
    per: float = 1000.0
    unit: str = "laps"
    hurts: bool = False

    @property
    def words(self) -> str:
        return f"at most {self.highest_rate:g} failures per {self.per:g} {self.unit}" + (", which can hurt people" if self.hurts else "")


@dataclass(frozen=True, slots=True)
class AbuseRule:
    """A rival must come through so many hits of one sort without a failure, accidents and planned abuse together."""

    hits: int
    kind: str = "board hit"

    @property
    def noun(self) -> str:
        return "impacts of any kind" if self.kind == "any impact" else f"{self.kind}s"

    @property
    def words(self) -> str:
        return f"0 failures in {self.hits} {self.noun}"


@dataclass(frozen=True, slots=True)
class FactRule:
    """A declared figure per variant code, the ground of a *no worse is enough* question."""

    name: str
    unit: str
    better: str  # lower or higher
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class DeclaredRule:
    """The declared rule of one question, as `RuleVersion.declared` stores it. Defaults are ours and shown as such."""

    kind: str = RuleKind.GAIN
    goals: tuple[GoalRule, ...] = ()
    musts: tuple[MustRule, ...] = ()
    secondary: tuple[int, ...] = ()
    worthwhile_hundredths: int | None = None
    drivers: int = 3
    brackets: int = 1
    sessions: int = 2
    conditions: tuple[str, ...] = ()
    blind_percent: int = 0
    fact: FactRule | None = None
    worthwhile_percent_hundredths: int | None = None  # W of lap time, in hundredths of a percent
    fact_failures: bool = False  # the fact of a 'no worse' question: the rival breaks less often
    durability: DurabilityRule | None = None
    abuse: AbuseRule | None = None

    @property
    def measured_words(self) -> list[str]:
        """What the rule says beside ratings, in words."""
        lap = next((m.margin_hundredths for m in self.musts if m.measure == "lap_time"), None)
        w = self.worthwhile_percent_hundredths
        return [words for words in (
            f"W of lap time {w / 100:g} %" if w else "", f"no slower by more than {lap / 100:g} %" if lap else "",
            self.durability.words if self.durability else "",
            self.abuse.words if self.abuse else "", "the fact is fewer failures" if self.fact_failures else "",
        ) if words]  # fmt: skip

    def stored(self) -> dict[str, Any]:
        """The JSON form; `read` is its inverse."""
        return asdict(self)

    @classmethod
    def read(cls, stored: Mapping[str, Any]) -> "DeclaredRule":
        known = dict(stored)
        fact, durability, abuse = (known.pop(name, None) for name in ("fact", "durability", "abuse"))
        return cls(
            **{
                **known,
                "goals": tuple(GoalRule(**goal) for goal in known.get("goals", ())),
                "musts": tuple(MustRule(**must) for must in known.get("musts", ())),
                "secondary": tuple(known.get("secondary", ())),
                "conditions": tuple(known.get("conditions", ())),
                "fact": FactRule(**fact) if fact else None,
                "durability": DurabilityRule(**durability) if durability else None,
                "abuse": AbuseRule(**abuse) if abuse else None,
            }
        )


def check_rule(rule: DeclaredRule, attribute_ids: Sequence[int], variant_codes: Sequence[str]) -> None:
    """Refuse a rule that could not decide anything, at the field where it can be mended."""
    if rule.kind == RuleKind.GAIN and not rule.goals:
        raise Refused("A gain needs a goal", "Name the attribute that must get better", field="goal")
    named = [g.key for g in rule.goals] + [m.key for m in rule.musts]
    if any(key not in (*attribute_ids, *MEASURES) for key in named):
        raise Refused("One of the attributes is not of this programme", field="goal")
    if len({g.key for g in rule.goals}) != len(rule.goals):
        raise Refused("The two goals are the same attribute", field="goal_second")
    if {g.key for g in rule.goals} & {m.key for m in rule.musts}:
        raise Refused("The goal can't also be a must", "It has to gain already", field="musts")
    if rule.goals and abs(sum(g.weight for g in rule.goals) - 1) > 1e-9:
        raise Refused("The weights of the goals must sum to 100 %", field="goal_weight")
    if rule.worthwhile_hundredths is not None and rule.worthwhile_hundredths <= 0:
        raise Refused("A worthwhile difference is more than nothing", field="worthwhile")
    if any(m.margin_hundredths is not None and m.margin_hundredths <= 0 for m in rule.musts):
        raise Refused("A margin is more than nothing", "With a margin of 0 nothing could ever pass", field="margin")
    if rule.worthwhile_percent_hundredths is not None and rule.worthwhile_percent_hundredths <= 0:
        raise Refused("A worthwhile difference is more than nothing", field="worthwhile_percent")
    _check_durability(rule.durability)
    _check_abuse(rule.abuse)
    _check_requirements(rule)
    if rule.kind == RuleKind.NO_WORSE:
        _check_fact(rule, variant_codes)


def _check_durability(durability: DurabilityRule | None) -> None:
    if durability is None:
        return
    if durability.highest_rate <= 0:
        raise Refused("A highest failure rate is more than nothing", "No trial can show that a part never fails",
                      field="durability_rate")  # fmt: skip
    if durability.per <= 0 or durability.unit not in USE_UNITS:
        raise Refused("Failures are counted per so many laps, minutes or impacts", field="durability_per")


def _check_abuse(abuse: AbuseRule | None) -> None:
    if abuse is not None and not 1 <= abuse.hits <= MOST_HITS:
        raise Refused(f"{abuse.hits} hits can't be asked for", f"Between 1 and {MOST_HITS} are taken; 20 board hits are usual",
                      field="abuse_hits")  # fmt: skip
    if abuse is not None and abuse.kind not in ABUSE_KINDS:
        raise Refused(f"“{abuse.kind[:40]}” is not a sort of hit", "Choose one of the list", field="abuse_kind")


def _check_requirements(rule: DeclaredRule) -> None:
    if rule.drivers < 2:
        raise Refused(f"{rule.drivers} driver can't decide", "Two are the least; three are usual", field="drivers")
    if rule.sessions < 2:
        raise Refused(f"{rule.sessions} session can't decide", "One session alone never adopts", field="sessions")
    if rule.drivers > 50 or rule.sessions > 50 or not 1 <= rule.brackets <= 50:
        raise Refused("That is more than any programme drives", field="drivers")
    if not 0 <= rule.blind_percent <= 100:
        raise Refused(f"A blind share of {rule.blind_percent} % can't be", field="blind_percent")
    for text in rule.conditions:
        if text not in ALL_CLASSES:
            raise Refused(f"“{text}” is not a condition class", f"Write it as sessions do, such as {ALL_CLASSES[0]}",
                          field="conditions")  # fmt: skip


def _check_fact(rule: DeclaredRule, variant_codes: Sequence[str]) -> None:
    if rule.fact is None and rule.fact_failures:
        return
    if rule.fact is None:
        raise Refused("“No worse is enough” needs its declared fact", "Such as mass in g for every variant, or fewer failures",
                      field="fact_name")  # fmt: skip
    missing = [code for code in variant_codes if code not in rule.fact.values]
    if missing:
        raise Refused(f"The fact has no figure for {', '.join(missing)}", "One line for each variant", field="fact_values")
    strange = [code for code in rule.fact.values if code not in variant_codes]
    if strange:
        raise Refused(f"{', '.join(strange)} is not a variant of this question", field="fact_values")


def current_rule(question: Question) -> RuleVersion | None:
    """The newest version of the declared rule; `question.rules` must be loaded."""
    return question.rules[-1] if question.rules else None


def check_ready_to_ask(question: Question) -> None:
    """A question may be asked when it has a control, a rival and a rule."""
    if question.state != QuestionState.DRAFT:
        raise Conflict(f"{question.label} is {question.state} already")
    if not any(variant.is_control for variant in question.variants):
        raise Conflict(f"{question.label} has no control yet", "Every variant is compared with it", "Add it first.")
    if len(question.variants) < 2:
        raise Conflict(f"{question.label} has only a control", "A question needs a rival", "Add a variant first.")
    if current_rule(question) is None:
        raise Conflict(f"{question.label} has no declared rule", "It is locked at the first counted run", "Declare it first.")
