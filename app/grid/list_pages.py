"""Build lists: propose the fewest trial builds, print them or tick them on a phone, file what each did."""

from fastapi import Request
from fastapi.responses import Response

from app.access.actions import Action
from app.access.guard import DbHere, Id, SignedIn, allow
from app.access.viewer import Viewer
from app.db import Db
from app.grid import commands, forms, list_queries, rule_commands, rules
from app.grid.pages import grid_page, load, picture_of
from app.grid.proposing import propose_builds
from app.grid.rules import GridFacts, Result
from app.grid.words import How
from app.web.forms import ButtonForm, Form, posted
from app.web.page import page, redirect
from app.web.routes import Router

router = Router(prefix="/programmes/{programme_id}")
SEE, FILE = [allow(Action.SEE_PROGRAMME)], [allow(Action.FILE_FIT)]


@router.post("/grids/{grid_id}/lists", dependencies=FILE)
def make_build_list(request: Request, grid_id: Id, db: DbHere, viewer: SignedIn,
                    form: ButtonForm = posted(ButtonForm)) -> Response:  # fmt: skip
    proposed = propose_builds(load(db, viewer, grid_id))  # a second of work for a large grid: before the write begins
    with form.attempt(db):
        list_id = rule_commands.make_list(db, grid_id, by=viewer, proposed=proposed).id
    if form.ok:
        return redirect(request, "show_build_list", grid_id=grid_id, build_list_id=list_id, done="saved")
    return grid_page(request, db, viewer, grid_id, form)


@router.get("/grids/{grid_id}/lists/{build_list_id}", dependencies=SEE)
def show_build_list(request: Request, grid_id: Id, build_list_id: Id, db: DbHere, viewer: SignedIn) -> Response:
    return _list_page(request, db, viewer, grid_id, build_list_id)


@router.post("/grids/{grid_id}/builds/{trial_build_id}/fit", dependencies=FILE)
def file_build(request: Request, grid_id: Id, trial_build_id: Id, db: DbHere, viewer: SignedIn,
               form: forms.BuildFitForm = posted(forms.BuildFitForm)) -> Response:  # fmt: skip
    build = list_queries.get_build(db, viewer.programme_id, grid_id, trial_build_id)
    list_id, cell, number = build.build_list_id, build.cell, build.number
    picture = picture_of(form) if form.ok else None
    if form.ok:
        v = form.values
        with form.attempt(db):
            commands.file_fits(db, grid_id, by=viewer, cells=[cell], result=v["result"], how=How.BY_HAND, shim=v["shim"], note=v["note"],
                               on=form.tried_on(), build_id=trial_build_id, picture=picture, alt=v["alt"],
                               phone=form.phone if form.sent else None)  # fmt: skip
        if form.ok:
            return redirect(request, "show_build_list", grid_id=grid_id, build_list_id=list_id, done="saved", fragment=f"build-{number}")
    return _list_page(request, db, viewer, grid_id, list_id, form=form, form_for=trial_build_id)


def _list_page(request: Request, db: Db, viewer: Viewer, grid_id: int, list_id: int, *, form: Form | None = None,
               form_for: int = 0) -> Response:  # fmt: skip
    facts = load(db, viewer, grid_id)
    made = list_queries.get_build_list(db, viewer.programme_id, grid_id, list_id)
    builds = [(build, facts.cell_of(build.cell)) for build in list_queries.list_builds(db, list_id)]
    done = _done(facts)
    return page(
        request, "grid/show_build_list.html", status=form.status if form else 200, facts=facts, made=made, caution=rules.CAUTION,
        builds=[(build, cell) for build, cell in builds if cell is not None], done=done, fresh=forms.BuildFitForm(), form=form,
        form_for=form_for, tried=sum(build.id in done for build, _ in builds),
        on={build.id: _revisions(facts, cell) for build, cell in builds if cell is not None},
    )  # fmt: skip


def _done(facts: GridFacts) -> dict[int, Result]:
    """Build id -> its newest result that is not withdrawn."""
    found = {}
    for result in sorted(facts.results, key=lambda r: (r.tried_at, r.id)):
        if result.build_id is not None and not result.withdrawn:
            found[result.build_id] = result
    return found


def _revisions(facts: GridFacts, cell: tuple[int, ...]) -> str:
    """The newest revisions as the form carries them: a build that waits on a phone was tried on these, whatever is issued meanwhile."""
    levels = [facts.level_at(f, n) for f, n in enumerate(cell)]
    return " ".join(f"{level.id}:{level.revision_id}" for level in levels if level.revision_id is not None)
