"""Tables of measurements to bring in, and the evidence they become. All figures are invented."""

from app.db import transaction
from app.decisions import loading
from app.measurements import commands
from app.measurements.models import Kind

LAPS = """session,run,driver,lap,clock_s,lap_time_s,flag
S-01,R-01,AQ,1,0,22.410,
S-01,R-01,AQ,2,22.41,22.180,
S-01,R-01,AQ,3,44.59,25.920,clipped a board
S-01,R-02,AQ,1,720,22.100,
S-01,R-02,AQ,2,742.1,22.020,
"""
PREFERENCES = """question,driver,session,preferred,first,second
Q-01,AQ,S-01,t45,t40,t45
Q-01,MS,S-01,none,t40,t50
"""
EXPOSURES = """part,revision,laps,minutes,failures,impacts,session,note
FST,t40 r1,1200,480.5,2,40,S-01,board hits
FST,t45 r1,900,,0,0,,
"""
READINGS = """part,revision,piece,characteristic,value,unit,lower,upper,uncertainty
FST,t45 r1,#1,radial play,0.074,mm,,0.10,0.023
FST,t40 r1,,mass,12.4,g,12,13,
"""


def add(db, w, kind, text, *, by="SK", flags="", name=""):
    with transaction(db):
        return commands.add_table(db, by=w.team[by], kind=kind, text=text, flags=flags, file_name=name).id


def add_all(db, w):
    return [add(db, w, kind, text) for kind, text in
            ((Kind.LAPS, LAPS), (Kind.PREFERENCES, PREFERENCES), (Kind.EXPOSURES, EXPOSURES), (Kind.READINGS, READINGS))]  # fmt: skip


def check(db, w, kind, text, *, flags=""):
    found = commands.check_table(db, by=w.team.SK, kind=kind, text=text, flags=flags)
    db.rollback()
    return found


def said(plan):
    """What is wrong: (line, column, reason)."""
    return [(error.line, error.column, error.reason) for error in plan.errors.lines]


def loaded(db, w, *, hidden=()):
    questions = loading.load_questions(db, w.team.id, [w.question_id])
    found = loading.load_evidence(db, w.team.id, questions, hidden=hidden)[w.question_id]
    db.rollback()
    return found


def look(db, w):
    found = loaded(db, w)
    assert found.refused == ""
    return found.look
