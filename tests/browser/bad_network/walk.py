"""One schedule: a person with a phone on a bad network files, reloads, signs in and out, lends the phone, and is patient."""

import threading
import time
from collections import Counter
from contextlib import nullcontext, suppress
from random import Random

from playwright.sync_api import Browser, Error, Locator, Page

from app.db import Database, transaction
from app.people.commands import end_sign_ins, start_sign_in
from tests.browser.bad_network.filing import Desk, Filed, Task
from tests.browser.bad_network.proxy import FINE, HANGING, WEATHERS, Proxy, Weather
from tests.browser.conftest import sign_in
from tests.kills.victim import Victim
from tests.kills.world import World
from tests.make import PASSWORD

FILINGS, PATIENCE_S, PAGE_MS = (3, 5), 14.0, 4000
# A page whose scripts were lost opens too: what stands over its forms (first.js) is in the play. Without that one, too, the page is
# a plain form that promises nothing, and the person loads it again.
READY = "typeof outboxMinds === 'function' && document.body.dataset.person"
HELD = """Outbox.list().then(all => all.map(
    e => ({person: e.person, state: e.state, said: JSON.stringify(e.said || null), path: e.path, text: JSON.stringify(e.pairs)})))"""
BETWEEN = ("reload", "close_tab", "expire", "lend", "lend", "wake", "second_tab", "restart", "nothing")
AT_THE_TAP = ("wait", "wait", "wait", "wait", "wait", "offline", "offline", "reload", "close_tab", "kill")


