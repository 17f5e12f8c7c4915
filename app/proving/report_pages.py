"""The report on concerns: where the trouble is, how old what blocks is, and whether the parts get better."""

from collections.abc import Sequence
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, SignedIn, allow
from app.concerns.models import EXPOSURES, CloseKind
from app.concerns.queries import ConcernRow, list_concerns
from app.concerns.rules import USUAL_RULE, ShowRule
from app.feedback.queries import hidden_sessions
from app.proving import report_queries, report_rules, rules
from app.proving.forms import GrowthForm, number
from app.proving.queries import list_broke_again
from app.proving.report_queries import PartOf
from app.web.page import page
from app.web.routes import Router

GOES_ON = (CloseKind.SAME_AS, CloseKind.OTHER_PART)  # counted once, under the concern that goes on
router = Router(prefix="/programmes/{programme_id}")


@router.get("/concerns/report", dependencies=[allow(Action.SEE_PROGRAMME)])
def show_concern_report(request: Request, db: DbHere, viewer: SignedIn, part: str = "", exposure: str = "") -> Response:
    hidden = hidden_sessions(db, viewer)
    every = list_concerns(db, viewer.programme_id, viewer=viewer, hidden=hidden)
    seen = [row for row in every if not row.withheld]
    rows = [row for row in seen if row.close_kind not in GOES_ON]
    lineage = report_queries.list_lineage(db, viewer.programme_id)
    causes = report_queries.list_causes(db, viewer.programme_id)
    by_part = report_rules.pareto([(_part_of(row, lineage), row.stands, row.blocks) for row in rows])
    by_cause = report_rules.pareto([(causes.get(row.id, "not known yet"), row.stands, row.blocks) for row in rows])
    chosen = _chosen(part, lineage, rows)
    asked = ShowRule(exposure if exposure in EXPOSURES else USUAL_RULE.exposure, USUAL_RULE.most_per_100)
    own = [row for row in lineage if row.part_id == chosen]
    grown = report_queries.grow(db, asked, own, hidden)
    parts = dict.fromkeys((row.part_id, f"{row.code} {row.title}") for row in lineage)
    return page(
        request, "proving/show_concern_report.html", total=len(rows), withheld=len(every) - len(seen), elsewhere=len(seen) - len(rows),
        by_part=by_part, by_cause=by_cause,
        blockers=sorted((row for row in rows if row.blocks), key=lambda row: -row.age_days), grown=grown, asked=asked,
        words=report_rules.growth_words(asked, grown), again=list_broke_again(db, viewer.programme_id, hidden), hidden=len(hidden),
        form=GrowthForm().show(chosen, asked.exposure, [(str(part_id), name) for part_id, name in parts]),
        part=next((f"{row.code} {row.title}" for row in own), ""), pictures=_pictures(by_part, by_cause, grown, asked),
    )  # fmt: skip


def _part_of(row: ConcernRow, lineage: Sequence[PartOf]) -> str:
    return next((f"{of.code} {of.title}" for of in lineage if of.revision_id == row.revision_id), "no part named")


def _chosen(typed: str, lineage: Sequence[PartOf], rows: Sequence[ConcernRow]) -> int | None:
    """The part asked for, else the one with the most concerns that has several revisions, else the first."""
    wanted = number(typed)
    if any(row.part_id == wanted for row in lineage):
        return wanted
    revisions = {of.revision_id: of.part_id for of in lineage}
    worried = [revisions[row.revision_id] for row in rows if row.revision_id in revisions]
    several = [of.part_id for of in lineage if sum(other.part_id == of.part_id for other in lineage) > 1]
    offered = several or [of.part_id for of in lineage]
    return max(offered, key=worried.count) if offered else None


def _pictures(by_part: Sequence[report_rules.ParetoLine], by_cause: Sequence[report_rules.ParetoLine], grown: Sequence[report_rules.Grown],
              asked: ShowRule) -> dict[str, Any]:  # fmt: skip
    from app.web.reliability_charts import ShareRow, bar_picture, share_picture  # loads when a page first draws

    exposed = [ShareRow(line.label, line.share, line.low or 0.0, line.high or 0.0, _of(line, asked))
               for line in grown if line.share is not None]  # fmt: skip
    return {
        "part": bar_picture([(line.name, line.n, line.share) for line in by_part]) if by_part else None,
        "cause": bar_picture([(line.name, line.n, line.share) for line in by_cause]) if by_cause else None,
        "growth": share_picture(exposed, unit=f"failures in 100 {asked.nouns}") if exposed else None,
    }


def _of(line: report_rules.Grown, asked: ShowRule) -> str:
    if asked.is_rate:
        return f"{line.counted.failed} in {rules.amount(line.counted.clean)} min"
    return f"{line.counted.failed} of {rules.amount(line.counted.n)}"
