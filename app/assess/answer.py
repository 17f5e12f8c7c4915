"""One folder, or one prefix of its sessions, judged and arranged as one JSON object."""

from collections.abc import Iterator, Sequence
from typing import Any

from app.assess.folder import Folder, read_folder
from app.assess.keys import FILE
from app.assess.tables import FolderRefused
from app.evidence.refusals import EvidenceError
from app.evidence.results import Flag, PanelReading, Sheet
from app.evidence.storing import to_json

FLAG_KINDS = ("aliased", "late_only", "one_driver", "one_session", "inflated", "spoiled_laps", "thin", "order_unknown")
Answer = dict[str, Any]


def answers(name: str, *, after_each_session: bool = False, outlook: bool = False) -> Iterator[Answer]:
    """The objects of one folder in order: one, or one a session, or one with `error`. Never raises for bad input."""
    try:
        folder = read_folder(name)
        ends = range(1, len(folder.sessions) + 1) if after_each_session and folder.sessions else [len(folder.sessions)]
        for end in ends:
            yield judged(folder, folder.sessions[:end], outlook=outlook)
    except FolderRefused as wrong:
        yield refused(name, wrong)
    except Exception as fault:  # ours, not the folder's: said as such, so that the other folders still get their answer
        told = f"This program failed on the folder and owes an answer ({type(fault).__name__}: {str(fault)[:200]})."
        yield refused(name, FolderRefused("", None, None, told))


def refused(name: str, wrong: FolderRefused) -> Answer:
    error = {"file": wrong.file, "line": wrong.line, "column": wrong.column, "reason": wrong.reason}
    return {"folder": name, "error": error}


def judged(folder: Folder, sessions: Sequence[str], *, outlook: bool = False) -> Answer:
    """These sessions judged by themselves, without memory of an earlier look."""
    from app.evidence.story import roll_up  # loads numpy: not before there is something to judge

    evidence = folder.evidence(sessions)
    try:
        sheet = roll_up(evidence, ahead=outlook)
    except EvidenceError as wrong:
        raise FolderRefused(FILE, 1, wrong.field, wrong.reason) from wrong
    answer = _object(folder, sessions, sheet)
    if outlook:
        answer["outlook"] = to_json(sheet.outlook)
    return answer


def _object(folder: Folder, sessions: Sequence[str], sheet: Sheet) -> Answer:
    flags = _flags(folder, sessions, sheet)
    return {
        "folder": folder.name,
        "sessions": list(sessions),
        "method_version": sheet.method_version,
        "fingerprint": sheet.fingerprint,
        "control": sheet.control,
        "variants": list(sheet.variants),
        "verdicts": to_json(sheet.verdicts),
        "criteria": to_json(sheet.measures),
        "rule": to_json(sheet.criteria),
        "flags": [_flag(flag) for flag in flags if flag.kind in FLAG_KINDS],
        "warnings": [_flag(flag) for flag in flags if flag.kind not in FLAG_KINDS],
        "panel": [_panel(reading) for reading in sheet.panel.readings],
        "laps": to_json(sheet.lap_readings),
        "failures": to_json(sheet.failure_readings),
        "readings": to_json(sheet.gauge_readings),
        "conditions": to_json(sheet.condition_readings),
        "agreements": to_json(sheet.agreements),
        "disagreements": to_json(sheet.disagreements),
        "why_they_differ": list(sheet.why_they_differ),
        "strands": [{"name": s.name, "state": s.state, "sentence": s.sentence} for s in sheet.strands],
        "left_out": to_json(sheet.left_out),
        "not_used": folder.not_used(sessions),
        "order_unknown": any(flag.kind == "order_unknown" for flag in flags),
    }


def _flags(folder: Folder, sessions: Sequence[str], sheet: Sheet) -> list[Flag]:
    """The sheet's flags; a session without an order is flagged with the reason, even where no fit asked for it."""
    why = [Flag("order_unknown", None, sentence) for sentence in folder.order_unknown(sessions)]
    return [flag for flag in sheet.flags if flag.kind != "order_unknown" or not why] + why


def _flag(flag: Flag) -> Answer:
    return {"kind": flag.kind, "variant": flag.variant, "sentence": flag.sentence, "blocks": flag.blocks}


def _panel(reading: PanelReading) -> Answer:
    return {
        "variant": reading.variant,
        "attribute": reading.attribute,
        "reading": reading.reading,
        "sentence": reading.sentence,
        "condition": reading.condition,
        "votes_for": reading.votes_for,
        "votes_none": reading.votes_none,
        "votes_against": reading.votes_against,
        "median": reading.median,
        "low": reading.low,
        "high": reading.high,
        "worthwhile": reading.worthwhile,
        "drivers": to_json(reading.drivers),
        "classes": to_json(reading.classes),
        "missing": list(reading.missing),
        "not_counted": to_json(reading.not_counted),
        "limited": reading.limited,
    }
