"""File, sign and reopen rulings; keep the looks that lists read."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db, transaction
from app.decisions import queries, rules
from app.decisions.loading import load_evidence, load_questions
from app.decisions.models import Decision, Form, Look, Ruling, RulingState
from app.decisions.noise import take_first_looks
from app.decisions.summaries import compute, find_sheet, find_sheets, list_looks, write_sheet
from app.errors import Conflict, NotFound, Refused
from app.history.commands import record
from app.programmes.queries import next_number
from app.questions.commands import set_question_state
from app.questions.models import QuestionState, VariantState
from app.questions.queries import get_question

if TYPE_CHECKING:  # types only: evidence loads with the first sheet, not with the app
    from app.evidence.findings import Outlook
    from app.evidence.results import Sheet


@dataclass(frozen=True, slots=True)
class RulingText:
    """What a ruling says. form, scope, grounds, dissent; a retest names what is missing and by when."""

    decision: str
    grounds: str
    form: str = Form.SOLE
    scope: str = ""
    dissent: str = ""
    missing: str = ""
    missing_by: date | None = None
    against_verdict_why: str = ""


def file_ruling(db: Db, question_id: int, variant_id: int, *, by: Viewer, shown: str, text: RulingText,
                sign: bool = False) -> Ruling:  # fmt: skip
    """A provisional ruling on the evidence that was shown; the manager may sign it in the same step.

    `shown` is the fingerprint the page carried: another one now is refused with what changed.
    """
    require(by, Action.FILE_RULING)
    if sign:
        require(by, Action.SIGN_RULING)
    question = get_question(db, by.programme_id, question_id, lock=True)
    variant = next((v for v in question.variants if v.id == variant_id), None)
    if variant is None or variant.is_control:
        raise NotFound(f"{question.label} has no such rival", "A ruling is made on a rival of the control", field="variant_id")
    if question.state in (QuestionState.DRAFT, QuestionState.DROPPED):
        raise Conflict(f"{question.label} is {question.state}", "Only a question that was asked can be ruled on")
    loaded, sheet = queries.current_look(db, by.programme_id, question_id)
    _check_shown(db, shown, sheet)
    verdict = next((v for v in sheet.verdicts if v.variant == variant.code), None)
    if verdict is None:
        raise Conflict(f"There is no verdict on {variant.code} yet")
    if text.decision not in list(Decision) or text.form not in list(Form):
        raise Refused("Choose adopt, reject or retest", field="decision")
    rules.check_ruling(verdict=verdict.verdict, decision=text.decision, form=text.form, grounds=text.grounds, missing=text.missing,
                       missing_by=text.missing_by, against_verdict_why=text.against_verdict_why, today=clock.now().date())  # fmt: skip
    _supersede(db, by, variant_id, RulingState.PROVISIONAL)
    ruling = Ruling(
        programme_id=by.programme_id, number=next_number(db, Ruling, by.programme_id), question_id=question_id,
        variant_id=variant_id, decision=text.decision, form=text.form, scope=text.scope, grounds=text.grounds,
        dissent=text.dissent, missing=text.missing, missing_by=text.missing_by, against_verdict_why=text.against_verdict_why,
        state=RulingState.PROVISIONAL, filed_by_id=by.account_id, filed_at=clock.now(), fingerprint=sheet.fingerprint,
        slips_at_ruling=len(loaded.slips), method_version=sheet.method_version, verdict=verdict.verdict, clause=verdict.clause,
        reading=next((r.reading for r in sheet.panel.readings if r.variant == variant.code), ""),
        snapshot={"sheet": write_sheet(sheet), "slips": sorted(loaded.slips)},
    )  # fmt: skip
    db.add(ruling)
    db.flush()
    _record(db, by, "filed provisional ruling", ruling, question.label, variant.code, why=text.grounds)
    if sign:
        _sign(db, by, ruling)
    return ruling


def sign_ruling(db: Db, ruling_id: int, *, by: Viewer, shown: str) -> Ruling:
    """Make a provisional ruling standing; refused when the numbers changed while the page was open."""
    require(by, Action.SIGN_RULING)
    ruling = queries.get_ruling(db, by.programme_id, ruling_id, lock=True)
    rules.check_can_sign(ruling.state, ruling.label)
    _, sheet = queries.current_look(db, by.programme_id, ruling.question_id)
    _check_shown(db, shown, sheet)
    _sign(db, by, ruling)
    return ruling


def _sign(db: Db, by: Viewer, ruling: Ruling) -> None:
    _check_sole(db, by, ruling)
    _supersede(db, by, ruling.variant_id, RulingState.STANDING)
    ruling.state, ruling.signed_by_id, ruling.signed_at = RulingState.STANDING, by.account_id, clock.now()
    ruling.both_hats = ruling.filed_by_id == by.account_id
    db.flush()
    question = get_question(db, by.programme_id, ruling.question_id)
    variant = next(v.code for v in question.variants if v.id == ruling.variant_id)
    _record(db, by, "made ruling standing", ruling, question.label, variant)
    standing = set(
        db.scalars(select(Ruling.variant_id).where(Ruling.question_id == question.id, Ruling.state == RulingState.STANDING,
                                                   Ruling.decision != Decision.RETEST))
    )  # fmt: skip
    rivals = {v.id for v in question.variants if not v.is_control and v.state == VariantState.LIVE}
    if rivals <= standing:
        set_question_state(db, question, QuestionState.RULED, by=by, why=f"{ruling.label} stands")
    elif question.state == QuestionState.RULED:
        set_question_state(db, question, QuestionState.REOPENED, by=by, why=f"{ruling.label} asks for a retest")


def _check_sole(db: Db, by: Viewer, ruling: Ruling) -> None:
    """“This revision, and no other”: two rivals can't both stand as the sole answer of one question."""
    if ruling.decision != Decision.ADOPT or ruling.form == Form.SETTING:
        return
    for other in queries.list_rulings(db, by.programme_id, question_id=ruling.question_id, live_only=True):
        sole = other.ruling.decision == Decision.ADOPT and other.ruling.form != Form.SETTING
        if other.ruling.state == RulingState.STANDING and sole and other.ruling.variant_id != ruling.variant_id:
            raise Conflict(f"{other.ruling.label} adopts {other.variant} as the sole part already", "Two can't both be the only one",
                           f"Reopen {other.ruling.label} first, or adopt both as a setting.")  # fmt: skip


