"""The worse days of a phone: the browser closed with the server gone, the server killed in mid-reply, plain http, no Web Locks.

The contract is our own (tests/hall); faults that a page can cause by itself are in test_outbox.py.
"""

import re

from playwright.sync_api import expect

from tests.browser.conftest import FLAGS, Site, run_site, sign_in
from tests.browser.steps import P, arrive, emptied, file, fill, ready, receipts, slips, unsent

PHONE = {"viewport": {"width": 390, "height": 844}}


def phone(chromium, folder, *flags):
    """A browser with a profile that stays when it is closed."""
    return chromium.browser_type.launch_persistent_context(
        str(folder), executable_path=_path(chromium), args=[*FLAGS, *flags], **PHONE)  # fmt: skip


def _path(chromium) -> str:
    import os
    import shutil

    return os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"


def test_closed_and_opened_again_with_the_server_gone_card_and_slip_open_and_file(chromium, day, tmp_path):
    context = phone(chromium, tmp_path / "profile")
    page = context.pages[0]
    sign_in(page, day.base, "aq")
    ready(page, day.base, day.driven)
    context.close()
    day.kill()
    context = phone(chromium, tmp_path / "profile")
    page = context.pages[0]
    page.goto(f"{day.base}{P}/hall")
    expect(page.locator("h1")).to_contain_text("Today in the hall")
    page.get_by_role("link", name=re.compile("Rate R-")).click()
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_contain_text("Kept on this phone")
    context.close()
    site = day.back()
    context = phone(chromium, tmp_path / "profile")
    page = context.pages[0]
    page.goto(f"{site.base}{P}/outbox")
    emptied(page)
    assert (len(slips(site, day.driven)), receipts(site)) == (1, 1)
    context.close()
    site.stop()


class CutShort:
    """Sends the first half of one reply to a slip, then nothing more: what a killed server leaves on the line."""

    def __init__(self, app):
        self.app, self.cut = app, 0

    async def __call__(self, scope, receive, send):
        if scope["type"] != "http" or scope["method"] != "POST" or not scope["path"].endswith("/slip") or self.cut:
            await self.app(scope, receive, send)
            return
        self.cut += 1

        async def half(message):
            if message["type"] == "http.response.body":
                await send({"type": "http.response.body", "body": message["body"][: len(message["body"]) // 2], "more_body": True})
                raise ConnectionResetError("killed in mid-reply")
            await send(message)

        await self.app(scope, receive, half)


def test_the_server_killed_in_mid_reply_makes_one_slip(chromium, day, tmp_path):
    day.kill()
    cuts = []

    def wrap(app):
        cuts.append(CutShort(app))
        return cuts[0]

    site = run_site(day.file, port=int(day.base.rpartition(":")[2]), wrap=wrap)
    context = phone(chromium, tmp_path / "profile")
    page = context.pages[0]
    sign_in(page, site.base, "aq")
    page.goto(f"{site.base}{P}/runs/{day.driven}/slip")
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    assert (cuts[0].cut, len(slips(site, day.driven)), unsent(page)) == (1, 1, 1)
    site.kill()
    site = site.back()
    arrive(page)
    assert (len(slips(site, day.driven)), receipts(site)) == (1, 1)
    context.close()
    site.stop()


def test_on_plain_http_without_a_worker_the_outbox_works_and_the_page_says_what_does_not(chromium, day, tmp_path):
    """A hall's own network: a name and http is no secure context, so no service worker, no Web Locks, no crypto.subtle."""
    day.kill()
    site: Site = run_site(day.file, hosts=("hall.test",))
    base = site.base.replace("127.0.0.1", "hall.test")
    context = phone(chromium, tmp_path / "profile", "--host-resolver-rules=MAP hall.test 127.0.0.1")
    page = context.pages[0]
    sign_in(page, base, "aq")
    page.goto(f"{base}{P}/runs/{day.driven}/slip")
    assert page.evaluate("[isSecureContext, 'serviceWorker' in navigator, Boolean(navigator.locks)]") == [False, False, False]
    expect(page.locator("[data-no-worker]")).to_contain_text("this page can't be opened without signal here")
    context.set_offline(True)
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    context.set_offline(False)
    arrive(page)
    assert (len(slips(site, day.driven)), receipts(site)) == (1, 1)
    context.close()
    site.stop()


def test_without_web_locks_two_tabs_share_a_lease_and_a_dead_tabs_lease_runs_out(chromium, day, tmp_path):
    context = phone(chromium, tmp_path / "profile")
    context.add_init_script("Object.defineProperty(navigator, 'locks', { value: undefined })")
    page = context.pages[0]
    sign_in(page, day.base, "aq")
    ready(page, day.base, day.driven)
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    assert page.evaluate("navigator.locks === undefined")
    context.set_offline(True)
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    other = context.new_page()
    other.goto(f"{day.base}{P}/hall")
    lease = """until => new Promise(done => { const asked = indexedDB.open('proveout'); asked.onsuccess = () => {
        const t = asked.result.transaction('meta', 'readwrite'); t.objectStore('meta').put({ me: 'a dead tab', until }, 'lease');
        t.oncomplete = () => { asked.result.close(); done(true) } } })"""
    other.evaluate(lease, page.evaluate("Date.now() + 3000"))
    context.set_offline(False)
    for tab in (page, other):
        tab.evaluate("void Outbox.replay()")
    emptied(page)
    assert (len(slips(day, day.driven)), receipts(day)) == (1, 1)
    context.close()
