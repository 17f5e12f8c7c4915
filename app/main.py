"""create_app(settings): the routers in story order, the middleware, the error pages; nothing else."""

from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from app import clock
from app.archive import pages as archive
from app.bench import characteristic_pages, effect_pages, kept_pages
from app.bench import pages as bench
from app.blind import pages as blind
from app.concerns import pages as concerns
from app.concerns import photo_pages as concern_photos
from app.db import Database
from app.decisions import pages as decisions
from app.dossiers import file_pages
from app.dossiers import pages as dossiers
from app.feedback import card_pages
from app.feedback import pages as feedback
from app.grid import list_pages as grid_lists
from app.grid import pages as grid
from app.grid import rule_pages as grid_rules
from app.hall import alone_pages as alone
from app.hall import pages as hall
from app.imports import pages as imports
from app.incidents import pages as incidents
from app.incidents import use_pages as use
from app.measurements import pages as measurements
from app.parts import pages as parts
from app.people import pages as people
from app.people.passwords import Hasher
from app.planning import kit_pages, season_pages
from app.planning import pages as planning
from app.programmes import pages as programmes
from app.proving import loop_pages as proving_steps
from app.proving import pages as proving
from app.proving import report_pages
from app.questions import pages as questions
from app.sessions import pages as sessions
from app.settings import Settings
from app.timing import lap_pages
from app.timing import pages as timing
from app.trials import pages as trials
from app.web.error_pages import add_error_pages, error_page
from app.web.middleware import BodyLimit, KnownHosts, OriginCheck, SecurityHeaders
from app.web.render import STATIC, make_environment
from app.web.routes import Router

ROUTERS: tuple[Router, ...] = (
    people.router, programmes.router, parts.router, questions.router, sessions.router, feedback.router, card_pages.router, blind.router,
    measurements.router, timing.router, lap_pages.router, concerns.router, concern_photos.router, incidents.router, use.router,
    bench.router, characteristic_pages.router, kept_pages.router, effect_pages.router,
    report_pages.router, proving.router, proving_steps.router, grid.router, grid_lists.router, grid_rules.router,
    hall.router, alone.router, decisions.router, planning.router, season_pages.router, kit_pages.router, imports.router,
    archive.router, dossiers.router, file_pages.router, trials.router,
)  # fmt: skip

MOST_FORM_BYTES, MOST_FILE_BYTES = 2_000_000, 32_000_000
FILE_PATHS = ("/import", "/archive", "/revisions", "/lap-file", "/incidents", "/photos", "/concerns", "/grids")


def create_app(settings: Settings, database: Database | None = None) -> FastAPI:
    """The application for one installation. The database is opened, not migrated: the commands do that."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    app.state.settings = settings
    app.state.database = database or Database(settings.database_url)
    app.state.hasher = Hasher(time_cost=settings.argon2_time, memory_kib=settings.argon2_memory_kib)
    app.state.templates = make_environment()
    app.state.now = clock.now
    app.state.route_params = {}
    for router in ROUTERS:
        app.router.routes.extend(router.routes)  # as they are: including works every route out again
        for route in router.routes:
            app.state.route_params[route.name] = set(route.param_convertors)  # type: ignore[attr-defined]
    app.router.routes.append(Mount("/static", StaticFiles(directory=STATIC), name="static"))
    add_error_pages(app)
    _add_middleware(app, settings)
    return app


def _add_middleware(app: FastAPI, settings: Settings) -> None:
    def refuse(title: str, reason: str, next_step: str, status: int) -> Any:
        def response(scope: Any) -> Response:
            scope.setdefault("state", {})
            scope["app"] = app
            return error_page(Request(scope), status, title, reason, next_step)

        return response

    # The last added is the outermost.
    app.add_middleware(BodyLimit, most=MOST_FORM_BYTES, most_files=MOST_FILE_BYTES, file_paths=FILE_PATHS)
    app.add_middleware(OriginCheck, settings=settings, refuse=refuse(
        "This form came from another site", "Nothing was changed.", "Open the page here and send the form from it.", 403))  # fmt: skip
    app.add_middleware(KnownHosts, settings=settings, refuse=refuse(
        "This address is not one of ours", "", "Use the address that was printed when the app started.", 400))  # fmt: skip
    app.add_middleware(SecurityHeaders, settings=settings)
