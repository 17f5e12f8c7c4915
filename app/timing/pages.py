"""A hall's timing file: choose it, say what its columns are, whose transponders, look at the match, attach it."""

from collections.abc import Sequence

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.errors import Refused
from app.feedback.queries import hidden_sessions
from app.sessions.queries import get_session
from app.tables import TableRefused
from app.timing import commands, queries, rules
from app.timing.commands import Checked
from app.timing.forms import LapFileForm
from app.web.forms import Choice, Field, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
ADD = [allow(Action.ADD_MEASUREMENTS)]
SHOWN_ROWS, SHOWN_CELLS = 8, 3


@router.get("/sessions/{session_id}/lap-file", dependencies=ADD)
def show_lap_file(request: Request, session_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _file_page(request, db, viewer, session_id, LapFileForm())


@router.post("/sessions/{session_id}/lap-file/check", dependencies=ADD)
def check_lap_file(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                   form: LapFileForm = posted(LapFileForm)) -> Response:  # fmt: skip
    form.take_file()
    checked = _checked(db, viewer, session_id, form)
    return _file_page(request, db, viewer, session_id, form, checked, status=200 if form.ok else 422)


@router.post("/sessions/{session_id}/lap-file", dependencies=ADD)
def attach_lap_file(request: Request, session_id: Id, db: DbHere, viewer: SignedIn,
                    form: LapFileForm = posted(LapFileForm)) -> Response:  # fmt: skip
    form.take_file()
    if form.ok:
        with form.attempt(db):
            commands.attach_file(db, session_id, by=viewer, sent=form.timing_file(), shown=form.values["shown"] or "",
                                 file_name=form.values["file_name"] or "")  # fmt: skip
        if form.ok:
            return redirect(request, "show_session_laps", session_id=session_id, done="attached")
    status, message = form.status, form.message
    form.message = None
    checked = _checked(db, viewer, session_id, form)
    form.message = form.message or message
    return _file_page(request, db, viewer, session_id, form, checked, status=status)


def _checked(db: Db, viewer: Viewer, session_id: int, form: LapFileForm) -> Checked | None:
    """What is understood of the file; where something in it is refused, as far as the columns."""
    if not form.ok:
        return None
    sent = form.timing_file()
    try:
        found = commands.check_file(db, session_id, by=viewer, sent=sent)
        if found.errors:
            form.refuse(TableRefused(found.errors))
        return found
    except Refused as refused:
        form.refuse(refused)
    try:
        return commands.check_file(db, session_id, by=viewer, sent=commands.up_to_columns(sent))
    except Refused:
        return None


def _file_page(request: Request, db: Db, viewer: Viewer, session_id: int, form: LapFileForm, checked: Checked | None = None, *,
               status: int = 200) -> Response:  # fmt: skip
    session = get_session(db, viewer.programme_id, session_id)
    if checked is not None:
        _dress(form, checked)
    return page(
        request, "timing/show_lap_file.html", status=status, session=session, form=form, checked=checked, bad=form.bad,
        hidden=session_id in hidden_sessions(db, viewer), shown_rows=checked.raw.rows[:SHOWN_ROWS] if checked else (),
        roles=rules.ROLE_WORDS, said_shift=rules.said_shift, said_clock=rules.said_clock,
        files=queries.list_lap_files(db, session_id),
    )  # fmt: skip


def _dress(form: LapFileForm, checked: Checked) -> None:
    """Put what is seen, remembered or proposed into the fields, so that the next answer says it."""
    look = checked.raw.look
    form.fill(of=rules.digest_of(form.text), delimiter=look.delimiter, decimal=look.decimal, header="yes" if look.header else "no")
    for name in ("delimiter", "decimal", "header"):
        form.fields[name].required = True
    form.fields["columns"].raw = "yes" if checked.stage != "columns" else ""
    form.fields["shown"].raw = checked.match.digest if checked.match else ""
    for n, (name, role) in enumerate(zip(checked.raw.names, checked.roles, strict=True)):
        cells = [row.cells[n] for row in checked.raw.rows if row.cells[n]][:SHOWN_CELLS]
        _offer(form.fields[f"role_{n}"], f"“{name}”: {', '.join(cell[:24] for cell in cells) or 'empty'}", None, role.value)
    if checked.shift is not None:
        form.fields["shift"].raw = rules.said_shift(checked.shift.shift_ms).removesuffix(" s")
    if checked.cars is not None and checked.laps is not None:
        _dress_cars(form, checked)


def _dress_cars(form: LapFileForm, checked: Checked) -> None:
    driven = {run.car_id for run in checked.spans}
    ordered = sorted(checked.car_names.items(), key=lambda item: (item[0] not in driven, item[1]))
    for n, (who, car) in enumerate((checked.cars or {}).items()):
        laps = (checked.laps or {})[who]
        choices = [("", "choose"), *((f"{i}:{who}", name) for i, name in ordered), (f"0:{who}", "no car of ours")]
        _offer(form.fields[f"car_{n}"], f"{who or 'The whole file'}: {len(laps)} laps", choices, "" if car is None else f"{car}:{who}")
    runs: list[Choice] = [("0", "no run"), *((str(run.id), f"{run.label} {run.driver}") for run in checked.spans if not run.laps_here)]
    for n, (stint, run_id) in enumerate(zip(checked.stints or [], checked.placed or [], strict=False)):
        if f"run_{n}" in form.fields:
            who, laps = stint
            label = f"{who or 'The whole file'}, {len(laps)} laps from {rules.said_time(laps[0].time_ms)} s (line {laps[0].line})"
            _offer(form.fields[f"run_{n}"], label, runs, str(run_id or 0))


def _offer(item: Field, label: str, choices: Sequence[Choice] | None, raw: str) -> None:
    item.label, item.raw, item.error, item.required = label, raw, None, True
    if choices is not None:
        item.choices = choices
