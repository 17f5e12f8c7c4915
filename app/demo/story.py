"""What happened in the demo's season. All marks, remarks and parts are invented."""

import random
from datetime import date, timedelta

from app import clock
from app.concerns import commands as concerns
from app.concerns.commands import About
from app.concerns.models import Danger
from app.db import Db, transaction
from app.decisions import commands as decisions
from app.decisions.models import Decision
from app.decisions.queries import current_look
from app.demo import bench, days, fit_grid, planned, scenes, trackside, troubles
from app.demo.blind_day import Seat, drive_blind
from app.demo.team import Team
from app.demo.topics import LANDING, OVERALL, PRECISION
from app.parts.rules import Facts
from app.questions.models import RuleKind
from app.questions.rules import DeclaredRule, FactRule, GoalRule, MustRule
from app.sessions import build_commands
from app.sessions import commands as sessions

CARPET = {"zone": "Europe/Berlin", "place": "Quarry", "surface": "carpet", "grip": "low", "air": 7.0}
TURF = {"zone": "Europe/Berlin", "place": "Tallowgate", "surface": "artificial turf", "grip": "high", "air": 19.0}
DRIVERS = ("AQ", "MS", "DH")
BLIND_SEED = 9


def tell(db: Db, team: Team) -> None:
    """Eleven closed sessions, one open today, one planned; rulings of every state, every kind of verdict, a concern at every step."""
    today = clock.now().date()
    s = scenes.season(db, team)
    _ask(db, s, today)
    _hinge_pins(db, s, today - timedelta(days=42), CARPET)
    pinned = _hinge_pins(db, s, today - timedelta(days=35), TURF)
    _towers(db, s, today - timedelta(days=28), seed=None)
    _arms(db, s, today - timedelta(days=27), TURF, {"AQ": 1.0, "MS": 1.0, "DH": 0.5})
    timed = _arms(db, s, today - timedelta(days=21), CARPET, {"AQ": 0.0, "MS": -0.5, "DH": -1.0})
    _towers(db, s, today - timedelta(days=14), seed=4)
    _towers(db, s, today - timedelta(days=7), seed=BLIND_SEED)
    _concerns(db, s)
    _rulings(db, s, today)
    _today(db, s, today)
    days.ask_topics(db, s, today - timedelta(days=50))
    days.drive_days(db, s, today, CARPET, TURF)
    planned.plan_ahead(db, s, today)
    troubles.have_troubles(db, s, today)
    fit_grid.make_grid(db, s, today)
    bench.gauge_parts(db, s, today)
    trackside.bend_pin(db, s, pinned[-1], s.asked["pin"].pieces["p25"][0])
    trackside.attach_hall_file(db, s, *timed)


def _ask(db: Db, s: scenes.Season, today: date) -> None:
    asked_on = today - timedelta(days=56)
    precision, landing = s.attributes[PRECISION], s.attributes[LANDING]
    scenes.ask(
        db, s, "tower", title="Tower thickness: 4.0, 4.5 or 5.0 mm?", part=("P-101", "FST", "Front shock tower"), goal=PRECISION,
        variants={"t40": ("4.0 mm", Facts(12.4, 9.5, 10)), "t45": ("4.5 mm", Facts(13.9, 10.2, 10)),
                  "t50": ("5.0 mm", Facts(15.5, 11.0, 12))},
        rule=DeclaredRule(goals=(GoalRule(precision),), musts=(MustRule(landing, 50),), worthwhile_hundredths=50),
        text="The 4.0 mm tower flexes on kerbs; drivers say the front answers late.", decide_by=today + timedelta(days=21), on=asked_on,
    )  # fmt: skip
    scenes.ask(
        db, s, "pin", title="Rear outer hinge pin: 2.5 or 3.0 mm?", part=("P-214", "RHP", "Rear outer hinge pin"), goal=PRECISION,
        ground="durability", variants={"p25": ("2.5 mm steel", Facts(2.9, 1.1, 5)), "p30": ("3.0 mm steel", Facts(4.0, 1.2, 5))},
        rule=DeclaredRule(kind=RuleKind.NO_WORSE, musts=(MustRule(precision, 50),),
                          fact=FactRule("bending strength", "N", "higher", {"p25": 410.0, "p30": 710.0})),
        text="Two 2.5 mm pins came home bent. Is the thicker one any worse to drive?", decide_by=today + timedelta(days=10), on=asked_on,
    )  # fmt: skip
    scenes.ask(
        db, s, "arm", title="Rear arm: nylon or carbon-filled?", part=("P-118", "RAM", "Rear arm"), goal=OVERALL,
        variants={"ny": ("nylon", Facts(9.8, 3.4, 21)), "cf": ("carbon-filled", Facts(9.1, 4.9, 28))},
        rule=DeclaredRule(goals=(GoalRule(s.attributes[OVERALL]),), worthwhile_hundredths=50,
                          conditions=("carpet, low grip", "artificial turf, high grip")),
        decide_by=today + timedelta(days=35), on=asked_on,
    )  # fmt: skip
    scenes.ask(
        db, s, "carrier", title="Rear hub carrier: 0 or 1 degree of toe?", part=("P-121", "RHC", "Rear hub carrier"), goal=OVERALL,
        variants={"c0": ("0°", Facts(6.2, 4.0, 21)), "c1": ("1°", Facts(6.2, 4.0, 21))},
        rule=DeclaredRule(goals=(GoalRule(s.attributes[OVERALL]),), worthwhile_hundredths=50), decide_by=today + timedelta(days=49),
        on=today - timedelta(days=5),
    )  # fmt: skip


