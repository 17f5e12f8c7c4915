"""Laps typed or timed by hand for one run, and what a person says of laps that are here."""

from collections.abc import Mapping, Sequence

from sqlalchemy import insert

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, NotFound, Refused
from app.history.commands import record
from app.measurements.models import Batch, Kind, Lap, LapFlag
from app.measurements.queries import LapRow, list_laps, list_session_laps
from app.measurements.rules import DRIVEN
from app.parts.queries import lock_programme
from app.sessions.models import RunState
from app.sessions.queries import get_run, get_session
from app.timing.commands import refuse_hidden
from app.web.filters import plural


def file_laps(db: Db, run_id: int, *, by: Viewer, times_ms: Sequence[int], how: str = "typed", waited: bool = False) -> Batch:
    """A run's laps by hand, in their order, all of them at once.

    how : typed, or by stopwatch. waited : they were kept on a phone, so the run's start and end may still be on their way.
    """
    require(by, Action.TIME_LAPS)
    lock_programme(db, by.programme_id)
    run = get_run(db, by.programme_id, run_id)
    if run.state not in DRIVEN and not (waited and run.state in (RunState.PLANNED, RunState.NOT_DRIVEN)):
        raise Conflict(f"{run.label} is {run.state}, so it has no laps", "", "Start the run first.")
    if not times_ms:
        raise Refused("No lap was given", "", "Type one lap a line, such as 22.41.", field="laps")
    if here := list_laps(db, run_id):
        raise Conflict(f"{run.label} has {plural(len(here), 'lap')} already", "Nothing was added, what you typed is still here",
                       "Have the table withdrawn that they came in with, then file these again.")  # fmt: skip
    batch = Batch(programme_id=by.programme_id, kind=Kind.LAPS, rows=len(times_ms), added_by_id=by.account_id, added_at=clock.now())
    db.add(batch)
    db.flush()
    db.execute(insert(Lap), [{"batch_id": batch.id, "run_id": run_id, "number": number, "time_ms": time_ms, "clock_ms": None, "flag": ""}
                             for number, time_ms in enumerate(times_ms, start=1)])  # fmt: skip
    record(db, "filed laps by hand", "run", run_id, f"{run.session.label}/{run.label}", by_id=by.account_id,
           programme_id=by.programme_id, why=how, session_id=run.session_id, table=batch.id, rows=batch.rows)  # fmt: skip
    db.flush()
    return batch


def flag_laps(db: Db, session_id: int, *, by: Viewer, said: Mapping[int, tuple[int, str]]) -> None:
    """said : lap id -> (how often it had been said something of when this was shown, the word that leaves it out or "" to keep it).

    Each is an added row; the lap as it came in is never changed. Raises Conflict when somebody else spoke in between.
    """
    require(by, Action.ADD_MEASUREMENTS)
    lock_programme(db, by.programme_id)
    session = get_session(db, by.programme_id, session_id)
    refuse_hidden(db, by, session_id)
    if not said:
        raise Refused("No lap was chosen", "", "Tick at least one lap.", field="laps")
    laps = {lap.id: lap for lap in list_session_laps(db, session_id)}
    if set(said) - set(laps):
        raise NotFound("There is no such lap in this session", "Its table may have been withdrawn")
    for lap_id, (seen, _) in said.items():
        if laps[lap_id].version != seen:
            raise Conflict(f"Somebody has said something of lap {laps[lap_id].number} meanwhile: {_stands(laps[lap_id])}",
                           "Nothing was changed", "Look again, then say it if it is still needed.")  # fmt: skip
    now = clock.now()
    db.execute(insert(LapFlag), [{"lap_id": lap_id, "version": seen + 1, "flag": flag, "said_by_id": by.account_id, "said_at": now}
                                 for lap_id, (seen, flag) in said.items()])  # fmt: skip
    _record_flags(db, by, session.label, session_id, [(laps[lap_id], flag) for lap_id, (_, flag) in said.items()])


def _stands(lap: LapRow) -> str:
    return f"it is left out, {lap.flag}" if lap.flag else "it counts"


def _record_flags(db: Db, by: Viewer, session: str, session_id: int, said: Sequence[tuple[LapRow, str]]) -> None:
    """One line a run and word: from it the looks know what to look at again."""
    grouped: dict[tuple[int, str], list[int]] = {}
    for lap, flag in said:
        grouped.setdefault((lap.run_id, flag), []).append(lap.number)
    for (run_id, flag), numbers in grouped.items():
        what = "left laps out" if flag else "counted laps"
        run = get_run(db, by.programme_id, run_id)
        record(db, what, "run", run_id, f"{session}/{run.label}", by_id=by.account_id, programme_id=by.programme_id, why=flag,
               session_id=session_id, laps=sorted(numbers))  # fmt: skip
    db.flush()
