"""Pages about concerns: the list, and raising one from anywhere with its photo. One concern's own page is in `proving`."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.concerns import commands, forms, loop_queries, photo_commands, queries, rules
from app.concerns.commands import About
from app.concerns.models import Danger
from app.db import Db
from app.errors import NotFound, Refused
from app.parts import queries as parts
from app.photos.rules import Picture, read_picture
from app.web.forms import Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, RAISE = [allow(Action.SEE_PROGRAMME)], [allow(Action.RAISE_CONCERN)]
SHOWN = {"open": "open", "closed": "closed", "all": "all"}


@router.get("/concerns", dependencies=SEE)
def list_concerns(request: Request, db: DbHere, viewer: SignedIn, show: str = "open") -> Response:
    found = queries.list_concerns(db, viewer.programme_id, viewer=viewer)
    show = SHOWN.get(show, "open")
    rows = [row for row in found if show == "all" or row.stands == (show == "open")]
    return page(request, "concerns/list_concerns.html", rows=rows, show=show, total=len(found),
                open_count=sum(row.stands for row in found), blockers=[row for row in found if row.blocks],
                instructions=loop_queries.list_in_force(db, viewer.programme_id))  # fmt: skip


@router.get("/concerns/new", dependencies=RAISE)
def show_new_concern(
    request: Request,
    programme_id: Id,
    db: DbHere,
    viewer: SignedIn,
    question_id: str = "",
    run_id: str = "",
    revision_id: str = "",
    piece_id: str = "",
) -> Response:
    asked = {"question_id": question_id, "run_id": run_id, "revision_id": revision_id, "piece_id": piece_id}
    form = forms.RaiseForm().fill(**asked)
    response = _raise_page(request, db, viewer, form)
    for name, text in asked.items():
        if text and text not in {value for value, _ in form.fields[name].choices}:
            raise NotFound(f"There is no such {form.fields[name].label.lower()} in this programme", "",
                           "Open the page it is on and raise the concern from there.")  # fmt: skip
    return response


@router.post("/concerns", dependencies=RAISE)
def raise_concern(request: Request, db: DbHere, viewer: SignedIn,
                  form: Form = posted(forms.RaiseForm)) -> Response:  # fmt: skip
    _offer_links(db, viewer, form)
    picture = _picture(form) if form.ok else None
    if form.ok:
        v = form.values
        about = About(**{name: forms.number(v[name]) for name in forms.ABOUT})
        with form.attempt(db):
            concern_id = commands.raise_concern(
                db,
                by=viewer,
                words=v["words"],
                danger=Danger(v["danger"]),
                product_severity=int(v["product_severity"]),
                about=about,
                stops_freeze=v["stops_freeze"],
            ).id
            if picture is not None:
                photo_commands.add_photo(db, concern_id, picture, by=viewer, alt=v["alt"])
        if form.ok:
            return redirect(request, "show_concern", concern_id=concern_id, done="raised")
    return _raise_page(request, db, viewer, form, status=form.status)


def _picture(form: Form) -> Picture | None:
    """The photo that came along, made anew; a refusal is put at its field."""
    upload = form.values.get("photo")
    if upload is None:
        return None
    try:
        return read_picture(upload.file)
    except Refused as refused:
        form.refuse(refused)
        return None


def _offer_links(db: Db, viewer: Viewer, form: Form) -> None:
    """The questions, revisions, pieces and runs that a concern may name."""
    here = viewer.programme_id
    form.offer(
        question_id=[
            ("", "none"),
            *((str(q.id), f"{q.label} {q.title}") for q in queries.list_questions_to_name(db, here)),
        ],
        revision_id=[
            ("", "none"),
            *((str(r.id), f"{r.label} {r.alias}".strip()) for r in parts.list_revisions(db, here)),
        ],
        piece_id=[("", "none"), *((str(p.id), p.label) for p in parts.list_pieces(db, here))],
        run_id=[
            ("", "none"),
            *(
                (str(r.id), r.label)
                for r in queries.list_runs_to_name(db, here, run_id=forms.number(form.fields["run_id"].raw))
            ),
        ],
    )


def _raise_page(request: Request, db: Db, viewer: Viewer, form: Form, *, status: int = 200) -> Response:
    if not form.submitted:
        _offer_links(db, viewer, form)
    named = any(form.fields[name].raw or form.fields[name].error for name in forms.ABOUT)
    return page(
        request,
        "concerns/show_new_concern.html",
        status=status,
        form=form,
        named=named,
        safety=rules.SAFETY_LINES,
        about=forms.ABOUT,
    )