def _half(value: float) -> float:
    return min(10.0, max(1.0, round(value * 2) / 2))


def _towers(db: Db, s: scenes.Season, day: date, *, seed: int | None) -> None:
    """Three cars in parallel, two brackets a driver; the first day is the acceptance fixture itself, the last under codes."""
    blind_seats: list[Seat] = []
    session_id = scenes.open_session(db, s, day, **CARPET)  # type: ignore[arg-type]
    fixture = {"AQ": ("t40 t45 t40 t50 t40", "6.0 7.0 6.0 7.5 6.5"), "MS": ("t40 t50 t40 t45 t40", "6.5 7.0 7.0 7.5 7.0"),
               "DH": ("t40 t45 t40 t50 t40", "5.5 6.5 6.0 4.5 6.0")}  # fmt: skip
    gain = {"t40": 0.0, "t45": 1.3, "t50": 0.2}
    felt = {"AQ": 0.4, "MS": 0.0, "DH": -1.2}
    rng = random.Random(seed)
    for car, (initials, (order, marks)) in enumerate(fixture.items(), start=1):
        if seed is not None:
            codes = order.split() if seed % 2 else ["t40", "t50" if order.split()[1] == "t45" else "t45", "t40", order.split()[1], "t40"]
            order = " ".join(codes)
            values = [_half(6.2 + days.OFFSET[initials] + gain[c] + (felt[initials] if c == "t50" else 0) + 0.08 * i + rng.gauss(0, 0.25))
                      for i, c in enumerate(codes)]  # fmt: skip
            marks = " ".join(str(v) for v in values)
        codes = order.split()
        landing = [_half(6.5 + days.OFFSET[initials] + rng.gauss(0, 0.3)) for _ in codes]
        remarks = {codes.index("t50"): "Nervous over the kerbs, rear steps out when I clip one."} if initials == "DH" else {}
        if seed == BLIND_SEED:
            given = {s.asked["tower"].goal_id: [float(mark) for mark in marks.split()], s.attributes[LANDING]: landing}
            blind_seats.append((initials, codes, given, remarks))
            continue
        scenes.drive(db, s, "tower", session_id, initials, car, order, marks, day=day, more={LANDING: landing}, remarks=remarks)
    if blind_seats:
        drive_blind(db, s, "tower", session_id, blind_seats, day=day)
    scenes.close_session(db, s, session_id, day)


def _hinge_pins(db: Db, s: scenes.Season, day: date, where: dict[str, object]) -> list[int]:
    """Answers the runs of car 1."""
    session_id = scenes.open_session(db, s, day, **where)  # type: ignore[arg-type]
    rng = random.Random(str(where["place"]))
    runs: list[list[int]] = []
    for car, initials in enumerate(DRIVERS, start=1):
        codes = ["p25", "p30", "p30", "p25", "p25", "p30", "p25"] if car % 2 else ["p25", "p30", "p25", "p30", "p30", "p25", "p25"]
        marks = [_half(6.4 + days.OFFSET[initials] + (0.2 if c == "p30" else 0.0) + rng.gauss(0, 0.25)) for c in codes]
        minutes = [12 * n for n in range(len(codes))]
        runs.append(scenes.drive(db, s, "pin", session_id, initials, car, " ".join(codes), marks, day=day, minutes=minutes))
    scenes.close_session(db, s, session_id, day)
    return runs[0]


