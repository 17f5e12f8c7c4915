"""What the database holds against what the phones sent: lost, doubled, altered, under another name, never sent."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import selectinload

from app.concerns.models import Concern
from app.db import Database, Db
from app.feedback.models import Slip, SlipVersion
from app.history.models import OutboxReceipt
from app.sessions.models import ConditionNote, Run, RunReport, Session
from tests.hall.steps import ms
from tests.kills.entries import Kept

FAULTS = ("lost", "doubled", "altered", "under another name", "never sent")
CLOCK_SLACK_MS = 2  # the moment is computed back from the time of receipt, both rounded to a millisecond
Key = tuple[str, Any]


@dataclass(frozen=True)
class Found:
    person: int
    content: Any


@dataclass
class Sums:
    """The five sums: each entry once in each, with a sentence; `kinds` counts what was acknowledged by its kind."""

    faults: dict[str, dict[str, str]] = field(default_factory=lambda: {name: {} for name in FAULTS})
    kinds: Counter[str] = field(default_factory=Counter)
    stored_unanswered: int = 0  # stored before the kill, its answer lost with the server, and sent again

    def counts(self) -> dict[str, int]:
        return {name: len(lines) for name, lines in self.faults.items()}

    def add(self, fault: str, entry: str, sentence: str) -> None:
        self.faults[fault].setdefault(entry, sentence)


def check(database: Database, programme_id: int, sent: Sequence[Kept]) -> Sums:
    """Every kind of row that the phones may write is read whole; what was sent and not acknowledged may be there or not."""
    with database.session() as db:
        stored: dict[Key, list[Found]] = defaultdict(list)
        for key, found in rows(db, programme_id):
            stored[key].append(found)
        sums = Sums()
        wanted = {(entry.kind, entry.key): entry for entry in sent} | {("receipt", entry.token): entry for entry in sent}
        for key, entry in wanted.items():
            _compare(sums, key, entry, stored.pop(key, []))
        for key, extra in stored.items():
            sums.add("never sent", str(key), f"{key}: {extra}")
        _check_runs(db, sums, sent)
        _count_unanswered(db, sums, sent)
    sums.kinds.update(entry.kind for entry in sent if entry.acked_at)
    return sums


def _compare(sums: Sums, key: Key, entry: Kept, found: Sequence[Found]) -> None:
    named = f"{key} of account {entry.person}"
    content = entry.content if key[0] != "receipt" else {"hash": entry.hash, "path": entry.path, "number": 0, "outcome": "filed"}
    if not found and entry.acked_at:
        sums.add("lost", entry.token, f"{named}: acknowledged with {entry.receipt}, not stored")
    if len(found) > 1:
        sums.add("doubled", entry.token, f"{named}: {len(found)} times")
    for one in found:
        if one.person != entry.person:
            sums.add("under another name", entry.token, f"{named}: under {one.person}")
        if not same(one.content, content):
            sums.add("altered", entry.token, f"{named}: sent {content}, stored {one.content}")


def same(stored: Any, sent: Any) -> bool:
    """Equal; moments ("at") within the rounding of their way."""
    if isinstance(stored, dict) and isinstance(sent, dict) and "at" in stored and "at" in sent:
        near = abs(stored["at"] - sent["at"]) <= CLOCK_SLACK_MS
        return near and {**stored, "at": 0} == {**sent, "at": 0}
    return bool(stored == sent)


def rows(db: Db, programme_id: int) -> Iterator[tuple[Key, Found]]:
    """Every row of a kind that a phone may write, with its key, its person and its content."""
    here = f"/programmes/{programme_id}/%"
    with_marks = selectinload(Slip.versions).selectinload(SlipVersion.marks)
    for slip in db.scalars(select(Slip).where(Slip.programme_id == programme_id).options(with_marks)):
        versions = [{"state": v.state, "marks": {m.attribute_id: m.mark_hundredths for m in v.marks}, "confidence": v.confidence,
                     "heard_others": v.heard_others, "remark": v.remark} for v in slip.versions]  # fmt: skip
        # a slip has two names, and both must be the writer's
        person = slip.rater_id if slip.rater_id == slip.filed_by_id else -1
        yield ("slip", slip.token), Found(person, {"run": slip.run_id, "at": ms(slip.captured_at), "versions": versions})
    for report in db.scalars(select(RunReport).where(RunReport.programme_id == programme_id)):
        content = {"at": ms(report.at), "taken": report.taken, "said": report.said}
        yield (report.what, report.run_id), Found(report.by_id, content)
    of_session = select(Session.id).where(Session.programme_id == programme_id)
    for note in db.scalars(select(ConditionNote).where(ConditionNote.session_id.in_(of_session))):
        yield ("conditions", note.noted.get("air_temp_degC")), Found(note.by_id, note.noted)
    for concern in db.scalars(select(Concern).where(Concern.programme_id == programme_id)):
        content = {"words": concern.words, "danger": concern.danger, "severity": concern.product_severity}
        yield ("concern", concern.words.split(":")[0]), Found(concern.raised_by_id, content)
    for row in db.scalars(select(OutboxReceipt).where(OutboxReceipt.path.like(here))):
        content = {"hash": row.hash, "path": row.path, "number": row.number, "outcome": row.outcome}
        yield ("receipt", row.token), Found(row.account_id, content)


def _check_runs(db: Db, sums: Sums, sent: Sequence[Kept]) -> None:
    """A run has what its driver's phone said of its end, not only the report beside it."""
    runs = {run.id: run for run in db.scalars(select(Run))}
    for entry in sent:
        if entry.kind == "end" and entry.acked_at:
            run, said = runs[entry.key], entry.content["said"]
            has = {"laps": run.laps_driven, **{name: getattr(run, name) for name in said if name != "laps"}}
            state = "short" if said["laps"] < 6 else "driven"
            if has != said or run.state != state:
                sums.add("altered", entry.token, f"run {entry.key}: sent {said} ({state}), holds {has} ({run.state})")


def _count_unanswered(db: Db, sums: Sums, sent: Sequence[Kept]) -> None:
    stored_at = {row.token: row.at.timestamp() for row in db.scalars(select(OutboxReceipt))}
    for entry in sent:
        if any(entry.token in stored_at and stored_at[entry.token] <= killed for killed in entry.killed_at):
            sums.stored_unanswered += 1
