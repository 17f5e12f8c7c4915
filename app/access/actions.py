"""Everything that can be done or seen, by name. `policy.py` says who may; nothing else does."""

from enum import StrEnum


class Action(StrEnum):
    # without signing in
    OPEN_FRONT_DOOR = "open the front door"
    # any signed-in account
    USE_ACCOUNT = "use one's own account"
    START_PROGRAMME = "start a programme"
    # seeing, within a programme
    SEE_PROGRAMME = "see the programme"
    SEE_OTHERS_SLIP = "see another's slip"
    SEE_TRAIL = "see what happened"
    # people
    INVITE = "invite people and set hats"
    DISABLE_ACCOUNT = "disable an account"
    EDIT_PROGRAMME = "edit the programme"
    # parts
    EDIT_PARTS = "add and edit parts and revisions"
    EDIT_PIECES = "add and edit pieces"
    QUARANTINE_PIECE = "take a piece out of use"
    # questions
    ASK_QUESTION = "ask and edit questions"
    # sessions
    PLAN_SESSION = "plan a session"
    RUN_SESSION = "open, close and correct a session"
    OPEN_ALONE = "open a session as one's own conductor"
    DRIVE_RUN = "start and end a run"
    RECORD_BUILD = "record an as-run build"
    # slips
    FILE_SLIP = "file one's own slip"
    FILE_FOR_ANOTHER = "file for another"
    AMEND_SLIP = "amend or withdraw a slip"
    JUDGE_COUNTING = "say what counts"
    # blind blocks
    SEAL_KEY = "make a blind block"
    SEE_KEY = "see a sealed key"
    OPEN_KEY = "open a key"
    # measurements
    ADD_MEASUREMENTS = "add and withdraw laps and other tables"
    TIME_LAPS = "file laps by hand"
    FILE_PREFERENCE = "say which variant one would keep"
    # concerns
    RAISE_CONCERN = "raise a concern"
    TRIAGE_CONCERN = "triage and close a concern"
    CONTAIN_CONCERN = "contain a concern and say what was tried"
    GRANT_CONCESSION = "grant a concession"
    # incidents
    REPORT_INCIDENT = "report an incident"
    CLASS_CAUSE = "class the cause of an incident"
    PLAN_ABUSE = "plan abuse"
    # the bench
    NOTE_READINGS = "note gauge readings and studies"
    SET_LIMITS = "set limits of what is gauged"
    WORK_OUT = "keep fits, chains and expected effects"
    # fit grids
    EDIT_GRID = "make and edit a fit grid"
    FILE_FIT = "file what fits"
    RULE_CELLS = "exclude cells and carry results over"
    # decisions
    FILE_RULING = "file a provisional ruling"
    SIGN_RULING = "make a ruling standing"
    # tables
    IMPORT_TABLE = "import a ratings table"
    EXPORT_ALL = "export or import everything"
