"""What the demo's team has planned: kit, change-over minutes, the freeze, hall time on offer, and next week's session. Invented."""

from datetime import date, datetime, time, timedelta

from app import clock
from app.db import Db, transaction
from app.demo import scenes
from app.parts.queries import list_parts
from app.planning import commands, kit_commands, words
from app.planning.check import check_plan
from app.planning.day_queries import Rows
from app.planning.search import plan_day
from app.sessions import commands as sessions

CHANGE_MIN = {"FST": (8.0, 1), "RHP": (12.0, 1), "RAM": (6.0, 2), "RHC": (10.0, 2)}
DRIVERS, QUESTIONS, CARS = ("AQ", "MS", "DH"), 3, 3


def plan_ahead(db: Db, s: scenes.Season, today: date) -> None:
    """A freeze in four months, two blocks on offer, and a session in nine days whose plan was taken."""
    _kit(db, s, today)
    with transaction(db):
        day = today + timedelta(days=9)
        session = sessions.plan_session(
            db, by=s.team.RT, place="Quarry", time_zone="Europe/Berlin", on_date=day, surface="carpet", grip="low",
            drivers=[s.team[i].account_id for i in DRIVERS], conductors=[s.team.SK.account_id],
        )  # fmt: skip
        session_id = session.id
        sheet = commands.save_sheet(
            db, session_id, by=s.team.RT, edition=0, starts_at=clock.venue_to_utc(datetime.combine(day, time(8)), "Europe/Berlin"),
            booked_min=240.0, set_up_min=45.0, warm_up_min=20.0, breaks_min=15.0, tear_down_min=10.0, run_min=5.0, turnround_min=7.0,
            brackets=1, cars=s.cars[:CARS], drivers=[s.team[i].account_id for i in DRIVERS], limits="DH: rest 10", blind=[], fit_only=[],
            questions=[asked.question_id for asked in s.asked.values()][:QUESTIONS],
        )  # fmt: skip
        made = Rows(db, s.team.RT).made(sheet)
        plan = plan_day(made.day, seed=sheet.seed)
        told = words.told_of(made.day, plan, check_plan(made.day, plan.lines, made.driven), [*made.left_out, *plan.left_out])
        commands.accept_plan(db, session_id, commands.Accepted(plan, made, sheet.starts_at, told), by=s.team.RT)


def _kit(db: Db, s: scenes.Season, today: date) -> None:
    with transaction(db):
        for n in range(1, 7):
            kit_commands.add_kit(db, by=s.team.SK, kind="tyre set", name=f"carpet {n}", most_runs=14, charging_min=None)
            kit_commands.add_kit(db, by=s.team.SK, kind="pack", name=f"P-{n:02d}", most_runs=None, charging_min=50.0)
        parts = {part.code: part.id for part in list_parts(db, s.team.id)}
        for code, (minutes, rounds) in CHANGE_MIN.items():
            kit_commands.set_part_figures(db, parts[code], by=s.team.RT, change_min=minutes, corrections=rounds, correction_days=14)
        kit_commands.save_season(db, by=s.team.OW, freeze_on=today + timedelta(days=120), edition=0)
        for place, days, price in (("Tallowgate", 23, 480.0), ("Quarry", 30, 360.0)):
            kit_commands.add_offer(db, by=s.team.OW, place=place, on_date=today + timedelta(days=days), running_min=150.0, price=price)