def reopen_ruling(db: Db, ruling_id: int, *, by: Viewer, why: str) -> Ruling:
    """The ruling no longer stands; it stays readable, and its question is open again."""
    require(by, Action.SIGN_RULING)
    ruling = queries.get_ruling(db, by.programme_id, ruling_id, lock=True)
    rules.check_can_reopen(ruling.state, ruling.label)
    ruling.state = RulingState.REOPENED
    question = get_question(db, by.programme_id, ruling.question_id, lock=True)
    variant = next(v.code for v in question.variants if v.id == ruling.variant_id)
    _record(db, by, "reopened ruling", ruling, question.label, variant, why=why)
    if question.state == QuestionState.RULED:
        set_question_state(db, question, QuestionState.REOPENED, by=by, why=why)
    return ruling


def _supersede(db: Db, by: Viewer, variant_id: int, state: str) -> None:
    """An earlier ruling in this state gives way to the one being made."""
    earlier = db.scalar(select(Ruling).where(Ruling.variant_id == variant_id, Ruling.state == state).with_for_update())
    if earlier is not None:
        earlier.state = RulingState.SUPERSEDED
        db.flush()


def _check_shown(db: Db, shown: str, sheet: Sheet) -> None:
    if shown == sheet.fingerprint:
        return
    then = find_sheet(db, shown)
    changed = rules.what_changed(queries.snapshots(then) if then else {}, queries.snapshots(sheet))
    raise Conflict("The numbers changed while the page was open", "; ".join(changed),
                   "Read the sheet again; what you typed is kept below")  # fmt: skip


def refresh_looks(db: Db, programme_id: int) -> bool:
    """Compute again the looks that the trail's newer lines may have moved, then store them in one short transaction.

    Answers whether any was brought up to date; a question whose rule can't be read has none.
    """
    stamp, since, looks = queries.list_stale_looks(db, programme_id)
    touched = queries.list_touched(db, programme_id, since=since) if looks else set()
    again = [qid for qid, seen in looks.items() if seen is None or touched is None or qid in touched]
    loaded = load_evidence(db, programme_id, load_questions(db, programme_id, again) if again else [])
    first = take_first_looks(db, programme_id, loaded)
    loaded |= first
    wanted = {qid: one.look.fingerprint() for qid, one in loaded.items() if one.look is not None and (qid in again or qid in first)}
    stored = find_sheets(db, [found for qid, found in wanted.items() if looks.get(qid) != found])
    fresh: dict[int, dict[str, Any]] = {qid: {"stamp": stamp} for qid in looks if qid not in again}
    for question_id, fingerprint in wanted.items():
        fresh[question_id] = {"stamp": stamp}
        if looks.get(question_id) != fingerprint:
            sheet = stored.get(fingerprint) or compute(db, question_id, loaded[question_id].look)
            fresh[question_id] |= {"fingerprint": fingerprint, "readings": _readings(sheet), "computed_at": clock.now()}
    with transaction(db):
        present = list_looks(db, programme_id)
        for question_id, values in fresh.items():
            if question_id in present:
                for name, value in values.items():
                    setattr(present[question_id], name, value)
            elif "fingerprint" in values:
                db.add(Look(question_id=question_id, programme_id=programme_id, **values))
    return bool(fresh)


def _readings(sheet: Sheet) -> list[dict[str, Any]]:
    read = {reading.variant: reading for reading in sheet.panel.readings}
    ahead = {outlook.variant: outlook for outlook in sheet.outlook}
    return [
        {"variant": v.variant, "verdict": v.verdict, "clause": v.clause, "sentence": v.sentence, "nearest": v.nearest,
         "reading": read[v.variant].reading if v.variant in read else "",
         "missing": list(read[v.variant].missing) if v.variant in read else [],
         "ahead": _ahead(ahead[v.variant]) if v.variant in ahead else None}
        for v in sheet.verdicts
    ]  # fmt: skip


def _ahead(outlook: Outlook) -> dict[str, Any]:
    """What lists show of an outlook: its sentence and the candidates of everyone, few runs first."""
    most = max((len(c.drivers) for c in outlook.candidates), default=0)
    whole = sorted((c for c in outlook.candidates if len(c.drivers) == most), key=lambda c: c.runs)
    return {"sentence": outlook.sentence, "sessions": outlook.sessions_to_settle,
            "candidates": [{"drivers": list(c.drivers), "each": c.runs_each, "runs": c.runs, "p": c.p_settle} for c in whole]}


def _record(db: Db, by: Viewer, what: str, ruling: Ruling, question: str, variant: str, *, why: str = "") -> None:
    record(db, what, "ruling", ruling.id, f"{ruling.label} {question} {variant}: {ruling.decision}", by_id=by.account_id,
           programme_id=by.programme_id, why=why, question_id=ruling.question_id)  # fmt: skip
