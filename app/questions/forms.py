"""What may be typed about a question, its variants and its rule."""

from collections.abc import Mapping, Sequence
from typing import Any

from app import units
from app.programmes.conditions import ALL_CLASSES
from app.questions.models import Ground, RuleKind, VariantState
from app.questions.rules import (
    ABUSE_KINDS,
    MEASURES,
    USE_UNITS,
    AbuseRule,
    DeclaredRule,
    DurabilityRule,
    FactRule,
    GoalRule,
    MustRule,
)
from app.web.forms import Field, Form

GROUNDS = [(ground.value, ground.value) for ground in Ground]
KINDS = [(RuleKind.GAIN.value, "a gain is wanted"), (RuleKind.NO_WORSE.value, "no worse is enough, with a declared fact")]


class QuestionForm(Form):
    fields_declared = {
        "title": Field("Question", longest=120, hint="One choice, such as Tower thickness: 4.0, 4.5 or 5.0 mm?"),
        "text": Field("Why it is asked", kind="textarea", longest=4000, required=False),
        "asked_ground": Field("Asked ground", kind="select", choices=GROUNDS, raw="handling"),
        "decide_by": Field("Decide by", kind="date", required=False),
        "owner_id": Field("Owner", kind="select", required=False),
    }


class EditQuestionForm(QuestionForm):
    fields_declared = {
        **QuestionForm.fields_declared,
        "deciding_ground": Field("Deciding ground", kind="select", choices=[("", "as asked"), *GROUNDS], required=False,
                                 hint="If it is settled on something else, the asked ground still needs its own answer."),
        "edition": Field("Edition", kind="hidden"),
    }  # fmt: skip


class VariantForm(Form):
    fields_declared = {
        "code": Field("Code", longest=16, hint="Short, such as t45."),
        "title": Field("Title", longest=120, required=False, hint="Such as 4.5 mm tower."),
        "is_control": Field("This is the control (what we have now)", kind="checkbox", required=False),
        "whole_car": Field("A whole car's build, such as last season's car", kind="checkbox", required=False),
        "revision_ids": Field("Part revisions it consists of", kind="checkboxes", required=False),
    }

    def check(self) -> None:
        if not self.values["whole_car"] and not self.values["revision_ids"] and not self.fields["revision_ids"].choices:
            self.fields["revision_ids"].error = "No revision is issued yet. Issue one under Parts, or tick a whole car's build."
        elif not self.values["whole_car"] and not self.values["revision_ids"]:
            self.fields["revision_ids"].error = "Choose the revisions, or tick a whole car's build."


class VariantStateForm(Form):
    fields_declared = {
        "state": Field("State", kind="select", choices=[(s.value, s.value) for s in VariantState]),
        "why": Field("Why", longest=300),
    }


class WhyForm(Form):
    fields_declared = {"why": Field("Why", longest=300)}


