"""The main pages of a programme, fetched as the person who uses them: queries, processor time, bytes."""

import resource
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import jinja2
from fastapi import FastAPI
from fastapi.responses import HTMLResponse
from sqlalchemy import delete, event
from starlette.testclient import TestClient

from app import clock
from app.db import Database, transaction
from app.decisions.models import Summary
from app.history.models import Happening
from app.main import create_app
from app.people import commands as people
from app.settings import Settings
from tests.benchmarks.rows import Big

MOST_QUERIES = 12
MOST_QUERIES_AFTER_A_CHANGE = (
    24  # home right after something was filed brings the looks up to date, then is asked again
)


@dataclass(frozen=True, slots=True)
class Page:
    """`before` is done before each fetch, such as forgetting a stored sheet."""

    name: str
    who: str
    path: str
    before: Callable[[Database], None] | None = None
    most_queries: int = MOST_QUERIES


@dataclass(frozen=True, slots=True)
class Measured:
    """cpu_ms and bare_ms: least processor time of several fetches, and of the same page without its queries."""

    name: str
    queries: int
    cpu_ms: float
    bare_ms: float
    bytes: int
    most_queries: int

    @property
    def ratio(self) -> float:
        return self.cpu_ms / self.bare_ms


def pages_of(big: Big) -> list[Page]:
    """A question with a ruling, and the newest closed session."""
    asked, programme = big.asked(0), f"/programmes/{big.team.id}"
    question, session, run = f"{programme}/questions/{asked.question_id}", big.sessions[-2], big.runs[1]
    sheet = question + "/sheet"
    return [
        Page("home, driver", "AQ", programme),
        Page("home, designer", "RT", programme),
        Page("home, manager", "OW", programme),
        Page("home, after a change", "RT", programme, _something_filed(big), MOST_QUERIES_AFTER_A_CHANGE),
        Page("questions", "RT", f"{programme}/questions"),
        Page("question", "RT", question),
        Page("rule", "RT", question + "/rule"),
        Page("sheet, cold", "RT", sheet, _forget_sheets(asked.question_id)),
        Page("sheet, warm", "RT", sheet),
        Page("new ruling", "RT", f"{question}/variants/{asked.variants['b2']}/rule"),
        Page("sessions", "SK", f"{programme}/sessions"),
        Page("session", "SK", f"{programme}/sessions/{session}"),
        Page("run", "SK", f"{programme}/runs/{run}"),
        Page("as-run build", "SK", f"{programme}/runs/{run}/build"),
        Page("run to come", "SK", f"{programme}/runs/{big.runs[-1]}"),
        Page("slip", "RT", f"{programme}/slips/{run}"),
        Page("slip to fill", "AQ", f"{programme}/runs/{big.runs[0]}/slip"),
        Page("parts", "RT", f"{programme}/parts"),
        Page("part", "RT", f"{programme}/parts/1"),
        Page("revision", "RT", f"{programme}/revisions/1"),
        Page("concerns", "OW", f"{programme}/concerns"),
        Page("concern", "OW", f"{programme}/concerns/1"),
        Page("new concern", "AQ", f"{programme}/concerns/new"),
        Page("rulings", "OW", f"{programme}/rulings"),
        Page("ruling", "OW", f"{programme}/rulings/{big.rulings[0]}"),
        Page("trail", "OW", f"{programme}/trail"),
        Page("trail, driver", "AQ", f"{programme}/trail?thing=slip"),
        Page("people", "OW", f"{programme}/people"),
        Page("settings", "OW", f"{programme}/settings"),
    ]


def _forget_sheets(question_id: int) -> Callable[[Database], None]:
    def forget(database: Database) -> None:
        with database.session() as db, transaction(db):
            db.execute(delete(Summary).where(Summary.question_id == question_id))

    return forget


