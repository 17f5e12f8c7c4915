"""A large programme, written row by row into the tables: the same size gives the same rows. All of it is invented.

Everything that commands would keep true is kept true: each driven run has its as-run build with the piece and the
variant that follows from it, each slip its version with a mark on every attribute of the slip, each step its happening.
"""

import random
from datetime import UTC, date, datetime, timedelta

from app import clock
from app.concerns.models import Concern, ConcernEvent, ConcernState, Danger
from app.db import Db, transaction
from app.decisions import commands as decisions
from app.decisions.commands import RulingText
from app.decisions.queries import current_look
from app.demo import scenes
from app.demo.team import Team
from app.feedback.models import Mark, Slip, SlipVersion
from app.feedback.rules import content_hash
from app.parts.rules import Facts
from app.programmes.models import Attribute
from app.programmes.queries import list_attributes
from app.questions.models import Question, RuleVersion
from app.questions.rules import DeclaredRule, GoalRule, MustRule
from app.sessions.models import AsRunBuild, BuildPiece, BuildVariant, Run, Session, SessionPerson
from tests import make
from tests.benchmarks.rows import Big, Rows, Size, catch_up_sequences, happened

DRIVERS = ("AQ", "MS", "DH", "PL")
CODES = ("c0", "a1", "b2")
ORDER = (0, 1, 0, 2)  # control, first rival, control, second rival, and so on
FELT = {"AQ": 0.0, "MS": 0.5, "DH": -0.5, "PL": 0.2}
HALLS = (("Quarry", "carpet", "low", 7.0), ("Tallowgate", "artificial turf", "high", 19.0))


