"""question.toml: what is asked, on which scales, and how it will be decided."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from app.assess.keys import FILE, Keys, parsed
from app.assess.tables import FolderRefused, read_text, shown
from app.evidence.inputs import Fact, Goal, Must, Rule
from app.evidence.refusals import EvidenceError
from app.evidence.rows import LAP_TIME, PREFERENCE, RESERVED, Durability
from app.evidence.scales import Scale

KNOWN = ("control", "kind", "fact", "goal", "musts", "worthwhile", "worthwhile_percent", "minutes_per_run", "condition",
         "scale", "durability", "gates")  # fmt: skip
GATES = ("sessions", "drivers", "aliased", "one_driver", "one_session", "late_only", "inflated", "durability", "blocked",
         "conflict", "conditions", "two_ahead")  # fmt: skip
SCALE_KEYS = ("lowest", "highest", "step", "kind")
MINUTES_PER_RUN, MOST_MINUTES = 6.0, 1440.0
MOST_CATEGORIES, FARTHEST_MARK = 201, 1e6


@dataclass(frozen=True, slots=True)
class Settings:
    """The file, checked. `scales` holds the named rating attributes only; `keys` still knows where each key stands."""

    keys: Keys
    control: str
    rule: Rule
    scales: Mapping[str, Scale]
    minutes_per_run: float
    condition: str | None

    @property
    def needs_ratings(self) -> bool:
        """A folder may do without ratings.csv when its goal is a lap time or a preference, or when nothing is rated."""
        decides = [goal.attribute for goal in self.rule.goals] or [must.attribute for must in self.rule.musts]
        return any(name not in RESERVED for name in decides)


def read_settings(folder: Path) -> Settings:
    """Raises FolderRefused with the line and key of whatever makes no sense."""
    path = folder / FILE
    if not path.is_file():
        raise FolderRefused(FILE, None, None, "The file is missing; it says which question the folder answers.")
    keys = parsed(read_text(path, FILE))
    keys.only(KNOWN)
    control = keys.word("control")
    rule = _rule(keys)
    named = [name for name in rule.attributes if name not in RESERVED]
    scales = {name: _scale(keys, name) for name in named}
    _check_scale_keys(keys)
    minutes = keys.number("minutes_per_run", MINUTES_PER_RUN)
    if minutes > MOST_MINUTES:
        raise keys.refuse("minutes_per_run", f"{minutes:g} minutes for one run: a run takes less than a day.")
    condition = keys.word("condition") if "condition" in keys.values else None
    return Settings(keys, control, rule, scales, minutes, condition)


def _rule(keys: Keys) -> Rule:
    kind = keys.word("kind", ("gain", "no_worse"), "gain")
    goals = tuple(_goal(entry) for entry in keys.tables("goal"))
    if kind == "gain" and not goals:
        raise keys.refuse("goal", "A question of gain must say on what: goal = [{ attribute = \"...\", weight = 1.0 }].")
    _once(keys, "goal", [goal.attribute for goal in goals])
    total = sum(goal.weight for goal in goals)
    if goals and not math.isclose(total, 1.0, abs_tol=1e-6):
        raise Keys(keys.text, {}, ("goal", 0)).refuse("weight", f"The weights of the goals sum to {total:g}; they must sum to 1.")
    musts = tuple(_must(entry) for entry in keys.tables("musts"))
    _once(keys, "musts", [must.attribute for must in musts])
    gates = keys.table("gates")
    gates.only(("drivers", "sessions", "ignore"))
    fact, by_failures = _fact(keys, kind)
    return Rule(
        kind=kind,  # type: ignore[arg-type]
        goals=goals,
        musts=musts,
        worthwhile=keys.optional_number("worthwhile"),
        worthwhile_percent=keys.optional_number("worthwhile_percent"),
        drivers=gates.whole("drivers", 2),
        sessions=gates.whole("sessions", 2),
        ignored_gates=gates.words("ignore", GATES),
        fact=fact,
        fact_failures=by_failures,
        durability=_durability(keys),
    )


def _once(keys: Keys, key: str, names: list[str]) -> None:
    for place, name in enumerate(names):
        if name in names[:place]:
            raise Keys(keys.text, {}, (key, place)).refuse(None, f"{shown(name)} is named twice in {key}.")


def _criterion(entry: Keys) -> str:
    """The attribute, 'lap_time' or 'preference' that one entry is about."""
    named = [name for name in ("attribute", LAP_TIME, PREFERENCE) if name in entry.values]
    if len(named) != 1:
        raise entry.refuse(None, "Each entry names one of attribute = \"...\", lap_time = true and preference = true.")
    if named[0] == "attribute":
        name = entry.word("attribute")
        if name in RESERVED:
            raise entry.refuse("attribute", f"{name!r} is not rated; write {name} = true, or call the attribute otherwise.")
        return name
    if not entry.yes(named[0]):
        raise entry.refuse(named[0], f"{named[0]} can only be true; leave the entry out otherwise.")
    return named[0]


def _goal(entry: Keys) -> Goal:
    entry.only(("attribute", LAP_TIME, PREFERENCE, "weight"))
    return Goal(_criterion(entry), entry.number("weight", 1.0))


def _must(entry: Keys) -> Must:
    entry.only(("attribute", LAP_TIME, PREFERENCE, "margin", "margin_percent"))
    name = _criterion(entry)
    right, wrong = ("margin_percent", "margin") if name == LAP_TIME else ("margin", "margin_percent")
    if wrong in entry.values:
        unit = "percent" if name == LAP_TIME else "points"
        raise entry.refuse(wrong, f"The margin of {name} is in {unit}: write {right}.")
    return Must(name, entry.optional_number(right))


def _fact(keys: Keys, kind: str) -> tuple[Fact | None, bool]:
    if "fact" not in keys.values:
        if kind == "no_worse":
            raise keys.refuse("fact", "A question of kind no_worse must name its fact: fact = { failures = true }, or a figure.")
        return None, False
    if kind != "no_worse":
        raise keys.refuse("fact", "A fact decides questions of kind no_worse only; leave it out for a gain.")
    entry = keys.table("fact")
    entry.only(("failures", "name", "better", "values", "unit"))
    if entry.yes("failures"):
        entry.only(("failures",))
        return None, True
    figures = entry.table("values")
    if not figures.values:
        raise entry.refuse("values", "The fact needs a figure for each variant: values = { A = 12.4, B = 11.3 }.")
    values = {variant.strip(): figures.number(variant, signed=True) for variant in figures.values}
    better = entry.word("better", ("lower", "higher"), "lower")
    unit = entry.word("unit") if "unit" in entry.values else ""
    return Fact(entry.word("name"), values, better, unit), False  # type: ignore[arg-type]


def _durability(keys: Keys) -> Durability | None:
    if "durability" not in keys.values:
        return None
    entry = keys.table("durability")
    entry.only(("highest_rate", "per", "unit", "hurts"))
    unit = entry.word("unit", ("laps", "minutes", "impacts"), "laps")
    return Durability(entry.number("highest_rate"), entry.number("per", 1000.0), unit, entry.yes("hurts"))  # type: ignore[arg-type]


def _scale(keys: Keys, attribute: str) -> Scale:
    """[scale.<attribute>] where given, what it leaves open from [scale], and 1 to 10 in whole steps otherwise."""
    general = keys.table("scale")
    own = general.table(attribute) if isinstance(general.values.get(attribute), dict) else general
    values = {}
    for name, default in (("lowest", 1.0), ("highest", 10.0), ("step", 1.0)):
        source = own if name in own.values else general
        values[name] = source.number(name, default, signed=True)
        if abs(values[name]) > FARTHEST_MARK:
            raise source.refuse(name, f"{values[name]:g}: marks lie within {FARTHEST_MARK:g} of zero.")
    source = own if "kind" in own.values else general
    kind = source.word("kind", ("quality", "ideal_zero"), "quality")
    if values["step"] > 0 and (values["highest"] - values["lowest"]) / values["step"] > MOST_CATEGORIES - 1:
        raise own.refuse("step", f"A scale has at most {MOST_CATEGORIES} marks; take a wider step.")
    try:
        return Scale(values["lowest"], values["highest"], values["step"], kind)  # type: ignore[arg-type]
    except EvidenceError as wrong:
        key = wrong.field.removeprefix("scale.") if "." in wrong.field else _guilty(values, kind)
        raise own.refuse(key, wrong.reason) from wrong


def _guilty(values: Mapping[str, float], kind: str) -> str:
    if values["step"] <= 0:
        return "step"
    return "lowest" if kind == "ideal_zero" and values["highest"] > values["lowest"] else "highest"


def _check_scale_keys(keys: Keys) -> None:
    general = keys.table("scale")
    for name, value in general.values.items():
        if isinstance(value, dict):
            general.table(name).only(SCALE_KEYS)
        elif name not in SCALE_KEYS:
            general.only((*SCALE_KEYS, *(key for key, own in general.values.items() if isinstance(own, dict))))
