"""A day driven under codes: planned, sealed, noted under the key, rated, guessed and opened on plan."""

import random
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

from app import clock
from app.blind import commands as blind
from app.blind.models import BlockKind
from app.blind.queries import load_block
from app.blind.rules import Fitted
from app.db import Db, transaction
from app.demo import scenes
from app.sessions import commands as sessions

Seat = tuple[str, Sequence[str], Mapping[int, Sequence[float]], Mapping[int, str]]  # driver, codes, marks by attribute, remarks


def drive_blind(db: Db, s: scenes.Season, key: str, session_id: int, seats: Sequence[Seat], *, day: date) -> None:
    """One car a seat, in parallel, twelve minutes a run; the conductor holds the key and every slip comes in."""
    asked, sk = s.asked[key], s.team.SK
    with transaction(db):
        runs = []
        with clock.at(scenes.moment(day, 9, 30)):
            for car, (initials, codes, _, _) in enumerate(seats):
                runs += [(sessions.add_run(db, session_id, by=sk, driver_id=s.team[initials].account_id, car_id=s.cars[car],
                                           planned_at=_start(day, turn)).id, car, turn) for turn in range(len(codes))]  # fmt: skip
        behind = {run_id: Fitted(asked.variants[seats[car][1][turn]]) for run_id, car, turn in runs}
        with clock.at(scenes.moment(day, 9, 45)):
            block = blind.seal_block(db, session_id, by=sk, question_id=asked.question_id, kind=BlockKind.RATED, fitted=behind).id
        for run_id, car, turn in runs:
            initials, codes, marks, remarks = seats[car]
            start, driver = _start(day, turn), s.team[initials]
            with clock.at(start - timedelta(minutes=2)):
                piece_ids = [asked.pieces[codes[turn]][car]]
                blind.note_build(db, block, run_id, by=sk, piece_ids=piece_ids, settings=scenes.BUILD, confirmed=True)
            with clock.at(start):
                sessions.start_run(db, run_id, by=driver)
            with clock.at(start + timedelta(minutes=5)):
                sessions.end_run(db, run_id, by=driver, laps=12)
            given = {attribute: values[turn] for attribute, values in marks.items()}
            scenes.rate_now(db, driver, run_id, given, start + timedelta(minutes=8), remarks.get(turn, ""))
        _guess(db, s, block, [initials for initials, *_ in seats], day)
        with clock.at(scenes.moment(day, 11, 45)):
            blind.open_block(db, block, by=sk)


def _start(day: date, turn: int) -> datetime:
    return scenes.moment(day, 10) + timedelta(minutes=12 * turn)


def _guess(db: Db, s: scenes.Season, block_id: int, drivers: Sequence[str], day: date) -> None:
    """Each names the variants in an order of their own: one right in three, as chance has it."""
    rng = random.Random(31)
    for initials in drivers:
        facts = load_block(db, s.team[initials], block_id)
        own = sorted({run.code for run in facts.own_runs(s.team[initials].account_id)})
        key = {run.code: run.variant_id for run in load_block(db, s.team.SK, block_id).runs}
        named = [key[code] for code in own]
        right = rng.randrange(len(named))
        others = [variant for place, variant in enumerate(named) if place != right][::-1]
        guesses = {code: named[right] if place == right else others.pop(0) for place, code in enumerate(own)}
        with clock.at(scenes.moment(day, 11, 30)):
            blind.file_guesses(db, block_id, by=s.team[initials], guesses={code: variant or 0 for code, variant in guesses.items()})
