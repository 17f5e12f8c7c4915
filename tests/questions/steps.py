"""A programme with one part, revisions and pieces, and the steps of asking; all of it invented."""

import re
from dataclasses import dataclass, field

from app.db import transaction
from app.parts import commands as parts
from app.parts.models import Process
from app.questions import commands
from app.questions.rules import DeclaredRule, GoalRule
from tests import make
from tests.fixture import scenes


@dataclass
class Desk:
    season: scenes.Season
    revisions: dict[str, int] = field(default_factory=dict)
    pieces: dict[str, list[int]] = field(default_factory=dict)

    @property
    def team(self):
        return self.season.team

    def path(self, rest=""):
        return f"/programmes/{self.team.id}{rest}"

    def rule(self, **more):
        goals = (GoalRule(self.season.attributes["Steering precision"]),)
        return DeclaredRule(**{"goals": goals, "worthwhile_hundredths": 50, **more})


def desk(db, *, lines=("t40", "t45", "t50")):
    season = scenes.season(db, make.programme(db))
    found = Desk(season)
    with transaction(db):
        part = parts.add_part(db, by=season.team.RT, number="P-101", code="FST", title="Front shock tower")
        for line in lines:
            revision = parts.issue_revision(db, part.id, by=season.team.RT, line=line)
            found.revisions[line] = revision.id
            made = parts.add_pieces(db, revision.id, by=season.team.RT, count=2, process=Process.MACHINED)
            found.pieces[line] = [piece.id for piece in made]
    return found


def draft(db, d, *, title="Tower thickness?"):
    with transaction(db):
        return commands.add_question(db, by=d.team.RT, title=title, asked_ground="handling").id


def variant(db, d, question_id, code, *, control=False, whole_car=False):
    revisions = [] if whole_car else [d.revisions[code]]
    with transaction(db):
        return commands.add_variant(
            db, question_id, by=d.team.RT, code=code, is_control=control, revision_ids=revisions, whole_car=whole_car
        ).id


def asked(db, d):
    """Draft, two variants, a rule, and asked; answers the question and its variants."""
    question_id = draft(db, d)
    variants = {code: variant(db, d, question_id, code, control=code == "t40") for code in ("t40", "t45")}
    with transaction(db):
        commands.declare_rule(db, question_id, by=d.team.RT, rule=d.rule())
        commands.ask_question(db, question_id, by=d.team.RT)
    return question_id, variants


def form_token(html, action):
    """The token of the form that posts to a path ending in `action`."""
    form = next(part for part in html.split("<form")[1:] if re.search(rf'action="[^"]*{re.escape(action)}"', part))
    return re.search(r'name="form_token" value="([^"]+)"', form).group(1)
