"""Every write about incidents and planned abuse. What was first said never changes; a cause is classed in a new version."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.concerns.commands import About, raise_concern
from app.concerns.models import Danger
from app.db import Db
from app.errors import Conflict, NotAllowed, Refused
from app.history.commands import record
from app.incidents import queries, rules
from app.incidents.models import AbuseTest, AbuseTestPiece, Incident, IncidentCause, IncidentPhoto, IncidentPiece
from app.incidents.rules import BREAK, Report
from app.incidents.words import Cause, Effect, Happened
from app.parts import queries as parts
from app.parts.commands import quarantine_piece
from app.phone_clock import PhoneClock, captured
from app.photos.commands import keep_photo
from app.photos.rules import Picture
from app.sessions import queries as sessions
from app.sessions.models import Run, RunState

DRAFT_SEVERITY = 5  # not judged yet: triage says how bad it is
PACK_SEVERITY = 8


def report_incident(db: Db, report: Report, *, by: Viewer, picture: Picture | None = None, alt: str = "",
                    phone: PhoneClock | None = None) -> Incident:  # fmt: skip
    """File what happened, with its pieces; draft the concern and quarantine what is damaged, all in one transaction.

    The cause stands as unknown until `class_cause`. A damaged pack raises a concern for people and property by itself.
    """
    require(by, Action.REPORT_INCIDENT)
    rules.check_report(report)
    parts.lock_programme(db, by.programme_id)
    run = sessions.get_run(db, by.programme_id, report.run_id) if report.run_id is not None else None
    happened_at = _moment(report, run, phone)
    _check_pieces(db, by, report)
    incident = Incident(
        programme_id=by.programme_id, number=queries.next_number(db, Incident, by.programme_id), run_id=report.run_id,
        session_id=run.session_id if run else None, abuse_test_id=report.abuse_test_id, happened_at=happened_at,
        lap_number=report.lap_number, kind=report.kind, struck=report.struck, speed_mps=report.speed_mps,
        drop_height_m=report.drop_height_m, car_mass_g=report.car_mass_g, hits=report.hits,
        tweak_before_mm=report.tweak_before_mm, tweak_after_mm=report.tweak_after_mm, pack_damage=BREAK.join(report.pack_damage),
        effect=report.effect, words=report.words, reported_by_id=by.account_id, reported_at=clock.now(),
    )  # fmt: skip
    _draft_concerns(db, by, incident, report)
    db.add(incident)
    db.flush()
    db.add(IncidentCause(incident_id=incident.id, version=1, cause=Cause.UNKNOWN, by_id=by.account_id, at=clock.now()))
    _name_pieces(db, by, incident, report)
    where = f"{run.session.label}/{run.label}" if run else "on the bench"
    record(db, "reported", "incident", incident.id, f"{incident.label} {incident.kind}, {where}", by_id=by.account_id,
           programme_id=by.programme_id, session_id=incident.session_id, hits=report.hits, effect=str(report.effect))  # fmt: skip
    if picture is not None:
        _attach(db, by, incident, picture, alt)
    return incident


def _moment(report: Report, run: Run | None, phone: PhoneClock | None) -> datetime:
    """When it happened: as said, else when it was written down, but never after its run ended.

    Refuses a run that never started; what waited on a phone is taken, since the start may be waiting on another.
    """
    now = captured(phone, received=clock.now()).at if phone is not None else clock.now()
    not_yet = () if phone is not None else (RunState.PLANNED, RunState.NOT_DRIVEN)
    if run is not None and run.state in (RunState.VOID, *not_yet):
        raise Conflict(f"{run.label} is {run.state}", "Nothing can have happened on it",
                       "Choose the run it happened on, or report it from the bench.")  # fmt: skip
    if report.happened_at is None:
        return min(now, run.ended_at) if run is not None and run.ended_at is not None else now
    if report.happened_at > clock.now():
        raise Refused("That time has not come yet", "", "Check the date and the hour.", field="happened_at")
    return report.happened_at


def _check_pieces(db: Db, by: Viewer, report: Report) -> None:
    """Only pieces that were there: on the car, in the series, or (on the bench) of this programme."""
    if report.abuse_test_id is not None:
        test = queries.get_test(db, by.programme_id, report.abuse_test_id)
        known = {piece.id for piece in queries.pieces_of_test(db, test.id)}
        if report.kind != test.kind:
            raise Refused(f"{test.label} counts “{test.kind}”", "", "Report anything else by itself.", field="kind")
        done = sum(row.incident.hits for row in queries.list_incidents(db, by, abuse_test_id=test.id))
        if done + report.hits > test.hits_planned:
            raise Refused(f"{test.label} has {done} of {test.hits_planned} hits", f"{report.hits} more are too many",
                          "Enter what is left, or start another series.", field="hits")  # fmt: skip
    elif report.run_id is not None:
        known = {piece.id for piece in queries.pieces_on_car(db, report.run_id)}
    else:
        known = {parts.get_piece(db, by.programme_id, piece_id).id for piece_id in report.pieces}
        if not known:
            raise Refused("On the bench a piece is named", "Without a run nothing else says what was hit", "Choose the piece.")
    if strange := [piece for piece in report.pieces if piece not in known]:
        raise Conflict("What was on the car has been corrected meanwhile", f"{len(strange)} of the pieces named were not on it",
                       "Look at the pieces below and report it again.")  # fmt: skip


def _draft_concerns(db: Db, by: Viewer, incident: Incident, report: Report) -> None:
    """A concern for what is damaged, in the reporter's words; a damaged pack is one of its own, for people and property."""
    where = About(run_id=report.run_id)
    if report.pack_damage:
        words = _sentence(f"{incident.label} {', '.join(report.pack_damage)} after {report.kind}", report.words)
        incident.pack_concern_id = raise_concern(db, by=by, words=words, danger=Danger.CRITICAL, product_severity=PACK_SEVERITY,
                                                 about=where).id  # fmt: skip
    if report.damaged:
        incident.concern_id = _draft_of_damage(db, by, incident.label, report)


