"""Close a concern by what was counted, and say of a failure whether it is the same trouble."""

from typing import Any

from sqlalchemy import func, select

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.concerns import closing_commands, loop_queries, queries
from app.concerns.commands import add_event
from app.concerns.models import CloseKind, Concern
from app.concerns.rules import PROVEN, Closing, check_reason
from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.feedback.queries import hidden_sessions
from app.incidents.queries import get_incident
from app.parts import queries as parts
from app.proving import rules
from app.proving.models import FailureJudgement
from app.proving.queries import list_labels, open_sessions_hidden, prove
from app.proving.rules import Proof


def close_concern(db: Db, concern_id: int, *, by: Viewer, edition: int, closing: Closing) -> None:
    """Close a concern. As cured, or as not having recurred, only when its own closing rule is met by exposures.

    Cured counts every exposure of the fixed revision; not recurred those of the worried revision since it was raised, and
    refuses after a single failure. A drawing, a reason or a small number closes nothing: the refusal names what is missing.
    """
    concern = closing_commands.check_may_close(db, concern_id, by=by, closing=closing)
    shown = _shown(db, by, concern, closing) if closing.kind in PROVEN else None
    closing_commands.close_concern(db, concern_id, by=by, edition=edition, closing=closing, shown=shown)


def _shown(db: Db, by: Viewer, concern: Concern, closing: Closing) -> dict[str, Any]:
    """The figures of the proof, or a refusal that names them and the way out."""
    cured = closing.kind == CloseKind.CURED
    field = "later_revision_id" if cured else "kind"
    if hidden := hidden_sessions(db, by):
        raise Refused(f"You are due to rate in {', '.join(open_sessions_hidden(db, hidden))}", "What happened there counts too, and is not "
                      "open to you yet", "File your slips first, or let somebody else close it.", field="kind")  # fmt: skip
    loop = loop_queries.load_loop(db, concern.id)
    if loop.rule is None:
        raise Refused(f"{concern.label} has no closing rule", "Nobody has said how many exposures would show it",
                      "Set one first, such as a 95 % bound of at most 10 % per board hit: 29 clean ones.", field=field)  # fmt: skip
    labels = list_labels(db, by.programme_id)
    proof = _cured_proof(db, concern, loop, closing, labels) if cured else _gone_proof(db, concern, loop, labels)
    if not proof.holds:
        raise Refused(f"{concern.label} is not shown {'cured' if cured else 'gone'} yet, whatever was drawn or decided", proof.sentence,
                      f"It needs exposures on {'the fixed revision' if cured else proof.label}: run or hit it {proof.missing} more "
                      "times without a failure, then close it.", field=field)  # fmt: skip
    return proof.stored()


def _cured_proof(db: Db, concern: Concern, loop: loop_queries.Loop, closing: Closing, labels: dict[int, str]) -> Proof:
    named = closing.later_revision_id or 0
    if loop.fixed_id is not None and loop.fixed_id != named:
        raise Refused(f"{concern.label} was fitted in {labels[loop.fixed_id]}, not in {labels.get(named, 'that one')}",
                      "It is proved on the revision that holds the cure", "Name that one, or say first that the cure went into another.",
                      field="later_revision_id")  # fmt: skip
    found = prove(db, loop, concern, named, (), labels).proof
    assert found is not None
    if loop.fixed_id is None:
        raise Refused(f"Nobody has said that {concern.label} is fitted in {labels.get(named, 'that revision')}", found.sentence,
                      "Say first in which revision the cure went: it needs exposures on the fixed revision.",
                      field="later_revision_id")  # fmt: skip
    return found


def _gone_proof(db: Db, concern: Concern, loop: loop_queries.Loop, labels: dict[int, str]) -> Proof:
    """Exposures of the worried revision since the concern was raised."""
    if concern.revision_id is None:
        raise Refused(f"{concern.label} names no revision", "So nothing can be counted for it", "Say first what it is about.", field="kind")
    found = prove(db, loop, concern, None, (), labels).gone
    assert found is not None
    if found.counted.failed:
        told = "; ".join(fact.told for fact in found.counted.failures) or rules.failures(found.counted.filed)
        raise Refused(f"{concern.label} did recur since it was raised: {told}", "", "If that was another trouble, say so of the failure; "
                      "else find the cure.", field="kind")  # fmt: skip
    return found


def judge_failure(db: Db, concern_id: int, incident_id: int, *, by: Viewer, version: int, same: bool, reason: str) -> None:
    """Is this failure the concern's own trouble? Until somebody says otherwise it is. Every saying stays."""
    require(by, Action.TRIAGE_CONCERN)
    check_reason(reason, field="reason", what="Judging a failure")
    parts.lock_programme(db, by.programme_id)
    concern = queries.get_concern(db, by.programme_id, concern_id)
    row = get_incident(db, by, incident_id)
    if row.withheld:
        raise NotFound("There is no such incident in this programme", "", "Look for it under Incidents.")
    standing = db.scalar(select(func.max(FailureJudgement.version)).where(
        FailureJudgement.concern_id == concern_id, FailureJudgement.incident_id == incident_id)) or 0  # fmt: skip
    if standing != version:
        raise Conflict(f"Somebody else judged {row.label} while you were typing", "What stands now is above",
                       "Compare, then send it again.")  # fmt: skip
    db.add(FailureJudgement(concern_id=concern_id, incident_id=incident_id, version=version + 1, same=same, reason=reason,
                            by_id=by.account_id, at=clock.now()))  # fmt: skip
    add_event(db, concern, by, "judged", reason, incident_id=incident_id, named=row.label, same=same)
