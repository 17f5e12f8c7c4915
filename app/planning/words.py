"""A plan in words, and as it is kept with its acceptance. No database."""

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from typing import Any

from app.evidence.phrases import count, joined
from app.planning.balance import imbalance_words
from app.planning.brackets import name_of
from app.planning.check import Checked
from app.planning.day import Build, Day, LeftOut, Line
from app.planning.plan import Plan

SEALED = "drawn at sealing"


def base_of(lines: Sequence[Line]) -> Build:
    """The build that most controls of a plan share; its card names what differs from it only."""
    times = Counter(line.build for line in lines if line.role == "control")
    return max(times, key=lambda build: (times[build], build), default=())


def on_car_words(line: Line, base: Build) -> str:
    """What differs from the base build, by piece where pieces are known: FST-t45 r2 #1."""
    same = set(base)
    named = {name.rpartition(" #")[0]: name for name in line.pieces}
    return ", ".join(named.get(level, level) for part, level in line.build if (part, level) not in same) or "base build"


def base_words(lines: Sequence[Line]) -> dict[str, str]:
    """Car -> the pieces and levels of the base build as they are first fitted there."""
    base, found = base_of(lines), dict[str, str]()
    for line in lines:
        if line.build == base:
            named = {name.rpartition(" #")[0]: name for name in line.pieces}
            found.setdefault(line.car, ", ".join(named.get(level, level) for _, level in base))
    return found


def serves_words(line: Line) -> str:
    """What a run speaks on: 'test of Q-01 t45', 'control for Q-01 t45 and Q-02 soft'."""
    names = joined([name_of(test) for test in line.serves])
    return f"test of {names}" if line.role == "test" else f"control for {names}"


def change_words(line: Line) -> str:
    if not line.change:
        return ""
    minutes = f", {line.change_min:g} min" if line.change_min else ""
    return f"{joined(line.change)}{minutes}"


def sealed_chains(day: Day, plan: Plan) -> set[int]:
    """Chains in which a blind question is driven: their order is drawn when the key is sealed."""
    blind = {q.label for q in day.questions if q.blind}
    return {k for k, chain in enumerate(plan.chains) if any(question in blind for question, _ in chain.tests)}


def blind_words(day: Day, plan: Plan) -> list[str]:
    """What is driven blind and how often, for the designer's approval: the order stands on the conductor's card only."""
    told = []
    for question in (q for q in day.questions if q.blind):
        lines = [line for line in plan.lines if line.chain in sealed_chains(day, plan) and any(q == question.label for q, _ in line.serves)]
        controls = sum(line.role == "control" for line in lines)
        tests = [f"{rival.code} {count(n, 'run')}" for rival in question.rivals
                 if (n := sum(line.test == (question.label, rival.code) for line in lines))]  # fmt: skip
        if tests:
            told.append(f"{question.label}: {question.control.code} {count(controls, 'run')}, {joined(tests)}. "
                        "The control comes back under another code: it is the hidden repeat.")  # fmt: skip
    return told


def left_words(left: Sequence[LeftOut]) -> list[str]:
    """What is left out and why, drivers of one rival together."""
    found: dict[tuple[str, str, str], list[str]] = {}
    for item in left:
        drivers = found.setdefault((item.question, item.variant, item.why), [])
        if item.driver and item.driver not in drivers:
            drivers.append(item.driver)
    return [f"{question} {variant}{' with ' + joined(drivers) if drivers else ''}: {why}".replace(" :", ":")
            for (question, variant, why), drivers in found.items()]  # fmt: skip


def order_words(day: Day, plan: Plan) -> list[str]:
    """How far the order is from balance; nothing of a blind question's, whose order is not drawn yet."""
    blind = [q.label for q in day.questions if q.blind]
    told = [line for line in imbalance_words(plan.imbalance) if not any(label in line for label in blind)]
    return [plan.orders_note, *told] if plan.orders_note and not blind else told


def told_of(day: Day, plan: Plan, checked: Sequence[Checked], left: Sequence[LeftOut]) -> dict[str, Any]:
    """What was said of a plan when it was accepted; the same words stand on the page."""
    return {
        "left_out": left_words(left), "imbalance": order_words(day, plan),
        "base": base_words(plan.lines), "check": check_words(checked),
        "tests": plan.tests, "changes": plan.changes, "change_min": plan.change_min,
        "settles": plan.settles, "used_min": plan.minutes_used, "sealed": sealed_of(day, plan),
    }  # fmt: skip


def sealed_of(day: Day, plan: Plan) -> list[dict[str, Any]]:
    """Blind chains as approved: the places of their runs, where controls stand, how often each rival; not which is where.

    A chain that serves several questions is left to be sealed by hand, since a run is in one block.
    """
    found = []
    for k in sorted(sealed_chains(day, plan)):
        questions = {question for question, _ in plan.chains[k].tests}
        places = [place for place, line in enumerate(plan.lines) if line.chain == k]
        if len(questions) == 1 and places:
            tests = Counter(line.test[1] for line in plan.lines if line.chain == k and line.test is not None)
            found.append({"question": questions.pop(), "places": places, "rivals": dict(sorted(tests.items())),
                          "roles": [plan.lines[place].role for place in places]})  # fmt: skip
    return found


def check_words(checked: Sequence[Checked]) -> list[str]:
    return [f"{c.question} {c.variant}: {sentence}" for c in checked for sentence in (*c.blocked, *c.warned)]


def digest(plan: Plan) -> str:
    """Says whether the plan on a page is still the plan that is made now."""
    text = json.dumps([plan.wish, plan.seed, [line._asdict() for line in plan.lines]], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:24]
