"""A page fetcher that checks every page it fetches, and counts its queries."""

import re
from typing import Any

import html5lib
from sqlalchemy import event
from starlette.testclient import TestClient

from app.access.viewer import Viewer
from app.db import transaction
from app.people import commands as people

XHTML = "{http://www.w3.org/1999/xhtml}"


class Browser:
    """`browser.as_(viewer).get(path)`: fetches as that person; html answers are checked by `check_page`."""

    def __init__(self, app: Any) -> None:
        self.app = app
        self.client = TestClient(app, headers={"Origin": "http://testserver"}, raise_server_exceptions=False)
        self.queries: list[str] = []  # of the last request; a redirect's target is a request of its own
        self.hops: list[list[str]] = []
        self.client.event_hooks["request"] = [self._next_hop]
        event.listen(app.state.database.engine, "before_cursor_execute", self._note)

    def __enter__(self) -> "Browser":
        return self

    def __exit__(self, *_: object) -> None:
        event.remove(self.app.state.database.engine, "before_cursor_execute", self._note)
        self.client.close()

    def _next_hop(self, _request: Any) -> None:
        self.queries = []
        self.hops.append(self.queries)

    def _note(self, _connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        self.queries.append(statement)

    def as_(self, viewer: Viewer | None) -> "Browser":
        self.client.cookies.clear()
        if viewer is not None:
            with self.app.state.database.session() as db, transaction(db):
                token = people.start_sign_in(db, viewer.account_id, device="tests", device_token="tests")
            self.client.cookies.set("proveout", token)
        return self

    def get(self, path: str, *, status: int = 200, max_queries: int | None = None, **more: Any) -> Any:
        self.hops.clear()
        response = self.client.get(path, **more)
        for hop in self.hops if max_queries is not None else ():
            selects = [query for query in hop if query.lstrip().upper().startswith("SELECT")]
            assert len(selects) <= (max_queries or 0), f"{path}: {len(selects)} queries\n" + "\n".join(selects)
        return self._checked(response, path, status)

    def post(self, path: str, data: dict[str, Any] | None = None, *, status: int = 200, **more: Any) -> Any:
        return self._checked(self.client.post(path, data=data or {}, **more), path, status)

    def _checked(self, response: Any, path: str, status: int) -> Any:
        shown = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", response.text))[:1500]
        assert response.status_code == status, f"{path}: {response.status_code}, not {status}: {shown}"
        if response.headers.get("content-type", "").startswith("text/html") and "<!doctype" in response.text[:200].lower():
            check_page(response.text, path)
        return response


def text_of(html: str) -> str:
    """The visible text with spaces squeezed, for sentences that must be on a page."""
    plain = re.sub(r"<(script|style).*?</\1>", " ", html, flags=re.S)
    plain = re.sub(r"<[^>]+>", " ", plain)
    import html as entities

    return re.sub(r"\s+", " ", entities.unescape(plain)).strip()


def check_page(html: str, path: str) -> None:
    """Valid HTML, one h1 that the title begins with, unique ids, labelled inputs, captioned tables."""
    parser = html5lib.HTMLParser(strict=False)
    document = parser.parse(html)
    problems = [f"{code} at {position}" for position, code, _ in parser.errors]
    assert not problems, f"{path}: not valid HTML: {problems[:4]}"
    everything = list(document.iter())
    headings = [node for node in everything if node.tag == f"{XHTML}h1"]
    assert len(headings) == 1, f"{path}: {len(headings)} h1"
    ids = [node.get("id") for node in everything if node.get("id")]
    twice = {found for found in ids if ids.count(found) > 1}
    assert not twice, f"{path}: ids that stand twice: {twice}"
    _check_title(document, headings[0], path)
    _check_inputs(everything, path)
    _check_tables(everything, path)
    _check_targets(everything, set(ids), path)


def _words(node: Any) -> str:
    return re.sub(r"\s+", " ", "".join(node.itertext())).strip()


def _check_title(document: Any, heading: Any, path: str) -> None:
    title = _words(next(node for node in document.iter() if node.tag == f"{XHTML}title"))
    start = re.sub(r"^Error: ", "", title)
    assert start.startswith(_words(heading)), f"{path}: the title “{title}” does not begin with its h1 “{_words(heading)}”"


def _check_inputs(everything: list[Any], path: str) -> None:
    labelled = {node.get("for") for node in everything if node.tag == f"{XHTML}label"}
    inside = {id(child) for node in everything if node.tag == f"{XHTML}label" for child in node.iter()}
    for node in everything:
        if node.tag not in (f"{XHTML}input", f"{XHTML}select", f"{XHTML}textarea"):
            continue
        if node.get("type") in ("hidden", "submit", "button"):
            continue
        named = node.get("id") in labelled or id(node) in inside or node.get("aria-label")
        assert named, f"{path}: the input “{node.get('name')}” has no label"
    for node in everything:
        if node.tag in (f"{XHTML}a", f"{XHTML}button"):
            assert _words(node) or node.get("aria-label"), f"{path}: a {node.tag.split('}')[1]} without a name"
        if node.tag == f"{XHTML}form":
            for needed in ("method", "action"):
                assert node.get(needed), f"{path}: a form without method or action ({needed})"


def _check_tables(everything: list[Any], path: str) -> None:
    for table in (node for node in everything if node.tag == f"{XHTML}table"):
        inner = list(table.iter())
        assert any(node.tag == f"{XHTML}caption" for node in inner), f"{path}: a table without caption"
        for cell in (node for node in inner if node.tag == f"{XHTML}th"):
            assert cell.get("scope") in ("col", "row", "colgroup", "rowgroup"), f"{path}: a th without scope"


def _check_targets(everything: list[Any], ids: set[str | None], path: str) -> None:
    for node in everything:
        target = node.get("hx-target")
        assert target is None or target.lstrip("#") in ids, f"{path}: hx-target {target} is not on the page"
