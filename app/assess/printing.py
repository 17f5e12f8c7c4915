"""An answer as words for people who drive and design: words first, figures beside, at most 100 columns wide."""

import textwrap
from collections.abc import Iterable, Iterator
from typing import Any

from app.evidence.phrases import count, joined, probability, signed

WIDTH = 100
SHOWN_CANDIDATES = 3
NEXT_TO_NOTHING = 0.01
VERDICT_WORDS = {"adopt": "ADOPT", "reject": "REJECT", "retest": "RETEST", "setting": "KEEP BOTH AS A SETTING"}
READING_WORDS = {
    "blocked": "blocked", "not_enough": "not enough yet", "drivers_conflict": "drivers in conflict",
    "depends_on_conditions": "depends on conditions", "favours_adopt": "favours adopting",
    "favours_reject": "favours rejecting", "no_practical_difference": "no practical difference",
    "not_shown": "no difference shown", "mixed_retest": "mixed",
}  # fmt: skip
CLAUSE_WORDS = {
    "thin": "too little to go on", "sessions": "too few sessions", "drivers": "too few drivers", "harm": "a must is harmed",
    "loss": "worse", "futility": "no gain worth having in sight", "two_ahead": "more than one rival passes",
    "aliased": "changed together with something else", "late_only": "driven on one side of the control only",
    "inflated": "too few runs tell it apart", "conflict": "the drivers differ", "one_driver": "rests on one driver",
    "one_session": "rests on one session",
}  # fmt: skip
UNIT_WORDS = {"marks nearer ideal": "marks, + is nearer"}
READING_NOTE = (
    "How to read it: P(better) .90 means that nine times in ten, with evidence like this, it truly is better than the control.",
    "A 90 % interval holds the true difference nine times in ten; where it spans 0 the direction is not sure.",
    "W is the least difference worth having. A bracket is a run of the rival between two runs of the control.",
)
CRITERION_WORDS: dict[str, str] = {"lap_time": "lap time", "preference": "preference", "goal_index": "goals together"}
Answer = dict[str, Any]


def printed(answer: Answer) -> str:
    """The text of one object of `answer`, without a trailing line break."""
    lines: list[str] = []
    for line in _refusal(answer) if "error" in answer else _sheet(answer):
        if line or (lines and lines[-1]):  # one blank line between parts, never two
            lines.append(line)
    return "\n".join(lines) + "\n"


def _refusal(answer: Answer) -> Iterator[str]:
    error = answer["error"]
    where = [error["file"]] if error["file"] and error["file"] != answer["folder"] else []
    where += [f"line {error['line']}"] if error["line"] is not None else []
    where += [f"column {error['column']}"] if error["column"] is not None else []
    yield from _wrapped(f"{answer['folder']}: refused", "")
    yield from _wrapped(": ".join(part for part in (", ".join(where), error["reason"]) if part), "  ")


def _sheet(answer: Answer) -> Iterator[str]:
    sessions = answer["sessions"]
    yield "=" * WIDTH
    yield from _wrapped(f"{answer['folder']}: control {answer['control']}, after {_sessions(sessions)}", "")
    yield "=" * WIDTH
    for verdict in answer["verdicts"]:
        yield from _rival(answer, verdict)
    yield from _titled("Warnings", [flag["sentence"] for flag in (*_general(answer, "flags"), *answer["warnings"])])
    yield from _titled("Readings that differ", [d["sentence"] for d in answer["disagreements"]])
    yield from _titled("Failures", [f["sentence"] for f in answer["failures"]])
    yield from _titled("Gauge readings", [r["sentence"] for r in answer["readings"]])
    yield from _titled("Agreement of the drivers", [a["sentence"] for a in answer["agreements"]])
    yield from _titled("What there is", _strands(answer))
    yield from _titled("Left out of the comparison", [f"{reason}: {count(n, 'run')}" for reason, n in answer["left_out"].items()])
    yield from _titled("Not asked for, not used", [f"{name}: {count(n, 'mark')}" for name, n in answer["not_used"].items()])
    if answer["criteria"] or answer["panel"]:
        yield ""
        for sentence in READING_NOTE:
            yield from _wrapped(sentence, "")
    yield ""
    yield from _wrapped(f"Method {answer['method_version']}, evidence {answer['fingerprint'][:12]}", "")


def _strands(answer: Answer) -> list[str]:
    """What was filed, a line each, and in one line what was not."""
    told_above = {name for name in ("failures", "readings") if answer[name]}
    strands = [s for s in answer["strands"] if s["name"] not in told_above]
    there = [s["sentence"] for s in strands if s["state"] != "no_evidence"]
    absent = [s["sentence"] for s in strands if s["state"] == "no_evidence"]
    if answer["not_used"]:  # "no marks yet" would be untrue
        absent = ["No marks on what the question asks about." if told == "No marks yet." else told for told in absent]
    return [*there, " ".join(absent)]


def _sessions(sessions: list[str]) -> str:
    if not sessions:
        return "no session"
    named = sessions if len(sessions) <= 6 else [*sessions[:2], "...", *sessions[-2:]]
    return f"{count(len(sessions), 'session')} ({', '.join(named)})"


