"""Seal the key of a blind question as its plan was approved: the order is drawn here, and known to the key's holder only."""

import random

from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.blind.commands import seal_block
from app.blind.models import BlindBlock, BlockKind
from app.blind.rules import Fitted
from app.db import Db
from app.errors import Conflict
from app.planning import queries
from app.planning.draw import chains_of, draw_chain
from app.questions.queries import get_question
from app.sessions.models import RunState


def seal_planned(db: Db, session_id: int, question_id: int, *, by: Viewer, rng: random.Random | None = None) -> BlindBlock:
    """A blind block of the planned runs of this question. Whoever draws holds the key; rng : the system's own unless told."""
    require(by, Action.SEAL_KEY)
    question = get_question(db, by.programme_id, question_id)
    plan, _ = queries.find_plan(db, by.programme_id, session_id)
    chains = chains_of(plan.told, question.label) if plan is not None else []
    if plan is None or not chains:
        raise Conflict(f"No blind runs of {question.label} are planned here", "", "Plan them blind first, or make a block by hand.")
    lines = {line.planned.place: line for line in queries.list_card(db, by.programme_id, plan.id)}
    variants = {variant.code: variant.id for variant in question.variants}
    control = next(variant.code for variant in question.variants if variant.is_control)
    fitted: dict[int, Fitted] = {}
    for chain in chains:
        drawn = draw_chain(chain["roles"], chain["rivals"], control, rng or random.SystemRandom())
        for place, behind in zip(chain["places"], drawn, strict=True):
            line = lines[place]
            if line.state != RunState.PLANNED or line.code is not None:
                raise Conflict(f"{line.label} is {line.state if line.code is None else f'under code {line.code} already'}",
                               f"The runs of {question.label} are not as they were planned",
                               "Re-plan the rest of the day, or make a block by hand.")  # fmt: skip
            fitted[line.run_id] = Fitted(variants[behind.variant], behind.repeat)
    return seal_block(db, session_id, by=by, question_id=question_id, kind=BlockKind.RATED, fitted=fitted)