def _draft_of_damage(db: Db, by: Viewer, label: str, report: Report) -> int:
    found = []
    for piece_id, damage in report.damaged.items():
        piece = parts.get_piece(db, by.programme_id, piece_id)
        found.append(f"{piece.revision.label} {piece.mark} {', '.join(damage)}")
    words = _sentence(f"{label} {'; '.join(found)} after {report.kind}, {report.effect}", report.words)
    about = About(piece_id=next(iter(report.damaged)), run_id=report.run_id)
    return raise_concern(db, by=by, words=words, danger=Danger.NEGLIGIBLE, product_severity=DRAFT_SEVERITY, about=about).id


def _sentence(what: str, words: str) -> str:
    return f"{what}. {words}".strip()


def _name_pieces(db: Db, by: Viewer, incident: Incident, report: Report) -> None:
    for piece_id, damage in report.pieces.items():
        taken = report.quarantine and piece_id in report.damaged
        if taken:
            quarantine_piece(db, piece_id, by=by, why=f"{incident.label} {', '.join(damage)}", session_id=incident.session_id)
        db.add(IncidentPiece(incident_id=incident.id, piece_id=piece_id, damage=BREAK.join(damage), quarantined=taken))


def name_pieces(db: Db, incident_id: int, pieces: Mapping[int, tuple[str, ...]], *, by: Viewer, quarantine: bool = True) -> None:
    """Pieces of its run that were not named when it was reported: the build was not in the book yet, or under a sealed key.

    pieces : piece id -> damage words, none = it took it and is sound. Damage drafts a concern, as in a report.
    """
    require(by, Action.REPORT_INCIDENT)
    parts.lock_programme(db, by.programme_id)
    row = readable(db, by, incident_id)
    if not pieces:
        raise Refused("No piece is named", "Only named pieces are counted as hit", "Tick the pieces that took it.")
    unnamed = {piece.id for piece in queries.list_unnamed(db, row.incident)}
    if any(piece not in unnamed for piece in pieces):
        raise Conflict("What was on the car has been corrected meanwhile, or a piece is named already", "",
                       "Look at the pieces below and name them again.")  # fmt: skip
    report = Report(Happened(row.incident.kind), Effect(row.incident.effect), pieces, run_id=row.incident.run_id, words=row.incident.words,
                    quarantine=quarantine)  # fmt: skip
    rules.check_report(report)
    if report.damaged:
        _draft_of_damage(db, by, row.label, report)
    _name_pieces(db, by, row.incident, report)
    record(db, "named pieces", "incident", incident_id, row.label, by_id=by.account_id, programme_id=by.programme_id,
           session_id=row.incident.session_id, pieces=len(pieces))  # fmt: skip


