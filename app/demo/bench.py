"""What was gauged in the demo: a bent anti-roll bar, a pin joint with paired limits that wears, a gauge study, fits. All invented."""

import random
from datetime import date, timedelta

from app import clock
from app.bench import commands, kept_commands
from app.bench.effects import answer
from app.bench.rules import GaugeFacts, Limits, Occasion
from app.bench.words import EffectKind, Kind, Taken
from app.db import Db, transaction
from app.demo import scenes
from app.gauging.study import Trial
from app.parts.queries import get_revision
from app.sessions.queries import list_sessions

SEED = 36
PLAYS, TORQUES = (0.031, 0.044, 0.058, 0.022, 0.036, 0.088), (6.4, 5.2, 4.1, 7.3, 6.0, 2.9)  # mm, N·mm: what is loose turns easily
WEAR = 0.016  # mm in one session day
FALLEN_FLAT, BENT = 0.03, 0.24  # corner gap of the bar, mm


def gauge_parts(db: Db, s: scenes.Season, today: date) -> None:
    """One bar was bent by its last day, so one driver's runs with it stop counting; the rest of the bench beside it."""
    gauges = _gauges(db, s, today)
    _bent_bar(db, s, today, gauges["feelers"])
    _pin_joint(db, s, today, gauges)
    _study(db, s, today, gauges["bench micrometer"])
    _worked_out(db, s, today)


def _part_of(db: Db, s: scenes.Season, revision_id: int) -> int:
    found = get_revision(db, s.team.id, revision_id).part_id
    db.rollback()
    return found


def _gauges(db: Db, s: scenes.Season, today: date) -> dict[str, int]:
    figures = {"bench micrometer": ("mm", 0.001, 0.002, 0.0, 25.0), "dial gauge": ("mm", 0.01, 0.005, 0.0, 10.0),
               "feelers": ("mm", 0.01, 0.005, None, None), "torque watch": ("N·mm", 0.1, 0.15, 0.0, 50.0)}  # fmt: skip
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=33), 9)):
        return {
            name: commands.add_gauge(db, by=s.team.SK, name=name, facts=GaugeFacts(
                unit, step, u, low, high, {"resolution": f"{step:g}", "standard_uncertainty": f"{u:g}"}, "own check against gauge blocks",
                today - timedelta(days=90))).id
            for name, (unit, step, u, low, high) in figures.items()
        }  # fmt: skip


def _read(db: Db, s: scenes.Season, of: int, gauge: int, piece: int, mean: float, at: tuple[date, int], *, rng: random.Random,
          step: float = 0.01, taken: Taken | None = None, session_id: int | None = None) -> None:  # fmt: skip
    """Five readings about the mean, in steps of the gauge."""
    values = [max(0.0, round(round((mean + rng.gauss(0, step / 2)) / step) * step, 4)) for _ in range(5)]
    with transaction(db), clock.at(scenes.moment(*at)):
        occasion = Occasion(temperature_degC=21.0, temperature_raw="21", taken=taken or "", session_id=session_id if taken else None)
        commands.note_readings(db, by=s.team.SK, piece_id=piece, characteristic_id=of, gauge_id=gauge,
                               readings=[(f"{value:g}", value) for value in values], occasion=occasion)  # fmt: skip


def _bent_bar(db: Db, s: scenes.Season, today: date, feelers: int) -> None:
    """Every bar lay flat before the first day and between the days; AQ's 1.4 mm bar did not after the second."""
    bar, rng = s.asked["bar"], random.Random(SEED)
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=33), 10)):
        of = commands.add_characteristic(db, _part_of(db, s, bar.revisions["b12"]), by=s.team.RT, kind=Kind.TWEAK, name="end gap",
                                         limits=Limits(None, 0.10, "", "0.10")).id  # fmt: skip
    for ago, hour in ((26, 15), (20, 15), (17, 9)):
        for line in ("b12", "b14"):
            for n, piece in enumerate(bar.pieces[line]):
                gap = BENT if (ago, line, n) == (17, "b14", 0) else FALLEN_FLAT
                _read(db, s, of, feelers, piece, gap, (today - timedelta(days=ago), hour), rng=rng)


