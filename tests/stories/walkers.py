"""Two ways to walk the pages: over plain HTTP without JavaScript, and in Chromium. Both know forms by their buttons."""

import re
from typing import Any, Protocol
from urllib.parse import urljoin

import html5lib

from tests.pages import XHTML, check_page, text_of

Values = dict[str, Any]


class Walker(Protocol):
    def open(self, path: str) -> None: ...
    def follow(self, link: str) -> None: ...
    def submit(self, button: str, values: Values | None = None) -> None: ...
    def text(self) -> str: ...
    def html(self) -> str: ...
    def switch_to(self, login: str, password: str) -> None: ...
    def shot(self, name: str) -> None: ...


class HttpWalker:
    """Follows links and sends forms as a browser without JavaScript does; every page is checked."""

    def __init__(self, client: Any) -> None:
        self.client, self.page, self.url = client, "", "/"

    def open(self, path: str) -> None:
        self._take(self.client.get(path))

    def _take(self, response: Any) -> None:
        assert response.status_code < 400, f"{response.url}: {response.status_code} {text_of(response.text)[:800]}"
        self.page, self.url = response.text, str(response.url)
        check_page(self.page, self.url)

    def _document(self) -> Any:
        return html5lib.parse(self.page)

    def follow(self, link: str) -> None:
        for node in self._document().iter(f"{XHTML}a"):
            if re.sub(r"\s+", " ", "".join(node.itertext())).strip().startswith(link):
                self.open(urljoin(self.url, node.get("href")))
                return
        raise AssertionError(f"no link “{link}” on {self.url}: {text_of(self.page)[:600]}")

    def submit(self, button: str, values: Values | None = None) -> None:
        form = self._form(button)
        data = _defaults(form)
        for name, value in (values or {}).items():
            assert name in {n.get("name") for n in form.iter()}, f"no field {name} in the form of “{button}” on {self.url}"
            data.pop(name, None) if value is None else data.__setitem__(name, value)
        action = urljoin(self.url, form.get("action"))
        self._take(self.client.post(action, data=data) if form.get("method") == "post" else self.client.get(action, params=data))

    def _form(self, button: str) -> Any:
        for form in self._document().iter(f"{XHTML}form"):
            for node in form.iter(f"{XHTML}button"):
                if re.sub(r"\s+", " ", "".join(node.itertext())).strip().startswith(button):
                    return form
        raise AssertionError(f"no button “{button}” on {self.url}: {text_of(self.page)[:600]}")

    def text(self) -> str:
        return text_of(self.page)

    def html(self) -> str:
        return self.page

    def switch_to(self, login: str, password: str) -> None:
        self.client.cookies.clear()
        self.open("/sign-in")
        self.submit("Sign in", {"login": login, "password": password})

    def shot(self, name: str) -> None:
        """Nothing to photograph."""


def _defaults(form: Any) -> dict[str, Any]:
    """What a browser would send of an untouched form."""
    data: dict[str, Any] = {}
    for node in form.iter():
        name = node.get("name")
        if not name:
            continue
        if node.tag == f"{XHTML}textarea":
            data[name] = "".join(node.itertext()).lstrip("\n")
        elif node.tag == f"{XHTML}select":
            options = list(node.iter(f"{XHTML}option"))
            chosen = next((o for o in options if o.get("selected") is not None), options[0] if options else None)
            if chosen is not None:
                data[name] = chosen.get("value", "")
        elif node.tag == f"{XHTML}input":
            kind = node.get("type", "text")
            if kind in ("radio", "checkbox"):
                if node.get("checked") is None:
                    continue
                if kind == "checkbox":
                    data.setdefault(name, []).append(node.get("value", "on"))
                else:
                    data[name] = node.get("value")
            elif kind != "file":
                data[name] = node.get("value", "")
    return data


class ChromiumWalker:
    """The same walk in a real browser, with its JavaScript."""

    def __init__(self, page: Any, base: str, shots: Any = None) -> None:
        self.page, self.base, self.shots = page, base, shots

    def open(self, path: str) -> None:
        self._settled(lambda: self.page.goto(urljoin(self.base, path)))

    def _settled(self, act: Any, *, kept: bool = False) -> None:
        """kept : the outbox sends it and goes on only with the server's receipt, so the next page is waited for."""
        if kept:
            with self.page.expect_navigation():
                act()
        else:
            act()
        self.page.wait_for_load_state("load")
        status = self.page.locator(".refusal__status")
        assert not status.count(), f"{self.page.url}: {self.page.inner_text('main')[:600]}"

    def follow(self, link: str) -> None:
        name = re.compile("^" + re.escape(link))
        self._settled(lambda: self._shown(self.page.get_by_role("link", name=name, include_hidden=True).first).click())

    def _shown(self, node: Any) -> Any:
        node.evaluate("n => { for (let d = n.closest('details'); d; d = d.parentElement.closest('details')) d.open = true }")
        return node

    def submit(self, button: str, values: Values | None = None) -> None:
        name = re.compile("^" + re.escape(button))
        node = self._shown(self.page.get_by_role("button", name=name, include_hidden=True).first)
        form = node.locator("xpath=ancestor::form")
        for field, value in (values or {}).items():
            self._set(form, field, value)
        self._settled(node.click, kept=form.get_attribute("data-outbox") is not None)

    def _set(self, form: Any, field: str, value: Any) -> None:
        first = form.locator(f'[name="{field}"]').first
        kind = first.evaluate("n => n.tagName === 'INPUT' ? n.type : n.tagName.toLowerCase()")
        if kind in ("radio", "checkbox"):
            for one in value if isinstance(value, list) else [value]:
                box = form.locator(f'[name="{field}"][value="{one}"]')
                self.page.locator(f'label:has(#{box.get_attribute("id")})').click()
        elif kind == "select":
            first.select_option(str(value))
        else:
            first.fill("" if value is None else str(value))

    def text(self) -> str:
        return re.sub(r"\s+", " ", self.page.inner_text("body"))

    def html(self) -> str:
        return self.page.content()

    def switch_to(self, login: str, password: str) -> None:
        self.page.context.clear_cookies()
        self.open("/sign-in")
        self.submit("Sign in", {"login": login, "password": password})

    def shot(self, name: str) -> None:
        if self.shots is not None:
            self.page.screenshot(path=str(self.shots / f"{name}.png"), full_page=False)
