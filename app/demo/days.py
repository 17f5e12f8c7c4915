"""Full session days that answer several questions at once: base, one change, base, the next change, base.

Every test run has the same car before and after it, so a day of eleven runs a driver answers five questions. Who drives
what when is rotated over drivers. Marks come from the truths of `topics` with seeded noise.
"""

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from app import clock
from app.db import Db, transaction
from app.demo import scenes
from app.demo.topics import BUMPS, LANDING, LAP_TIME, OVERALL, PRECISION, TOPICS, Topic
from app.measurements import commands as measurements
from app.measurements.models import Kind
from app.questions import commands as questions
from app.questions.queries import get_question
from app.sessions import build_commands
from app.sessions import commands as sessions
from app.sessions.queries import get_session

RATED = (PRECISION, LANDING, BUMPS, OVERALL)
TOPIC = {topic.key: topic for topic in TOPICS}
NOISE, DRIFT = 0.22, 0.03  # marks, and marks a run
BASE_LAP_S, LAP_NOISE_S, LAPS, CYCLE_MIN = 22.4, 0.11, 12, 12
OFFSET = {"AQ": 0.0, "MS": 0.6, "DH": -0.4, "PL": 0.2}
CARPET_KEYS = ("hex", "wing", "bar", "insert", "diff")
TURF_KEYS = ("insert", "ackermann", "spring", "knuckle", "shaft")


@dataclass
class Seat:
    """One driver in one car for a day.

    changes : the topic tested at each test run;  carried : topics whose parts are on the car
    last : a topic that is only tried at the end of the day: the control, a pause for the change, then the rival twice
    """

    driver: str
    car: int
    changes: Sequence[str]
    carried: Sequence[str]
    from_minute: int = 0
    last: str = ""

    @property
    def plan(self) -> list[tuple[int, str, Sequence[str]]]:
        """(minute; topic whose rival is on the car, or ""; topics carried) of each run."""
        changed = ["", *(key for tested in self.changes for key in (tested, ""))]
        runs: list[tuple[int, str, Sequence[str]]] = [
            (self.from_minute + CYCLE_MIN * index, key, self.carried) for index, key in enumerate(changed)
        ]
        if self.last:
            after, everything = self.from_minute + CYCLE_MIN * len(runs), [*self.carried, self.last]
            runs += [(after, "", everything), (after + 30, self.last, everything), (after + 42, self.last, everything)]
        return runs


@dataclass
class Day:
    """One session with what was noted besides marks: (run label, driver, seconds of its laps)."""

    session_id: int
    label: str
    surface: str
    on: date
    laps: list[tuple[int, str, Sequence[float]]] = field(default_factory=list)


def ask_topics(db: Db, s: scenes.Season, asked_on: date) -> None:
    """Every topic asked, in their order, by the designer."""
    for topic in TOPICS:
        rule = topic.rule(s.attributes)
        if topic.of:
            _ask_of_same_part(db, s, topic, asked_on)
            continue
        scenes.ask(db, s, topic.key, title=topic.title, part=topic.part, variants=topic.variants, rule=rule, goal=topic.goal,
                   ground=topic.ground, text=topic.text, on=asked_on, decide_by=clock.now().date() + timedelta(days=30))  # fmt: skip


def _ask_of_same_part(db: Db, s: scenes.Season, topic: Topic, asked_on: date) -> None:
    """A second question that the same revisions answer: whatever was fitted, both changed."""
    rt, other = s.team.RT, s.asked[topic.of]
    with transaction(db), clock.at(scenes.moment(asked_on, 10)):
        question = questions.add_question(db, by=rt, title=topic.title, asked_ground=topic.ground, text=topic.text)
        ids = {code: questions.add_variant(db, question.id, by=rt, code=code, title=shown, is_control=index == 0,
                                           revision_ids=[other.revisions[code]]).id
               for index, (code, (shown, _)) in enumerate(topic.variants.items())}  # fmt: skip
        questions.declare_rule(db, question.id, by=rt, rule=topic.rule(s.attributes))
        questions.ask_question(db, question.id, by=rt)
    s.asked[topic.key] = scenes.Asked(question.id, s.attributes[topic.goal], ids, other.pieces, other.control, other.revisions)


def drive_days(db: Db, s: scenes.Season, today: date, carpet: Mapping[str, Any], turf: Mapping[str, Any]) -> None:
    """Two days on carpet, two on turf, with their tables of laps, preferences, use and readings."""
    rng = random.Random(20)
    days = [drive_day(db, s, today - timedelta(days=ago), carpet, _seats(CARPET_KEYS, turn, last="oil"), rng)
            for turn, ago in enumerate((25, 18))]  # fmt: skip
    for turn, ago in enumerate((11, 10)):
        seats = _seats(TURF_KEYS + (("cell",) if turn == 0 else ()), turn)
        seats.append(Seat("PL", 2, ("ackermann",), [*TURF_KEYS, "cell"], from_minute=170))
        days.append(drive_day(db, s, today - timedelta(days=ago), turf, seats, rng))
    _file_tables(db, s, days[:2])


def _seats(keys: Sequence[str], turn: int, *, last: str = "") -> list[Seat]:
    """Three cars in parallel, each driver beginning with another topic, and the second day the other way round."""
    seats = []
    for index, initials in enumerate(("AQ", "MS", "DH")):
        first = (2 * index + turn) % len(keys)
        order = [*keys[first:], *keys[:first]]
        seats.append(Seat(initials, index + 1, order[::-1] if turn else order, keys, last=last))
    return seats