class RuleForm(Form):
    fields_declared = {
        "kind": Field("What is wanted", kind="radios", choices=KINDS, raw="gain"),
        "goal": Field("Goal: the attribute that must gain", kind="select", required=False),
        "goal_second": Field("Second goal", kind="select", required=False),
        "goal_weight": Field("Weight of the first goal", kind="number", unit="%", raw="100", required=False),
        "worthwhile": Field("Worthwhile difference W", kind="number", unit="points", quantity=units.POINTS, raw="0.5",
                            hint="The smallest gain worth having. Default 0.5 (common practice, no source)."),
        "musts": Field("Must be no worse on", kind="checkboxes", required=False,
                       hint="Each must costs power: about 10 points of the chance to adopt."),
        "margin": Field("By more than this margin", kind="number", unit="points", quantity=units.POINTS, raw="0.5"),
        "worthwhile_percent": Field("Worthwhile difference of lap time", kind="number", unit="%", required=False,
                                    hint="Where lap time is a goal or a must. Empty: 0.3 % of a lap."),
        "lap_margin": Field("No slower by more than", kind="number", unit="%", required=False,
                            hint="Where lap time is a must. Empty: its worthwhile difference."),
        "drivers": Field("Drivers at least", kind="integer", raw="3"),
        "brackets": Field("Counted brackets a driver at least", kind="integer", raw="1"),
        "sessions": Field("Test sessions at least", kind="integer", raw="2", hint="One session alone never adopts."),
        "conditions": Field("Condition classes that must be covered", kind="textarea", longest=500, required=False,
                            hint="One a line, as sessions name them, such as “carpet, low grip”. None: any."),
        "blind_percent": Field("Blind share at least", kind="integer", unit="%", raw="0"),
        "fact_name": Field("Declared fact", longest=60, required=False, hint="Such as mass, unit cost, build time."),
        "fact_unit": Field("Unit of the fact", longest=12, required=False, hint="Such as g."),
        "fact_better": Field("Better when", kind="radios", choices=[("lower", "lower"), ("higher", "higher")], raw="lower"),
        "fact_values": Field("Figures", kind="textarea", longest=600, required=False, hint="One a line: t40 = 12.4"),
        "fact_failures": Field("The fact is that it breaks less often than the control", kind="checkbox", required=False),
        "durability_rate": Field("Failures at most", kind="number", required=False, hint="Empty: the question asks for no durability."),
        "durability_per": Field("Per", kind="number", raw="1000", required=False),
        "durability_unit": Field("Counted in", kind="select", choices=[(unit, unit) for unit in USE_UNITS], raw="laps",
                                 required=False),
        "durability_hurts": Field("A failure can hurt people", kind="checkbox", required=False),
        "abuse_hits": Field("Hits to come through without a failure", kind="integer", required=False,
                            hint="Empty: no abuse is asked for. 20 board hits are usual; none in 20 still leaves 13.9 %."),
        "abuse_kind": Field("Hits of this sort", kind="select", choices=[(kind, kind) for kind in ABUSE_KINDS], raw="board hit",
                            required=False),
        "reason": Field("Reason for the change", longest=500, required=False, hint="Needed once the rule is locked."),
    }  # fmt: skip

    def check(self) -> None:
        known = {text.casefold(): text for text in ALL_CLASSES}
        lines = [line.strip() for line in self.values["conditions"].splitlines() if line.strip()]
        wrong = next((line for line in lines if line.casefold() not in known), None)
        if wrong is not None:
            self.fields["conditions"].error = f"“{wrong}” is not a condition class. Write it like “{ALL_CLASSES[0]}”."
        self.values["conditions"] = tuple(known.get(line.casefold(), line) for line in lines)
        try:
            self.values["fact_values"] = _figures(self.values["fact_values"])
        except ValueError as unreadable:
            self.fields["fact_values"].error = f"Figures: {unreadable}."

    def rule(self) -> DeclaredRule:
        """What was typed, as a declared rule. Call only when the form is ok."""
        v = self.values
        second = v["goal_second"]
        weight = (v["goal_weight"] or 100) / 100 if second else 1.0
        goals = [GoalRule(_attribute(v["goal"]), weight, _measure(v["goal"]))] if v["goal"] else []
        if second and goals:
            goals.append(GoalRule(_attribute(second), round(1 - weight, 6), _measure(second)))
        margin, lap_margin = round(v["margin"] * 100), _hundredths(v["lap_margin"])
        musts = [MustRule(_attribute(item), lap_margin if item == "lap_time" else margin, _measure(item)) for item in v["musts"]]
        fact = FactRule(v["fact_name"], v["fact_unit"], v["fact_better"], v["fact_values"]) if v["fact_name"] else None
        return DeclaredRule(
            kind=v["kind"], goals=tuple(goals), musts=tuple(musts),
            worthwhile_hundredths=round(v["worthwhile"] * 100), drivers=v["drivers"], brackets=v["brackets"],
            sessions=v["sessions"], conditions=v["conditions"], blind_percent=v["blind_percent"], fact=fact,
            worthwhile_percent_hundredths=_hundredths(v["worthwhile_percent"]), fact_failures=v["fact_failures"],
            durability=self._durability(), abuse=self._abuse(),
        )  # fmt: skip

    def _durability(self) -> DurabilityRule | None:
        v = self.values
        if v["durability_rate"] is None:
            return None
        per = 1000.0 if v["durability_per"] is None else v["durability_per"]
        return DurabilityRule(v["durability_rate"], per, v["durability_unit"] or "laps", v["durability_hurts"])

    def _abuse(self) -> AbuseRule | None:
        hits = self.values["abuse_hits"]
        return None if hits is None else AbuseRule(hits, self.values["abuse_kind"] or "board hit")

    def show(self, rule: DeclaredRule) -> "RuleForm":
        """Fill the form with a declared rule."""
        self.fill(
            kind=rule.kind, worthwhile=(rule.worthwhile_hundredths or 50) / 100, musts=[str(m.key) for m in rule.musts],
            drivers=rule.drivers, brackets=rule.brackets, sessions=rule.sessions, conditions="\n".join(rule.conditions),
            blind_percent=rule.blind_percent, fact_failures=rule.fact_failures,
        )  # fmt: skip
        if rule.goals:
            self.fill(goal=rule.goals[0].key, goal_weight=rule.goals[0].weight * 100)
        if len(rule.goals) > 1:
            self.fill(goal_second=rule.goals[1].key)
        for must in rule.musts:
            if must.margin_hundredths:
                self.fill(**{"lap_margin" if must.measure == "lap_time" else "margin": must.margin_hundredths / 100})
        if rule.worthwhile_percent_hundredths:
            self.fill(worthwhile_percent=rule.worthwhile_percent_hundredths / 100)
        if rule.durability:
            asked = rule.durability
            self.fill(durability_rate=asked.highest_rate, durability_per=asked.per, durability_unit=asked.unit,
                      durability_hurts=asked.hurts)  # fmt: skip
        if rule.abuse:
            self.fill(abuse_hits=rule.abuse.hits, abuse_kind=rule.abuse.kind)
        if rule.fact:
            figures = "\n".join(f"{code} = {value:g}" for code, value in rule.fact.values.items())
            self.fill(fact_name=rule.fact.name, fact_unit=rule.fact.unit, fact_better=rule.fact.better, fact_values=figures)
        return self


def _figures(text: str) -> Mapping[str, float]:
    """"t40 = 12.4" a line -> {"t40": 12.4}; raises ValueError with a sentence."""
    found: dict[str, float] = {}
    for line in text.splitlines():
        if not line.strip():
            continue
        code, equals, figure = line.partition("=")
        if not equals:
            raise ValueError(f"“{line.strip()}” has no “=”; write t40 = 12.4")
        if code.strip() in found:
            raise ValueError(f"{code.strip()} stands twice")
        found[code.strip()] = float(units.parse_number(figure))
    return found


def _attribute(chosen: str) -> int:
    return 0 if chosen in MEASURES else int(chosen)


def _measure(chosen: str) -> str:
    return chosen if chosen in MEASURES else ""


def _hundredths(value: float | None) -> int | None:
    return None if value is None else round(value * 100)


def attribute_choices(attributes: Sequence[Any], *, none: str | None = None) -> list[tuple[str, str]]:
    """Rating attributes, then what is measured."""
    rows = [*((str(item.id), item.name) for item in attributes), *MEASURES.items()]
    return [("", none), *rows] if none is not None else rows