def _pin_joint(db: Db, s: scenes.Season, today: date, gauges: dict[str, int]) -> None:
    """Play and breakaway torque pull against each other; play grows with the laps of a session day."""
    knuckle, rng = s.asked["knuckle"], random.Random(SEED)
    part_id, day = _part_of(db, s, knuckle.revisions["k0"]), today - timedelta(days=11)
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=13), 9)):
        play = commands.add_characteristic(db, part_id, by=s.team.RT, kind=Kind.PLAY, name="kingpin play",
                                           limits=Limits(None, 0.10, "", "0,10")).id  # fmt: skip
        turns = commands.add_characteristic(db, part_id, by=s.team.RT, kind=Kind.BREAKAWAY, name="kingpin breakaway torque",
                                            limits=Limits(None, 8.0, "", "8 mNm"), paired_with_id=play).id  # fmt: skip
    pieces = [*knuckle.pieces["k0"], *knuckle.pieces["k4"]]
    session_id = next(session.id for session in list_sessions(db, s.team.id) if session.on_date == day)
    db.rollback()
    for piece, mean, torque in zip(pieces, PLAYS, TORQUES, strict=True):
        _read(db, s, turns, gauges["torque watch"], piece, torque, (day, 7), step=0.1, rng=rng)
        for taken, worn, hour in ((Taken.BEFORE, 0.0, 7), (Taken.AFTER, WEAR / 2, 20)):
            _read(db, s, play, gauges["dial gauge"], piece, mean + worn, (day, hour), rng=rng, taken=taken, session_id=session_id)


def _study(db: Db, s: scenes.Season, today: date, micrometer: int) -> None:
    """Three people, five towers, three trials: can this micrometer see a limit of 0.05 mm?"""
    tower, rng = s.asked["tower"], random.Random(SEED)
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=32), 9)):
        of = commands.add_characteristic(db, _part_of(db, s, tower.revisions["t45"]), by=s.team.RT, kind=Kind.THICKNESS,
                                         name="thickness at the lower hole", limits=Limits(4.45, 4.55, "4,45", "4,55"),
                                         revision_id=tower.revisions["t45"]).id  # fmt: skip
    sizes, habits = (4.478, 4.491, 4.502, 4.516, 4.533), {"SK": 0.0, "RT": 0.001, "MS": -0.001}
    trials = [
        Trial(who, f"sample {n}", str(k), round(size + habit + rng.gauss(0, 0.0015), 3))
        for who, habit in habits.items() for n, size in enumerate(sizes, 1) for k in (1, 2, 3)
    ]  # fmt: skip
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=32), 11)):
        kept_commands.keep_study(db, by=s.team.SK, characteristic_id=of, gauge_id=micrometer,
                                 trials=[(trial, f"{trial.value:g}") for trial in trials], note="Offcuts of the same plate.")  # fmt: skip
    for n, piece in enumerate(tower.pieces["t45"]):
        _read(db, s, of, micrometer, piece, 4.495 + 0.006 * n, (today - timedelta(days=29), 10), step=0.001, rng=rng)


def _worked_out(db: Db, s: scenes.Season, today: date) -> None:
    bar, figures = s.asked["bar"], {"before": "1.2", "after": "1.4"}
    says = answer(EffectKind.ROLL_BAR, {name: float(value) for name, value in figures.items()})
    with transaction(db), clock.at(scenes.moment(today - timedelta(days=45), 9)):
        kept_commands.keep_fit(db, by=s.team.RT, name="Kingpin in knuckle", nominal_mm=4.0, hole="H7", shaft="g6", spread_mm=12.0)
        kept_commands.keep_chain(db, by=s.team.RT, name="Rear axle in its housing", lowest_mm=0.2, highest_mm=0.7, lines="\n".join((
            "housing;+;62.0;0.1;0.1", "bearing left;−;12.0;0;0.06", "spacer;−;37.6;0.05;0.05", "bearing right;−;12.0;0;0.06")))  # fmt: skip
        kept_commands.note_effect(db, by=s.team.RT, variant_id=bar.variants["b14"], kind=EffectKind.ROLL_BAR, inputs=figures, says=says,
                                  note="Sharper into the corner, if the rest follows.")  # fmt: skip