def _rival(answer: Answer, verdict: Answer) -> Iterator[str]:
    """Everything about one rival: verdict, why, what would change it, the drivers, the criteria, its flags."""
    variant, clause = verdict["variant"], verdict["clause"]
    yield from _wrapped(f"{variant}: {VERDICT_WORDS[verdict['verdict']]}  ({CLAUSE_WORDS.get(clause, clause.replace('_', ' '))})", "")
    ahead = list(_of(answer.get("outlook", ()), variant))
    nearest = verdict["nearest"]
    for outlook in ahead:  # told below, with the sessions it is about
        nearest = nearest.removesuffix(outlook["sentence"])
    for text in (verdict["sentence"], nearest, verdict["offer"]):
        yield from _wrapped(text, "  ")
    for panel in _of(answer["panel"], variant):
        yield ""
        yield from _drivers(panel)
    own = list(_of(answer["criteria"], variant))
    if own:
        yield ""
        yield "  What may be concluded (difference from the control, + is better)"
        yield f"    {'criterion':<26} {'mean':>8}  {'90 % interval':<19} {'unit':<20} {'P(better)':<13} n"
        for measure in own:
            yield from _measure(measure, _must_held(answer, measure))
    yield from _titled("Laps", [lap["sentence"] for lap in _of(answer["laps"], variant)], "  ")
    yield from _titled("Where it holds", [c["validity"] for c in _of(answer["conditions"], variant)], "  ")
    yield from _titled("Look out", [flag["sentence"] for flag in _of(answer["flags"], variant)], "  ")
    for outlook in ahead:
        yield from _titled("Next session", [outlook["sentence"]], "  ")
        yield from _candidates(outlook["candidates"])
    yield ""


def _drivers(panel: Answer) -> Iterator[str]:
    yield from _wrapped(f"What the drivers said about {panel['attribute']}: {READING_WORDS[panel['reading']]}", "  ")
    yield from _wrapped(panel["sentence"][:1].upper() + panel["sentence"][1:], "    ")
    votes = f"Votes: {panel['votes_for']} for, {panel['votes_none']} neither, {panel['votes_against']} against."
    if f"{panel['votes_against']} against" not in panel["sentence"]:
        yield from _wrapped(votes, "    ")
    for driver in panel["drivers"]:
        told = f"{driver['driver']} {signed(driver['effect'])} from {count(driver['brackets'], 'bracket')}"
        yield from _wrapped(told + (f" on {driver['condition']}" if driver["condition"] else ""), "      ")


def _must_held(answer: Answer, measure: Answer) -> str:
    """Words for a must, from the rule as it was applied."""
    name = CRITERION_WORDS.get(measure["criterion"], measure["criterion"])
    for row in _of(answer["rule"], measure["variant"]):
        if row["role"] == "must" and row["name"] == name:
            return "a must, held" if row["met"] else "a must, not shown to be held"
    return "a must"


def _measure(measure: Answer, must: str) -> Iterator[str]:
    criterion: str = measure["criterion"]
    name = CRITERION_WORDS.get(criterion, criterion)
    interval = f"{signed(measure['low90'])} to {signed(measure['high90'])}"
    unit = UNIT_WORDS.get(measure["unit"], measure["unit"])
    figures = f"{signed(measure['mean']):>8}  {interval:<19} {unit:<20} {probability(measure['p_better']):<13} {measure['n']}"
    if len(name) > 26 or len(figures) > WIDTH - 31:
        yield from _wrapped(name, "    ")
        yield from _wrapped(" ".join(figures.split()), "      ")
    else:
        yield f"    {name:<26} {figures}"
    if measure.get("mean_s") is not None:
        told = f"= {signed(measure['mean_s'], 3)} s a lap, {signed(measure['low90_s'], 3)} to {signed(measure['high90_s'], 3)} s"
        yield from _wrapped(told, "      ")
    if measure["p_worse_than_margin"] is not None:
        yield from _wrapped(f"{must}: P(worse by more than its margin) {probability(measure['p_worse_than_margin'])}", "      ")


def _candidates(candidates: list[Answer]) -> Iterator[str]:
    """The few sessions that are worth a look: none that costs as many runs as another and promises no more."""
    worth, fewest = [], None
    for plan in sorted(candidates, key=lambda plan: (-round(plan["p_settle"], 2), plan["runs"])):
        if plan["p_settle"] >= NEXT_TO_NOTHING and (fewest is None or plan["runs"] < fewest):
            worth.append(plan)
            fewest = plan["runs"]
    for plan in worth[:SHOWN_CANDIDATES]:
        chances = [f"{word} {probability(plan[f'p_{word}'])}" for word in ("adopt", "reject", "setting")
                   if plan[f"p_{word}"] >= NEXT_TO_NOTHING]  # fmt: skip
        told = f"{joined(plan['drivers'])}, {count(plan['runs_each'], 'run')} each: P(settled) {probability(plan['p_settle'])}"
        yield from _wrapped(told + (f" ({', '.join(chances)})" if chances else ""), "      ", "        ")
    if candidates and not worth:
        told = f"{count(len(candidates), 'way')} to drive it looked at, up to {max(plan['runs'] for plan in candidates)} runs: "
        yield from _wrapped(told + "each settles it with a chance of less than .01.", "      ", "        ")


def _general(answer: Answer, key: str) -> Iterator[Answer]:
    return (row for row in answer[key] if row["variant"] is None)


def _of(rows: Iterable[Answer], variant: str) -> Iterator[Answer]:
    return (row for row in rows if row["variant"] == variant)


def _titled(title: str, sentences: list[str], indent: str = "") -> Iterator[str]:
    told = [sentence for sentence in dict.fromkeys(sentences) if sentence]
    if told:
        yield ""
        yield f"{indent}{title}"
        for sentence in told:
            yield from _wrapped(sentence, indent + "  - ", indent + "    ")


def _wrapped(text: str, first: str, following: str | None = None) -> list[str]:
    """`text` in lines of at most WIDTH columns; a word longer than a line is broken."""
    rest = following if following is not None else first
    return textwrap.wrap(" ".join(text.split()), WIDTH, initial_indent=first, subsequent_indent=rest) if text else []