def _something_filed(big: Big) -> Callable[[Database], None]:
    def file(database: Database) -> None:
        with database.session() as db, transaction(db):
            db.add(
                Happening(
                    programme_id=big.team.id,
                    at=clock.now(),
                    by_id=big.team.SK.account_id,
                    what="edited",
                    thing="session",
                    thing_id=1,
                    label="S-01 Quarry",
                    why="",
                    detail={},
                )
            )

    return file


class Stopwatch:
    """One app on one programme, with a signed-in client for each person."""

    def __init__(self, settings: Settings, database: Database, big: Big) -> None:
        self.database, self.big, self.app = database, big, create_app(settings, database)
        self.queries: list[str] = []
        self.rendered: list[tuple[jinja2.Template, tuple[Any, ...], dict[str, Any]]] = []
        self.bare = FastAPI()
        self.bare.add_api_route("/", self._render_again)

    def _render_again(self) -> HTMLResponse:
        template, args, more = self.rendered[-1]
        return HTMLResponse(template.render(*args, **more))

    def measure(self, pages: list[Page], *, times: int) -> list[Measured]:
        render = jinja2.Template.render
        listen = lambda _c, _cursor, statement, *_: self.queries.append(statement)  # noqa: E731

        def noted(template: jinja2.Template, *args: Any, **more: Any) -> str:
            self.rendered.append((template, args, more))
            return render(template, *args, **more)

        event.listen(self.database.engine, "before_cursor_execute", listen)
        headers = {"Origin": "http://testserver"}
        try:
            with TestClient(self.app, headers=headers) as client, TestClient(self.bare) as bare:
                found = []
                for page in pages:
                    jinja2.Template.render = noted  # type: ignore[method-assign]
                    queries, cpu, size = self._fetch(client, page, times)
                    jinja2.Template.render = render  # type: ignore[method-assign]
                    bare_ms = min(_cpu_ms(lambda: bare.get("/")) for _ in range(max(times, 5)))
                    found.append(Measured(page.name, queries, cpu, bare_ms, size, page.most_queries))
                return found
        finally:
            jinja2.Template.render = render  # type: ignore[method-assign]
            event.remove(self.database.engine, "before_cursor_execute", listen)

    def _fetch(self, client: TestClient, page: Page, times: int) -> tuple[int, float, int]:
        client.cookies.clear()
        with self.database.session() as db, transaction(db):
            account = self.big.team[page.who].account_id
            client.cookies.set(
                "proveout", people.start_sign_in(db, account, device="benchmark", device_token="benchmark")
            )
        client.get(page.path)  # compiled templates and statements, a sign-in seen just now
        queries, cpu, size = 0, [], 0
        for _ in range(times):
            if page.before:
                page.before(self.database)
            self.queries.clear()
            self.rendered.clear()
            started = time.process_time()
            answer = client.get(page.path)
            cpu.append((time.process_time() - started) * 1000)
            assert answer.status_code == 200, f"{page.name}: {answer.status_code}"
            queries = max(queries, sum(query.lstrip().upper().startswith("SELECT") for query in self.queries))
            size = len(answer.content)
        return queries, min(cpu), size


def _cpu_ms(work: Callable[[], object]) -> float:
    started = time.process_time()
    work()
    return (time.process_time() - started) * 1000


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def complaints(small: list[Measured], large: list[Measured]) -> list[str]:
    """Pages that need too many queries, or more of them in a larger programme."""
    found = []
    for less, more in zip(small, large, strict=True):
        if more.queries > more.most_queries:
            found.append(f"{more.name}: {more.queries} queries, more than {more.most_queries}")
        if more.queries > less.queries:
            found.append(f"{more.name}: {less.queries} queries in the small programme, {more.queries} in the large one")
    return found


def as_rows(measured: list[Measured]) -> list[dict[str, Any]]:
    return [
        {**asdict(m), "cpu_ms": round(m.cpu_ms, 1), "bare_ms": round(m.bare_ms, 1), "ratio": round(m.ratio, 1)}
        for m in measured
    ]