def class_cause(db: Db, incident_id: int, *, by: Viewer, version: int, cause: Cause, reason: str) -> None:
    """What the inspection showed. The first description and every earlier class stay."""
    require(by, Action.CLASS_CAUSE)
    parts.lock_programme(db, by.programme_id)
    row = readable(db, by, incident_id)
    causes = queries.list_causes(db, by.programme_id, incident_id)
    last = causes[-1][0]
    if last.version != version:
        raise Conflict(f"The cause of {row.label} was classed as “{last.cause}” while this page was open", last.reason,
                       "Look at the reason, then class it again if it is still wrong.")  # fmt: skip
    rules.check_cause(cause, reason, last.cause)
    db.add(IncidentCause(incident_id=incident_id, version=version + 1, cause=cause, reason=reason, by_id=by.account_id, at=clock.now()))
    record(db, "classed the cause", "incident", incident_id, f"{row.label} {row.incident.kind}", by_id=by.account_id,
           programme_id=by.programme_id, why=reason, session_id=row.incident.session_id, before=last.cause, after=str(cause))  # fmt: skip


def readable(db: Db, by: Viewer, incident_id: int) -> queries.IncidentRow:
    """The incident, for somebody who may read it already."""
    row = queries.get_incident(db, by, incident_id)
    if row.withheld:
        raise NotAllowed(f"{row.label} is not open to you yet", "You are due to rate in its session",
                         "File your slips first; it opens when the session is closed.")  # fmt: skip
    return row


def add_photo(db: Db, incident_id: int, picture: Picture, *, by: Viewer, alt: str = "") -> None:
    """One more photo of it. The same picture again adds nothing."""
    require(by, Action.REPORT_INCIDENT)
    parts.lock_programme(db, by.programme_id)
    _attach(db, by, readable(db, by, incident_id).incident, picture, alt)


def _attach(db: Db, by: Viewer, incident: Incident, picture: Picture, alt: str) -> None:
    photo = keep_photo(db, picture, by=by)
    if queries.has_photo(db, incident.id, photo.id):
        return
    db.add(IncidentPhoto(incident_id=incident.id, photo_id=photo.id, alt=alt, added_by_id=by.account_id, added_at=clock.now()))
    record(db, "added a photo", "incident", incident.id, incident.label, by_id=by.account_id, programme_id=by.programme_id,
           session_id=incident.session_id)  # fmt: skip


def start_test(db: Db, *, by: Viewer, kind: Happened, piece_ids: Sequence[int], hits_planned: int, check_every: int,
               struck: str = "", tweak_limit_mm: float | None = None, speed_mps: float | None = None,
               drop_height_m: float | None = None) -> AbuseTest:  # fmt: skip
    """A series of planned abuse on named pieces: “20 board hits, tweak re-checked every 5”."""
    require(by, Action.PLAN_ABUSE)
    rules.check_test(kind, hits_planned, check_every, tweak_limit_mm, speed_mps, drop_height_m)
    if not piece_ids:
        raise Refused("Name at least one piece", "The hits are counted for it", field="piece_id")
    parts.lock_programme(db, by.programme_id)
    for piece_id in piece_ids:
        parts.get_piece(db, by.programme_id, piece_id)
    test = AbuseTest(programme_id=by.programme_id, number=queries.next_number(db, AbuseTest, by.programme_id), kind=kind, struck=struck,
                     hits_planned=hits_planned, check_every=check_every, tweak_limit_mm=tweak_limit_mm, speed_mps=speed_mps,
                     drop_height_m=drop_height_m, started_by_id=by.account_id, started_at=clock.now())  # fmt: skip
    db.add(test)
    db.flush()
    db.add_all(AbuseTestPiece(abuse_test_id=test.id, piece_id=piece_id) for piece_id in dict.fromkeys(piece_ids))
    record(db, "planned abuse", "abuse test", test.id, f"{test.label} {hits_planned} × {kind}", by_id=by.account_id,
           programme_id=by.programme_id)  # fmt: skip
    return test
