"""Gates of the fit grids that a question waits for: every required cell known and fitting. No database."""

from collections.abc import Sequence

from app.evidence import inputs
from app.grid.rules import GridFacts
from app.grid.state import GridState
from app.questions.models import Question


def fit_gates(question: Question, grids: Sequence[GridFacts]) -> tuple[inputs.Gate, ...]:
    """Where a factor's levels are the question's own revisions, a gate for each rival over its own cells; else one for all."""
    found = []
    for facts in grids:
        if facts.question_id != question.id:
            continue
        state, name = GridState(facts), f"fit grid {facts.label}"
        own = {
            variant.code: state.part_of({(link.revision.part_id, link.revision.line_key) for link in variant.revisions})
            for variant in question.variants
        }
        if any(own.values()):
            for variant in question.variants:
                if not variant.is_control and own[variant.code]:
                    passed, told = state.gate(own[variant.code])
                    found.append(inputs.Gate(name, passed, variant.code, f"{variant.code}, {told}"))
        else:
            passed, told = state.gate()
            found.append(inputs.Gate(name, passed, None, told))
    return tuple(found)
