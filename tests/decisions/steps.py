"""Steps that the tests of this folder share: read a sheet, rule on it, fill the ruling's form."""

import re
from datetime import UTC, date, datetime

from app import clock
from app.db import transaction
from app.decisions import commands, queries
from app.decisions.commands import RulingText
from app.parts.rules import Facts
from app.questions.rules import DeclaredRule, GoalRule
from tests import fixture
from tests.fixture import scenes

SECOND_DAY = date(2026, 2, 17)
OVERALL = "Overall for a 5-minute final"
COLD, WARM = "carpet, low grip", "artificial turf, high grip"
AGAINST = "All three drivers gain and the tool for the tower is waiting."


def sheet(db, w, viewer=None):
    return queries.open_sheet(db, viewer or w.team.RT, w.question_id).sheet


def reading(db, w, variant):
    return next(r for r in sheet(db, w).panel.readings if r.variant == variant)


def verdict(db, w, variant):
    return next(v for v in sheet(db, w).verdicts if v.variant == variant)


def effects(found):
    return {d.driver: round(d.effect, 2) for d in found.drivers}


def votes(found):
    return (found.votes_for, found.votes_none, found.votes_against)


def text(decision="adopt", **more):
    given = {"grounds": "Three of three drivers are better.", "against_verdict_why": AGAINST} | more
    return RulingText(decision=decision, **given)


def rule_on(db, w, variant, by, *, sign=False, on=None, shown=None, **said):
    """File a ruling on what the sheet shows now; answers its id."""
    shown = shown or sheet(db, w).fingerprint
    with clock.at(on or datetime(2026, 2, 15, 12, tzinfo=UTC)), transaction(db):
        return commands.file_ruling(
            db, w.question_id, w.q.variants[variant], by=by, shown=shown, sign=sign, text=text(**said)
        ).id


def sign(db, w, ruling_id, by):
    shown = sheet(db, w).fingerprint
    with transaction(db):
        commands.sign_ruling(db, ruling_id, by=by, shown=shown)


def ruling_path(w, variant):
    return w.path(f"/questions/{w.question_id}/variants/{w.q.variants[variant]}/rule")


def shown_on(html):
    return re.search(r'name="shown" value="([0-9a-f]{64})"', html).group(1)


def token_on(html):
    """The form tokens of a page, in order."""
    return re.findall(r'name="form_token" value="([^"]+)"', html)


def again(db, w, initials, car, marks, *, order="t40 t45 t40", day=SECOND_DAY):
    """One more session of the same class with a single driver's bracket, closed."""
    session_id = fixture.session(db, w, day=day)
    w.drive(db, session_id, initials, car, order, marks, day=day)
    fixture.close(db, w, session_id, day)
    return session_id


def arms(db):
    """Scenario 8: nylon or carbon-filled arms, better on warm turf and worse on cold carpet."""
    w = fixture.world(db)
    rule = DeclaredRule(
        goals=(GoalRule(w.season.attributes[OVERALL]),), worthwhile_hundredths=50, conditions=(COLD, WARM)
    )
    scenes.ask(
        db,
        w.season,
        "arm",
        title="Rear arm: nylon or carbon-filled?",
        part=("P-118", "RAM", "Rear arm"),
        rule=rule,
        goal=OVERALL,
        variants={"ny": ("nylon", Facts(9.8)), "cf": ("carbon-filled", Facts(9.1))},
    )
    w.season.asked["tower"] = w.season.asked["arm"]  # `w.q` and `w.drive` now mean this question
    for place, surface, grip, air, day, marks in (
        ("Tallowgate", "artificial turf", "high", 19.0, date(2026, 2, 4), ("6 7 6", "6 7 6", "6 6.5 6")),
        ("Quarry", "carpet", "low", 7.0, date(2026, 2, 10), ("6 6 6", "6 5.5 6", "6 5 6")),
    ):
        session_id = fixture.session(db, w, place=place, surface=surface, grip=grip, air=air, day=day)
        for car, (initials, given) in enumerate(zip(("AQ", "MS", "DH"), marks, strict=True), start=1):
            w.drive(db, session_id, initials, car, "ny cf ny", given, day=day)
        fixture.close(db, w, session_id, day)
    return w
