"""Sheets under their fingerprints: looked up or computed, never invalidated by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from app import clock
from app.db import DatabaseFault, Db, is_writing, transaction
from app.decisions.models import Look, Summary

if TYPE_CHECKING:  # types only: evidence loads with the first sheet, not with the app
    from app.evidence.inputs import Evidence
    from app.evidence.results import Sheet


def read_sheet(stored: Any) -> Sheet:
    """A sheet from its stored form."""
    from app.evidence.storing import sheet_from_json

    return sheet_from_json(stored)


def write_sheet(sheet: Sheet) -> Any:
    """The inverse of `read_sheet`."""
    from app.evidence.storing import to_json

    return to_json(sheet)


def summary_for(db: Db, question_id: int, evidence: Evidence) -> Sheet:
    """The sheet of this evidence; computed only when its fingerprint is new."""
    return sheets_for(db, question_id, [evidence])[0]


def sheets_for(db: Db, question_id: int, wanted: Sequence[Evidence]) -> list[Sheet]:
    """The sheets of several sets of evidence of one question, looked up in one query."""
    fingerprints = [evidence.fingerprint() for evidence in wanted]
    rows = db.execute(select(Summary.fingerprint, Summary.sheet).where(Summary.fingerprint.in_(fingerprints))) if wanted else ()
    stored: dict[str, Any] = dict(iter(rows))
    return [
        read_sheet(stored[fingerprint]) if fingerprint in stored else compute(db, question_id, evidence)
        for fingerprint, evidence in zip(fingerprints, wanted, strict=True)
    ]


def compute(db: Db, question_id: int, evidence: Evidence | None) -> Sheet:
    """Compute a sheet and keep it for the next reader."""
    if evidence is None:
        raise ValueError("there is no evidence to compute a sheet from")
    from app.evidence.story import roll_up  # numpy loads with the first sheet, not with the app

    sheet = roll_up(evidence, ahead=True)
    _store(db, question_id, sheet)
    return sheet


def _store(db: Db, question_id: int, sheet: Sheet) -> None:
    """Keep it, in a session of its own unless this one is writing anyway.

    A database that can't be written costs the next reader the same work, no more.
    """
    row = Summary(fingerprint=sheet.fingerprint, question_id=question_id, method_version=sheet.method_version,
                  sheet=write_sheet(sheet), computed_at=clock.now())  # fmt: skip
    if is_writing(db):
        db.add(row)
        db.flush()
        return
    try:
        with Db(db.get_bind()) as own, transaction(own):
            own.add(row)
    except DatabaseFault:  # also: somebody else stored the same sheet a moment ago
        return


def find_sheet(db: Db, fingerprint: str) -> Sheet | None:
    stored = db.scalar(select(Summary.sheet).where(Summary.fingerprint == fingerprint))
    return read_sheet(stored) if stored is not None else None


def find_sheets(db: Db, fingerprints: Sequence[str]) -> Mapping[str, Sheet]:
    """Fingerprint -> stored sheet, for those that are stored."""
    if not fingerprints:
        return {}
    rows = db.execute(select(Summary.fingerprint, Summary.sheet).where(Summary.fingerprint.in_(fingerprints)))
    return {fingerprint: read_sheet(stored) for fingerprint, stored in rows}


def list_looks(db: Db, programme_id: int) -> Mapping[int, Look]:
    return {look.question_id: look for look in db.scalars(select(Look).where(Look.programme_id == programme_id))}


def latest_sheets(db: Db, programme_id: int) -> dict[int, Sheet]:
    """Question id -> the sheet of its last look."""
    rows = db.execute(
        select(Look.question_id, Summary.sheet).join(Summary, Summary.fingerprint == Look.fingerprint)
        .where(Look.programme_id == programme_id)
    )  # fmt: skip
    return {question_id: read_sheet(stored) for question_id, stored in rows}