class Walk:
    """`run` plays the schedule and answers what was filed; `left` is what the phone still holds then."""

    def __init__(self, chromium: Browser, database: Database, victim: Victim, proxy: Proxy, world: World, seed: str) -> None:
        self.random, self.database, self.victim, self.proxy, self.world = Random(seed), database, victim, proxy, world
        self.context = chromium.new_context(viewport={"width": 390, "height": 844})
        self.context.set_default_timeout(PAGE_MS)
        self.page = self._new_tab()
        self.killer: threading.Thread | None = None
        self.desks = [Desk(world, person, self.random) for person in world.people]
        self.desk = self.desks[0]
        self.filed: list[Filed] = []
        self.left: list[str] = []
        self.did: Counter[str] = Counter()

    def run(self) -> None:
        self._be_signed_in()
        for _ in range(self.random.randint(*FILINGS)):
            self._between(self.random.choice(BETWEEN))
            self._file(self.desk.next_task())
        self._send_all()

    # --- the page
    def _new_tab(self) -> Page:
        return self.context.new_page()

    def _weather(self) -> Weather:
        if self.random.randrange(150) == 0:
            return HANGING
        return self.random.choices([w for w, _ in WEATHERS], [share for _, share in WEATHERS])[0]

    def _sign_in(self) -> None:
        """The phone may be on its way to another page of its own: then again."""
        self._fine()
        for attempt in range(6):
            with suppress(Error) if attempt < 5 else nullcontext():
                sign_in(self.page, self.proxy.base, self.desk.person.login, PASSWORD)
                return
            self.page.wait_for_timeout(200)

    def _be_signed_in(self) -> None:
        """Signed in without the page for it, which costs a second: at the start and the end of a schedule."""
        with self.database.session() as db, transaction(db):
            cookie = start_sign_in(db, self.desk.person.account_id, device="phone", device_token="phone")
        self.context.add_cookies([{"name": "proveout", "value": cookie, "url": self.proxy.base, "httpOnly": True, "sameSite": "Lax"}])

    def _fine(self) -> None:
        self.proxy.weather = FINE
        self.context.set_offline(False)

    def _open(self, path: str, wanted: str = "body") -> None:
        """In the weather that is; at the third try the signal is back and the person signs in where that is asked."""
        for attempt in range(4):
            if attempt == 2:
                self._fine()
            with suppress(Error):
                self.page.goto(f"{self.proxy.base}{path}")
                if self.page.evaluate(READY) == str(self.desk.person.account_id) and self.page.locator(wanted).count():
                    return
            if attempt == 2:
                self._sign_in()
        raise AssertionError(f"{path} can't be opened in fine weather: {self.page.url} {self.page.content()[:3000]}")

    # --- filing
    def _file(self, task: Task) -> None:
        self.proxy.weather = self._weather()
        self._open(task.page, task.form)
        filed = task.fill(self.page)
        self.proxy.weather = self._weather()
        self.did[f"in weather {self.proxy.weather.name}"] += 1
        act = self.random.choice(AT_THE_TAP)
        self.did[f"at the tap {act}"] += 1
        if act == "offline":
            self.context.set_offline(True)
        self.filed.append(filed)
        before = self.page.url
        filed.tapped_at = time.time()
        self.page.evaluate("void (window.sameTap = true)")
        self.page.locator(f"{task.form} button:not([type=button])").first.click(no_wait_after=True)
        if act in ("reload", "close_tab"):
            self.page.wait_for_timeout(self.random.choice((0, 5, 20, 60, 150, 400)))
            self._between(act)
            self._see(filed)
            return
        self.killer = self._kill_soon() if act == "kill" else None
        self._wait_for_word(filed, before)
        if self.killer is not None:
            self.killer.join()
            self.victim.start()
        self.context.set_offline(False)

    def _wait_for_word(self, filed: Filed, before: str) -> None:
        """Kept, or gone on to the next page: both are the phone's promise. Where the page says that it lost its scripts, again."""
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            with suppress(Error):
                lost = self.page.locator("[data-outbox-lost]:not([data-seen])")
                if lost.count():
                    self._tap_again(filed, lost)
                    until = time.monotonic() + PATIENCE_S
                gone = self.page.url != before or not self.page.evaluate("window.sameTap === true")  # a reload too: it goes on here
                if gone or self.page.locator("[data-kept], [data-sent]").count():
                    filed.promised = True
                    return
                said = self.page.locator("[data-error-summary]")
                if said.count():
                    self.left.append(f"{filed.path} was refused: {said.inner_text()}")
                    return
            self.page.wait_for_timeout(15)
        raise AssertionError(f"{filed.path}: no word from the phone in {PATIENCE_S} s at {self.page.url}")

    def _tap_again(self, filed: Filed, lost: Locator) -> None:
        self.did["tapped again, the scripts were lost"] += 1
        lost.evaluate("box => { box.dataset.seen = 'yes' }")
        self._fine()
        filed.tapped_at = time.time()
        self.page.locator('form:has([data-outbox-lost]) button:not([type=button])').first.click(no_wait_after=True)

    def _see(self, filed: Filed) -> None:
        """After the tab went away under the tap: what the phone holds is promised; the rest may be there or not."""
        self._open(self.world.path("/outbox"))
        with suppress(Error):
            held = self.page.evaluate(HELD)
            filed.promised = any(e["path"] == filed.path and filed.marker in e["text"] for e in held)

    def _kill_soon(self) -> threading.Thread:
        pause = self.random.choice((0.0, 0.02, 0.05, 0.1, 0.2))

        def kill() -> None:
            time.sleep(pause)
            self.victim.kill()

        thread = threading.Thread(target=kill)
        thread.start()
        return thread

    # --- between filings
    def _between(self, act: str) -> None:
        self.did[act] += 1
        with suppress(Error):
            getattr(self, f"_do_{act}")()

    def _do_nothing(self) -> None:
        """The person waits for nothing."""

    def _do_reload(self) -> None:
        self.page.reload()

    def _do_close_tab(self) -> None:
        old, self.page = self.page, self._new_tab()
        old.close()

    def _do_expire(self) -> None:
        with self.database.session() as db, transaction(db):
            end_sign_ins(db, self.desk.person.account_id)

    def _do_lend(self) -> None:
        """Another person signs in on this phone, over the first one's sign-in or after they signed out."""
        if self.random.random() < 0.5:
            self._open(self.world.path("/hall"))
            button = self.page.locator('form[action$="/sign-out"] button')
            for _ in range(2):
                with suppress(Error):
                    button.click(timeout=500)
        self.desk = self.desks[1 - self.desks.index(self.desk)]
        self._sign_in()

    def _do_wake(self) -> None:
        """As where the phone comes out of a pocket, and the signal with it."""
        self.context.set_offline(True)
        self.context.set_offline(False)
        self.page.evaluate("void window.dispatchEvent(new Event('focus'))")

    def _do_second_tab(self) -> None:
        """Another tab that sends at the same time, and stays."""
        other = self._new_tab()
        other.goto(f"{self.proxy.base}{self.world.path('/outbox')}", wait_until="commit")
        self.page.evaluate("void window.dispatchEvent(new Event('online'))")

    def _do_restart(self) -> None:
        self.victim.kill()
        self.victim.start()

    # --- the end of the day
    def _send_all(self) -> None:
        """Fine weather, and each person signs in once more."""
        self._fine()
        for tab in self.context.pages:
            if tab is not self.page:
                tab.close()
        for desk in self.desks:
            self.desk = desk
            self._be_signed_in()
            self._open(self.world.path("/outbox"))
            self.left += self._wait_until_sent(str(desk.person.account_id))

    def _wait_until_sent(self, person: str) -> list[str]:
        """What is left of this person: refused, or not sent in all that time."""
        until = time.monotonic() + PATIENCE_S
        while True:
            self.page.evaluate("void window.dispatchEvent(new Event('focus'))")
            mine = [entry for entry in self.page.evaluate(HELD) if entry["person"] == person]
            if all(entry["state"] == "refused" for entry in mine) or time.monotonic() > until:
                return [f"{entry['path']} {entry['state']} {entry['said']}" for entry in mine]
            self.page.wait_for_timeout(40)