def drive_day(db: Db, s: scenes.Season, day: date, where: Mapping[str, Any], seats: Sequence[Seat], rng: random.Random) -> Day:
    session_id = scenes.open_session(db, s, day, **where)
    made = Day(session_id, get_session(db, s.team.id, session_id).label, where["surface"], day)
    for seat in seats:
        with transaction(db):
            _drive_seat(db, s, made, seat, rng)
    scenes.close_session(db, s, session_id, day)
    return made


def _drive_seat(db: Db, s: scenes.Season, day: Day, seat: Seat, rng: random.Random) -> None:
    """Each run of the plan, rated three minutes after its end."""
    driver, sk = s.team[seat.driver], s.team.SK
    for index, (minute, changed, carried) in enumerate(seat.plan):
        pieces = [_piece(s, key, seat.car, rival=key == changed) for key in carried]
        start = scenes.moment(day.on, 9, 10) + timedelta(minutes=minute)
        with clock.at(start):
            run = sessions.add_run(db, day.session_id, by=sk, driver_id=driver.account_id, car_id=s.cars[seat.car - 1], planned_at=start)
            build_commands.record_build(db, run.id, by=sk, piece_ids=pieces, confirmed=True, settings=scenes.BUILD)
            sessions.start_run(db, run.id, by=driver)
        with clock.at(start + timedelta(minutes=5)):
            sessions.end_run(db, run.id, by=driver, laps=LAPS)
        marks = {s.attributes[name]: _mark(seat.driver, changed, name, day.surface, index, rng) for name in RATED}
        scenes.rate_now(db, driver, run.id, marks, start + timedelta(minutes=8))
        day.laps.append((run.number, changed, _lap_times(seat.driver, changed, day.surface, index, rng)))


def _piece(s: scenes.Season, key: str, car: int, *, rival: bool) -> int:
    return s.asked[key].pieces[TOPIC[key].rival if rival else s.asked[key].control][car - 1]


def _mark(driver: str, changed: str, attribute: str, surface: str, index: int, rng: random.Random) -> float:
    gain = TOPIC[changed].gain(attribute, driver, surface) if changed else 0.0
    felt = 5.8 + OFFSET[driver] + gain + DRIFT * index + rng.gauss(0, NOISE)
    return min(10.0, max(1.0, round(felt * 2) / 2))


def _lap_times(driver: str, changed: str, surface: str, index: int, rng: random.Random) -> list[float]:
    """Seconds; the grip comes up through the day, and now and then somebody hits a board."""
    gain = TOPIC[changed].gain(LAP_TIME, driver, surface) if changed else 0.0
    level = (BASE_LAP_S - 0.3 * OFFSET[driver] - 0.02 * index) * (1 - gain / 100)
    return [round(level + rng.gauss(0, LAP_NOISE_S) + (3.5 if rng.random() < 0.02 else 0.0), 2) for _ in range(LAPS)]


# --- tables
def _file_tables(db: Db, s: scenes.Season, days: Sequence[Day]) -> None:
    sk = s.team.SK
    for day in days:
        lines = [f"{day.label},R-{number:02d},{lap},{seconds:.2f},{'incident' if seconds > BASE_LAP_S + 2 else ''}"
                 for number, _, laps in day.laps for lap, seconds in enumerate(laps, start=1)]  # fmt: skip
        with transaction(db), clock.at(scenes.moment(day.on, 17)):
            _bring_in(db, sk, Kind.LAPS, "session,run,lap,lap_time_s,flag", lines)
            _bring_in(db, sk, Kind.PREFERENCES, "question,driver,session,first,second,preferred", [
                f"{_label(db, s, key)},{driver},{day.label},{s.asked[key].control},{TOPIC[key].rival},{kept}"
                for key, liked in (("hex", True), ("bar", True), ("wing", False)) for driver in ("AQ", "MS", "DH")
                for kept in [TOPIC[key].rival if liked else s.asked[key].control]
            ])  # fmt: skip
    with transaction(db), clock.at(scenes.moment(days[-1].on, 18)):
        hex_, diff, post = (_label(db, s, key) for key in ("hex", "diff", "post"))
        _bring_in(db, sk, Kind.EXPOSURES, "question,variant,laps,impacts,failures,note", [
            f"{hex_},x50,2600,31,1,a season of the works cars", f"{hex_},x57,2400,44,1,club cars with transponders",
            f"{diff},d0,1800,20,2,", f"{diff},d1,300,9,0,all there is", f"{post},q0,2100,40,1,",
            f"{post},q1,900,22,9,split along the layers",
        ])  # fmt: skip
        _bring_in(db, sk, Kind.READINGS, "part,revision,piece,characteristic,value,unit,lower,upper,uncertainty", [
            f"FWH,x57 r1,#{n},offset,{value},mm,5.70,5.80,0.02" for n, value in ((1, "5.75"), (2, "5.76"), (3, "5.79"))
        ])  # fmt: skip


def _bring_in(db: Db, by: Any, kind: Kind, header: str, lines: Sequence[str]) -> None:
    measurements.add_table(db, by=by, kind=kind, text="\n".join([header, *lines]), file_name=f"{kind}.csv")


def _label(db: Db, s: scenes.Season, key: str) -> str:
    return get_question(db, s.team.id, s.asked[key].question_id).label
