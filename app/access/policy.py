"""THE TABLE: Action x hat -> rule. Three readers: the door of a route, the command, the template.

A hat that is not named for an action may not do it. Hats add up: one that allows is enough. Seeing is
different: whoever is due to rate in an open block sees it as a driver (`rules` of the block, applied in
`feedback.queries`), whatever other hats they wear.
"""

from typing import Any

from app.access.actions import Action
from app.access.rules import Rule, always, holds_key, is_own, is_own_driving, may_found, owns
from app.people.models import Hat

ANYONE, SIGNED_IN = "anyone", "signed in"
DRIVER, CONDUCTOR, GAUGE, DESIGNER, MANAGER = Hat.DRIVER, Hat.CONDUCTOR, Hat.GAUGE_HAND, Hat.DESIGNER, Hat.MANAGER

EVERY_HAT: dict[str, Rule] = dict.fromkeys(Hat, always)

POLICY: dict[Action, dict[str, Rule]] = {
    Action.OPEN_FRONT_DOOR: {ANYONE: always},
    Action.USE_ACCOUNT: {SIGNED_IN: always},
    Action.START_PROGRAMME: {SIGNED_IN: may_found},
    Action.SEE_PROGRAMME: EVERY_HAT,
    Action.SEE_OTHERS_SLIP: EVERY_HAT,
    Action.SEE_TRAIL: EVERY_HAT,
    Action.INVITE: {MANAGER: always},
    Action.DISABLE_ACCOUNT: {MANAGER: always},
    Action.EDIT_PROGRAMME: {MANAGER: always, DESIGNER: always},
    Action.EDIT_PARTS: {DESIGNER: always, MANAGER: always},
    Action.EDIT_PIECES: {DESIGNER: always, MANAGER: always, CONDUCTOR: always, GAUGE: always},
    Action.QUARANTINE_PIECE: EVERY_HAT,
    Action.ASK_QUESTION: {DESIGNER: always, MANAGER: always},
    Action.PLAN_SESSION: {DESIGNER: always, MANAGER: always, CONDUCTOR: always},
    Action.RUN_SESSION: {CONDUCTOR: always, DESIGNER: always, MANAGER: always},
    Action.OPEN_ALONE: {DRIVER: always},
    Action.DRIVE_RUN: {CONDUCTOR: always, DRIVER: is_own_driving},
    Action.RECORD_BUILD: {CONDUCTOR: always, DESIGNER: always, DRIVER: is_own_driving},
    Action.FILE_SLIP: EVERY_HAT,
    Action.FILE_FOR_ANOTHER: {CONDUCTOR: always, DESIGNER: always},
    Action.AMEND_SLIP: dict.fromkeys(Hat, is_own),
    Action.JUDGE_COUNTING: {CONDUCTOR: always},
    Action.SEAL_KEY: {CONDUCTOR: always},
    Action.SEE_KEY: {CONDUCTOR: holds_key},
    Action.OPEN_KEY: {CONDUCTOR: holds_key, MANAGER: always},
    Action.ADD_MEASUREMENTS: {CONDUCTOR: always, GAUGE: always, DESIGNER: always, MANAGER: always},
    Action.TIME_LAPS: EVERY_HAT,
    Action.FILE_PREFERENCE: EVERY_HAT,
    Action.RAISE_CONCERN: EVERY_HAT,
    Action.TRIAGE_CONCERN: {DESIGNER: always, MANAGER: always},
    Action.CONTAIN_CONCERN: {CONDUCTOR: always, GAUGE: always, DESIGNER: always, MANAGER: always},
    Action.GRANT_CONCESSION: {MANAGER: always},
    Action.REPORT_INCIDENT: EVERY_HAT,
    Action.CLASS_CAUSE: {DESIGNER: always, MANAGER: always},
    Action.PLAN_ABUSE: {CONDUCTOR: always, GAUGE: always, DESIGNER: always, MANAGER: always},
    Action.NOTE_READINGS: {CONDUCTOR: always, GAUGE: always, DESIGNER: always, MANAGER: always},
    Action.SET_LIMITS: {DESIGNER: always, MANAGER: always},
    Action.WORK_OUT: {DESIGNER: always, MANAGER: always, GAUGE: always},
    Action.EDIT_GRID: {DESIGNER: always, MANAGER: always},
    Action.FILE_FIT: EVERY_HAT,
    Action.RULE_CELLS: {DESIGNER: owns, MANAGER: always},
    Action.FILE_RULING: {DESIGNER: always, MANAGER: always},
    Action.SIGN_RULING: {MANAGER: always},
    Action.IMPORT_TABLE: {DESIGNER: always, MANAGER: always},
    Action.EXPORT_ALL: {MANAGER: always},
}


def refusal(viewer: Any, action: Action, subject: Any = None) -> str | None:
    """None when the viewer may, else why not. `viewer` is a Viewer, or None for nobody."""
    columns = POLICY[action]
    wearing = [ANYONE]
    if viewer is not None:
        wearing += [SIGNED_IN, *viewer.hats]
    reasons = [columns[hat](viewer, subject) for hat in wearing if hat in columns]
    if None in reasons:
        return None
    if reasons:
        return reasons[0]
    needed = ", ".join(sorted(str(hat) for hat in columns))
    return f"this needs the hat of: {needed}"


def may(viewer: Any, action: Action, subject: Any = None) -> bool:
    return refusal(viewer, action, subject) is None
