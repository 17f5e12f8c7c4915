"""From the outcomes of programmes to the counts of a result file. Equal outcomes give equal counts, in whatever order."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from statistics import fmean, median, pstdev
from typing import Any

from app.evidence import METHOD_VERSION
from app.evidence.thresholds import RULE
from app.trials.cells import Cell
from app.trials.reading import OUTCOMES, Outcome
from app.trials.world import World


def heading(seed: int) -> dict[str, Any]:
    """What all figures of one file rest on; figures that rest on something else are never mixed with them."""
    return {"method_version": METHOD_VERSION, "seed": seed, "rule": plain(asdict(RULE)), "world": plain(asdict(World()))}


def settings_of(cell: Cell) -> dict[str, Any]:
    """How the cell's world differs from the default one, its truth and its rule."""
    usual, here = asdict(World()), asdict(cell.world)
    rule = {name: value for name, value in asdict_rule(cell).items() if value not in (None, (), [], {})}
    return plain({
        "title": cell.title, "family": cell.family, "kind": cell.kind, "drivers": cell.drivers, "variants": cell.variants,
        "gain": cell.gain, "truths": dict(cell.truths), "expected": cell.expected, "rule": rule,
        "world": {name: value for name, value in here.items() if value != usual[name]},
        "steps": {name: scale.step for name, scale in cell.question.scales.items()},
        "aims": [{name: value for name, value in asdict(aim).items() if value is not None} for aim in cell.aims],
    })  # fmt: skip


def asdict_rule(cell: Cell) -> dict[str, Any]:
    rule = cell.question.rule
    named = {name: getattr(rule, name) for name in ("kind", "drivers", "sessions", "planned_looks", "ignored_gates")}
    return {**named, "goals": [asdict(goal) for goal in rule.goals], "musts": [asdict(must) for must in rule.musts],
            "fact": rule.fact and {"name": rule.fact.name, "values": dict(rule.fact.values)}}  # fmt: skip


def plain(value: Any) -> Any:
    """Tuples as lists and mappings as dicts, as they come back from a file."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, (list, tuple)) else value


def count_cell(cell: Cell, outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Counts by look of each word (held once decided), of clauses, flags raised and, where measured, coverage and bias."""
    outcomes = sorted(outcomes, key=lambda outcome: outcome.number)
    looks = range(cell.world.sessions)
    words = [[_held(outcome, look) for outcome in outcomes] for look in looks]
    counts = {word: [sum(w == word for w, _ in at) for at in words] for word in OUTCOMES}
    clauses = {word: dict(sorted(Counter(clause for w, clause in words[-1] if w == word).items())) for word in OUTCOMES}
    flags = [Counter(kind for o in outcomes if len(o.flags) > look for kind in o.flags[look]) for look in looks]
    kinds = sorted({kind for at in flags for kind in at})
    return {
        **settings_of(cell), "n": len(outcomes), "looks": cell.world.sessions, "counts": counts,
        "clauses": {word: found for word, found in clauses.items() if found},
        "adopted": dict(sorted(Counter(o.adopted for o in outcomes if o.adopted).items())),
        "read": [sum(len(o.flags) > look for o in outcomes) for look in looks],
        "flags": {kind: [at[kind] for at in flags] for kind in kinds},
        "coverage": {name: _coverage(name, cell, outcomes) for name in cell.truths if any(o.intervals for o in outcomes)},
    }  # fmt: skip


def _held(outcome: Outcome, look: int) -> tuple[str, str]:
    return outcome.looks[min(look, len(outcome.looks) - 1)]


def _coverage(criterion: str, cell: Cell, outcomes: Sequence[Outcome]) -> list[dict[str, Any] | None]:
    """Per look: how many 90 % intervals hold the truth, and the mean and SD of estimate - truth; None where no figure."""
    truth, found = cell.truths[criterion][0], list[dict[str, Any] | None]()
    for look in range(cell.world.sessions):
        rows = [o.intervals[look][criterion] for o in outcomes if len(o.intervals) > look and criterion in o.intervals[look]]
        if not rows:
            found.append(None)
            continue
        errors = [mean - truth for mean, _, _ in rows]
        found.append({"n": len(rows), "covered": sum(low <= truth <= high for _, low, high in rows), "truth": truth,
                      "bias": round(fmean(errors), 4), "sd": round(pstdev(errors), 4),
                      "width": round(fmean(high - low for _, low, high in rows), 4)})  # fmt: skip
    return found


def count_cpu(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """CPU milliseconds: median per look, and the mean of a whole programme. Differs from run to run; for information."""
    looks = max(len(o.cpu_ms) for o in outcomes)
    at = [[o.cpu_ms[look] for o in outcomes if len(o.cpu_ms) > look] for look in range(looks)]
    return {"ms_by_look": [round(median(ms), 1) for ms in at], "ms_a_programme": round(fmean(sum(o.cpu_ms) for o in outcomes), 1)}
