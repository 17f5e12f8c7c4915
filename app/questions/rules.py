"""What a question declares before its first counted run, and what must hold before it may be asked."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from app.errors import Conflict, Refused
from app.programmes.conditions import ALL_CLASSES
from app.questions.models import Question, QuestionState, RuleKind, RuleVersion

MOST_VARIANTS = 6


@dataclass(frozen=True, slots=True)
class GoalRule:
    attribute_id: int
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class MustRule:
    """No worse than `margin_hundredths` of a point on this attribute; None = the scale's default."""

    attribute_id: int
    margin_hundredths: int | None = None


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

    def stored(self) -> dict[str, Any]:
        """The JSON form; `read` is its inverse."""
        return asdict(self)

    @classmethod
    def read(cls, stored: Mapping[str, Any]) -> "DeclaredRule":
        known = dict(stored)
        fact = known.pop("fact", None)
        return cls(
            **{
                **known,
                "goals": tuple(GoalRule(**goal) for goal in known.get("goals", ())),
                "musts": tuple(MustRule(**must) for must in known.get("musts", ())),
                "secondary": tuple(known.get("secondary", ())),
                "conditions": tuple(known.get("conditions", ())),
                "fact": FactRule(**fact) if fact else None,
            }
        )


def check_rule(rule: DeclaredRule, attribute_ids: Sequence[int], variant_codes: Sequence[str]) -> None:
    """Refuse a rule that could not decide anything, at the field where it can be mended."""
    if rule.kind == RuleKind.GAIN and not rule.goals:
        raise Refused("A gain needs a goal", "Name the attribute that must get better", field="goal")
    named = [g.attribute_id for g in rule.goals] + [m.attribute_id for m in rule.musts]
    if any(attribute not in attribute_ids for attribute in named):
        raise Refused("One of the attributes is not of this programme", field="goal")
    if len({g.attribute_id for g in rule.goals}) != len(rule.goals):
        raise Refused("The two goals are the same attribute", field="goal_second")
    if {g.attribute_id for g in rule.goals} & {m.attribute_id for m in rule.musts}:
        raise Refused("The goal can't also be a must", "It has to gain already", field="musts")
    if rule.goals and abs(sum(g.weight for g in rule.goals) - 1) > 1e-9:
        raise Refused("The weights of the goals must sum to 100 %", field="goal_weight")
    if rule.worthwhile_hundredths is not None and rule.worthwhile_hundredths <= 0:
        raise Refused("A worthwhile difference is more than nothing", field="worthwhile")
    if any(m.margin_hundredths is not None and m.margin_hundredths <= 0 for m in rule.musts):
        raise Refused("A margin is more than nothing", "With a margin of 0 nothing could ever pass", field="margin")
    _check_requirements(rule)
    if rule.kind == RuleKind.NO_WORSE:
        _check_fact(rule, variant_codes)


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
    if rule.fact is None:
        raise Refused("“No worse is enough” needs its declared fact", "Such as mass in g for every variant", field="fact_name")
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
