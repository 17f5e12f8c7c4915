"""A hall's timing file attached to its session, and what was hit in runs: a bent pin, and a spin that broke nothing. Invented."""

import random
from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from app import clock
from app.db import Db, transaction
from app.demo.scenes import Season
from app.incidents.commands import class_cause, report_incident
from app.incidents.rules import Report
from app.incidents.words import Cause, Damage, Effect, Happened
from app.sessions.models import Run
from app.sessions.queries import get_session
from app.timing.commands import attach_file, check_file
from app.timing.rules import Sent

TRANSPONDERS = ("4410237", "4410512", "4410896")
HALL_CLOCK_BEHIND, LAP_S, NOISE_S, LAPS = timedelta(minutes=3, seconds=12), 22.9, 0.12, 12


def bend_pin(db: Db, s: Season, run_id: int, piece_id: int) -> None:
    """The complaint of the hinge pin's question as it happened, in the last run of the day."""
    run = db.get_one(Run, run_id)
    assert run.ended_at is not None
    report = Report(
        Happened.FLAT, Effect.STOPPED, {piece_id: (Damage.BENT,)}, run_id=run_id, lap_number=11, struck="landing of the table jump",
        drop_height_m=0.9, tweak_before_mm=0.0, tweak_after_mm=0.4, words="Came down flat on the rear; the arm no longer falls freely.",
    )  # fmt: skip
    with transaction(db), clock.at(run.ended_at + timedelta(minutes=4)):
        found = report_incident(db, report, by=s.team.SK)
        class_cause(db, found.id, by=s.team.RT, version=1, cause=Cause.PART, reason="Bent at the thread; nothing else was touched.")


def attach_hall_file(db: Db, s: Season, session_id: int, runs: Sequence[Sequence[int]]) -> None:
    """The hall's table of one day as it comes, its clock 3 min 12 s behind; a lap that a spin spoiled stands in it.

    runs : run ids of each car, in their order
    """
    rng, zone = random.Random(7), ZoneInfo(get_session(db, s.team.id, session_id).time_zone)
    rows: list[tuple[datetime, str]] = []
    spun = runs[1][2]
    for transponder, of_car in zip(TRANSPONDERS, runs, strict=True):
        for run_id in of_car:
            passed = db.get_one(Run, run_id).started_at
            assert passed is not None
            for lap in range(1, LAPS + 1):
                seconds = round(LAP_S + rng.gauss(0, NOISE_S) + (6.4 if run_id == spun and lap == 5 else 0.0), 2)
                passed += timedelta(seconds=seconds)
                shown = (passed - HALL_CLOCK_BEHIND).astimezone(zone)
                cells = (transponder, str(lap), f"{shown:%H:%M:%S}.{shown.microsecond // 1000:03d}", f"{seconds:.2f}")
                rows.append((shown, ";".join(cells).replace(".", ",")))
    text = "Transponder;Lap;Clock;Lap time\n" + "\n".join(line for _, line in sorted(rows)) + "\n"
    cars = dict(zip(TRANSPONDERS, s.cars, strict=True))
    with transaction(db), clock.at(max(shown for shown, _ in rows) + timedelta(hours=2)):
        sent = Sent(text, {}, cars=cars, columns_right=True)
        match = check_file(db, session_id, by=s.team.SK, sent=sent).match
        assert match is not None
        attach_file(db, session_id, by=s.team.SK, sent=sent, shown=match.digest, file_name="hall-timing.txt")
    _spin(db, s, spun)


def _spin(db: Db, s: Season, run_id: int) -> None:
    run = db.get_one(Run, run_id)
    assert run.started_at is not None
    report = Report(Happened.DRIVER, Effect.NONE, run_id=run_id, lap_number=5, words="Spun on the dusty line, nothing touched.")
    with transaction(db), clock.at(run.started_at + timedelta(minutes=7)):
        report_incident(db, report, by=s.team.SK)