def _arms(db: Db, s: scenes.Season, day: date, where: dict[str, object], gain: dict[str, float]) -> tuple[int, list[list[int]]]:
    """Answers the session and the runs of each car."""
    runs: list[list[int]] = []
    session_id = scenes.open_session(db, s, day, **where)  # type: ignore[arg-type]
    for car, initials in enumerate(DRIVERS, start=1):
        base = _half(6.0 + days.OFFSET[initials])
        marks = [base, _half(base + gain[initials]), base, _half(base + gain[initials]), base]
        runs.append(scenes.drive(db, s, "arm", session_id, initials, car, "ny cf ny cf ny", marks, day=day))
    scenes.close_session(db, s, session_id, day)
    return session_id, runs


def _concerns(db: Db, s: scenes.Season) -> None:
    with transaction(db):
        concerns.raise_concern(db, by=s.team.DH, words="2.5 mm pin bent again after a flat landing, arm no longer falls freely.",
                               danger=Danger.NEGLIGIBLE, product_severity=7,
                               about=About(question_id=s.asked["pin"].question_id))  # fmt: skip
        concerns.raise_concern(db, by=s.team.SK, words="Carrier bearing seat felt tight on two of four pieces.", danger=Danger.NEGLIGIBLE,
                               product_severity=4, about=About(question_id=s.asked["carrier"].question_id))  # fmt: skip


def _rulings(db: Db, s: scenes.Season, today: date) -> None:
    """The arm: a retest, standing; the tower's 5.0 mm: a provisional rejection."""
    _rule(db, s, "arm", "cf", today - timedelta(days=18), sign=True, decision=Decision.RETEST, scope="artificial turf, 19 °C",
          grounds="Better on warm turf, no better on cold carpet.", missing="one more cold carpet session with two brackets a driver",
          missing_by=today + timedelta(days=14))  # fmt: skip
    _rule(db, s, "tower", "t50", today - timedelta(days=6), sign=False, decision=Decision.REJECT, scope="low-grip carpet, 7 °C",
          grounds="One driver cannot drive it and nobody gains what he loses.", dissent="AQ would like it as a setting.")  # fmt: skip


def _rule(db: Db, s: scenes.Season, key: str, code: str, day: date, *, sign: bool, decision: str, **text: object) -> None:
    asked = s.asked[key]
    with transaction(db), clock.at(scenes.moment(day, 18)):
        _, sheet = current_look(db, s.team.id, asked.question_id)
        verdict = next(v for v in sheet.verdicts if v.variant == code)
        why = "" if verdict.verdict == decision else f"The verdict is {verdict.verdict}; the panel is of one mind and the freeze stands."
        ruling = decisions.file_ruling(
            db, asked.question_id, asked.variants[code], by=s.team.OW if sign else s.team.RT, shown=sheet.fingerprint, sign=sign,
            text=decisions.RulingText(decision=decision, against_verdict_why=why, **text),  # type: ignore[arg-type]
        )
        assert ruling.id


def _today(db: Db, s: scenes.Season, today: date) -> None:
    """An open session at Quarry: one bracket driven, one run not rated yet, more planned."""
    session_id = scenes.open_session(db, s, today, **CARPET)  # type: ignore[arg-type]
    asked = s.asked["carrier"]
    start = clock.now() - timedelta(minutes=70)
    hour, minute = start.hour, start.minute
    base = hour * 60 + minute
    scenes.drive(db, s, "carrier", session_id, "AQ", 1, "c0 c1", "6.0 6.5", day=start.date(), from_hour=0, minutes=[base, base + 12])
    scenes.drive(db, s, "carrier", session_id, "AQ", 1, "c0", "6.0", day=start.date(), from_hour=0, minutes=[base + 24], rated=False)
    scenes.drive(db, s, "carrier", session_id, "MS", 2, "c0", "6.5", day=start.date(), from_hour=0, minutes=[base + 6], rated=False)
    for initials, car, codes in (("MS", 2, ("c1", "c0")), ("DH", 3, ("c0", "c1", "c0"))):
        for index, code in enumerate(codes):
            with transaction(db):
                run = sessions.add_run(db, session_id, by=s.team.SK, driver_id=s.team[initials].account_id, car_id=s.cars[car - 1],
                                       planned_at=clock.now() + timedelta(minutes=12 * index + 4 * car))  # fmt: skip
                build_commands.record_build(db, run.id, by=s.team.SK, piece_ids=[asked.pieces[code][car - 1]], settings=scenes.BUILD)