def build(db: Db, size: Size) -> Big:
    team = make.programme(db)
    big = Big(team, scenes.season(db, team))
    with transaction(db):
        big.season.cars.append(_fourth_car(db, team))
    for number in range(size.questions):
        _ask(db, big, number)
    attributes = list(list_attributes(db, team.id, on_slip=True))[: max(size.marks // size.runs, 1)]
    with transaction(db):
        _sessions(db, big, size, attributes)
        _concerns(db, big, size)
        catch_up_sequences(db)
    _rulings(db, big, size)
    return big


def _fourth_car(db: Db, team: Team) -> int:
    from app.sessions.commands import add_car

    return add_car(db, by=team.SK, name="car 4").id


def _ask(db: Db, big: Big, number: int) -> None:
    precision, landing = (big.season.attributes[name] for name in ("Steering precision", "Jump and landing stability"))
    rule = DeclaredRule(goals=(GoalRule(precision),), musts=(MustRule(landing, 50),), worthwhile_hundredths=50)
    scenes.ask(
        db,
        big.season,
        f"question {number}",
        title=f"Which of three shapes for part {number + 1}?",
        rule=rule,
        goal="Steering precision",
        part=(f"P-{number + 1:03d}", f"X{number + 1:02d}", f"Part {number + 1}"),
        decide_by=date(2026, 3, 1) + timedelta(days=number),
        variants={
            code: (f"shape {code}", Facts(10.0 + position, 3.0 + position, 14)) for position, code in enumerate(CODES)
        },
    )


def _sessions(db: Db, big: Big, size: Size, attributes: list[Attribute]) -> None:
    """Each session has four seats; each seat runs one question's variants between controls."""
    rng = random.Random(7)
    sk, rows, per_session = big.team.SK.account_id, Rows(), size.runs // size.sessions
    for index in range(size.sessions):
        place, surface, grip, air = HALLS[index % 2]
        day = date(2026, 1, 5) + timedelta(days=7 * (index // 2) + index % 2)
        opened, last = scenes.moment(day, 9), index == size.sessions - 1
        session_id = rows.add(
            Session,
            programme_id=big.team.id,
            number=index + 1,
            place=place,
            time_zone="Europe/Berlin",
            on_date=day,
            surface=surface,
            grip=grip,
            air_temp_degC=air,
            state="open" if last else "closed",
            opened_at=opened,
            created_by_id=sk,
            created_at=opened,
            closed_at=None if last else scenes.moment(day, 17),
        )
        big.sessions.append(session_id)
        happened(rows, big, "opened", "session", session_id, f"S-{index + 1:02d} {place}", opened)
        for initials in DRIVERS:
            rows.add(SessionPerson, session_id=session_id, account_id=big.team[initials].account_id, duty="driver")
        for number in range(per_session):
            _run(rows, big, size, rng, index, number, opened, attributes)
    rows.write(db)
    db.execute(RuleVersion.__table__.update().values(locked_at=clock.now()))  # type: ignore[attr-defined]
    db.execute(Question.__table__.update().values(state="running"))  # type: ignore[attr-defined]


def _run(rows: Rows, big: Big, size: Size, rng: random.Random, index: int, number: int, opened: datetime,
         attributes: list[Attribute]) -> None:  # fmt: skip
    """One run with its build, its slip and its lines of the trail; in the open session the last ones are to come."""
    seat, turn = number % 4, number // 4
    initials, asked = DRIVERS[seat], big.asked((index * 4 + seat) % size.questions)
    code, driver = CODES[ORDER[turn % 4]], big.team[DRIVERS[seat]].account_id
    start = opened + timedelta(minutes=30 + 9 * turn + 2 * seat)
    session_id, sk, label = index + 1, big.team.SK.account_id, f"S-{index + 1:02d}/R-{number + 1:02d}"
    planned = index == size.sessions - 1 and number >= size.runs // size.sessions - 6
    done = {} if planned else {"started_at": start, "ended_at": start + timedelta(minutes=5), "laps_driven": 12}
    run_id = rows.add(
        Run,
        programme_id=big.team.id,
        session_id=session_id,
        number=number + 1,
        car_id=big.season.cars[seat],
        driver_id=driver,
        planned_at=start,
        state="planned" if planned else "driven",
        edition=1,
        **{"started_at": None, "ended_at": None, "laps_driven": None, **done},
    )
    big.runs.append(run_id)
    build_id = rows.add(
        AsRunBuild,
        programme_id=big.team.id,
        run_id=run_id,
        version=1,
        state="confirmed",
        settings=scenes.BUILD,
        made_by_id=sk,
        made_at=start,
        confirmed_by_id=sk,
        confirmed_at=start,
    )
    rows.add(BuildPiece, build_id=build_id, piece_id=asked.pieces[code][seat % 3])
    rows.add(
        BuildVariant, build_id=build_id, question_id=asked.question_id, variant_id=asked.variants[code], declared=False
    )
    for what in ("planned", "recorded build") if planned else ("planned", "recorded build", "started", "ended"):
        happened(rows, big, what, "run", run_id, label, start)
    if not planned:
        _slip(
            rows,
            big,
            run_id,
            build_id,
            initials,
            start + timedelta(minutes=8),
            _marks(rng, initials, code, attributes),
            session_id,
            label,
        )


def _marks(rng: random.Random, initials: str, code: str, attributes: list[Attribute]) -> dict[int, int]:
    gain = {"c0": 0.0, "a1": 0.9, "b2": 0.1}[code]
    found = {}
    for position, attribute in enumerate(attributes):
        middle = 0.5 if attribute.lowest_hundredths < 0 else 6.3 + FELT[initials] + (gain if position == 0 else 0)
        value = round((middle + rng.gauss(0, 0.4)) * 2) * 50
        found[attribute.id] = min(max(value, attribute.lowest_hundredths), attribute.highest_hundredths)
    return found


def _slip(
    rows: Rows,
    big: Big,
    run_id: int,
    build_id: int,
    initials: str,
    at: datetime,
    marks: dict[int, int],
    session_id: int,
    label: str,
) -> None:
    rater = big.team[initials].account_id
    remark = f"Front answers sooner, {label}." if run_id % 5 == 0 else ""
    slip_id = rows.add(
        Slip,
        programme_id=big.team.id,
        token=f"benchmark-{run_id:010d}",
        run_id=run_id,
        rater_id=rater,
        filed_by_id=rater,
        source="form",
        captured_at=at,
        received_at=at,
        version=1,
    )
    version_id = rows.add(
        SlipVersion,
        slip_id=slip_id,
        version=1,
        state="stands",
        run_id=run_id,
        build_id=build_id,
        made_by_id=rater,
        made_at=at,
        confidence="sure",
        heard_others=False,
        remark=remark,
        content_hash=content_hash(run_id, rater, marks, confidence="sure", heard_others=False, remark=remark),
    )
    for attribute_id, value in marks.items():
        rows.add(Mark, slip_version_id=version_id, attribute_id=attribute_id, mark_hundredths=value)
    happened(rows, big, "filed", "slip", slip_id, f"slip for {label}", at, by=rater, session_id=session_id)


def _concerns(db: Db, big: Big, size: Size) -> None:
    rows, at = Rows(), datetime(2026, 2, 1, 12, tzinfo=UTC)
    for number in range(1, size.concerns + 1):
        state = (ConcernState.CLOSED, ConcernState.RAISED, ConcernState.CLOSED)[number % 3]
        asked = big.asked(number % size.questions)
        rows.add(
            Concern,
            programme_id=big.team.id,
            number=number,
            words=f"Piece {number} felt loose after the third landing.",
            raised_by_id=big.team.DH.account_id,
            raised_at=at,
            danger=Danger.NEGLIGIBLE,
            product_severity=1 + number % 8,
            blocker=number % 40 == 1,
            state=state,
            owner_id=big.team.RT.account_id if number % 4 else None,
            question_id=asked.question_id,
            run_id=None,
            close_kind="did not recur" if state == ConcernState.CLOSED else "",
            edition=1,
        )
        for kind, detail in (
            ("raised", {"danger": "negligible", "product_severity": 4, "blocker": False}),
            ("remark", {}),
        ):
            rows.add(
                ConcernEvent,
                concern_id=number,
                kind=kind,
                text="Seen at the table.",
                by_id=big.team.RT.account_id,
                at=at,
                detail=detail,
            )
        happened(rows, big, "raised", "concern", number, f"C-{number:02d}", at)
    rows.write(db)


def _rulings(db: Db, big: Big, size: Size) -> None:
    """One rival of every third question is ruled on, every second time as standing."""
    for number in range(0, size.questions, 3):
        asked = big.asked(number)
        with transaction(db):
            _, sheet = current_look(db, big.team.id, asked.question_id)
            ruling = decisions.file_ruling(
                db,
                asked.question_id,
                asked.variants["a1"],
                by=big.team.OW,
                shown=sheet.fingerprint,
                sign=number % 2 == 0,
                text=RulingText(
                    "reject",
                    "The supplier can't make this shape.",
                    against_verdict_why="The supplier can't make this shape.",
                ),
            )
            big.rulings.append(ruling.id)
