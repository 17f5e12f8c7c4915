"""The outbox in Chromium on a phone's screen: what was filed without signal arrives once, unchanged, under its own name.

The contract is our own (tests/hall); the faults are those of a hall: no signal, a lost answer, two tabs, an expired
sign-in, a borrowed phone, a full phone, a wrong clock, an update under an open page, no script. More in test_outbox_faults.py.
"""

import hashlib
import re
from datetime import timedelta

import pytest
from playwright.sync_api import expect
from sqlalchemy import func, select

from app.db import transaction
from app.feedback.models import Slip
from app.people.commands import end_sign_ins
from app.people.models import Membership
from app.people.queries import find_account_by_login
from app.programmes.models import Attribute
from app.sessions.models import Run
from tests.browser.conftest import open_page, sign_in
from tests.browser.steps import P, arrive, emptied, file, fill, ready, receipts, slips, unsent


def test_the_phones_hash_is_sha_256(chromium, demo):
    """Against Python's hashlib, over lengths around the block size and letters of one to four bytes."""
    page = open_page(chromium)
    sign_in(page, demo.base, "aq")
    texts = ["", "abc", *("x" * n for n in (55, 56, 63, 64, 65, 119, 1000)), "ñ€🏎️\r\n\u2028"]
    found = page.evaluate("texts => texts.map(Outbox.sha256)", texts)
    assert found == [hashlib.sha256(text.encode()).hexdigest() for text in texts]


def test_filed_offline_reloaded_offline_and_sent_once(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    ready(page, day.base, day.driven)
    page.context.set_offline(True)
    page.reload()
    page.get_by_role("link", name=re.compile("Rate R-")).click()
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_contain_text("Kept on this phone")
    page.reload()
    expect(page.locator("#unsent")).to_contain_text("1 not sent yet")
    assert slips(day, day.driven) == []
    page.context.set_offline(False)
    arrive(page)
    (slip,) = slips(day, day.driven)
    assert (slip.version, slip.clock_doubt) == (1, "")
    assert receipts(day) == 1
    assert not page.faults


def test_an_answer_lost_after_the_commit_makes_no_second_slip(chromium, day):
    page = open_page(chromium, worker=False)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    lost = []

    def lose(route):
        if not lost:
            lost.append(route.fetch().status)  # the server has committed; its answer never gets here
            route.abort()
        else:
            route.continue_()

    page.route("**/slip", lambda route: lose(route) if route.request.method == "POST" else route.continue_())
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    assert (lost, len(slips(day, day.driven)), unsent(page)) == ([200], 1, 1)
    arrive(page)
    assert len(slips(day, day.driven)) == 1
    assert receipts(day) == 1


def test_a_page_of_any_kind_is_no_receipt(chromium, day):
    page = open_page(chromium, worker=False)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    page.route("**/slip", lambda route: route.fulfill(status=200, content_type="text/html", body="<h1>Welcome to the hall's network</h1>")
               if route.request.method == "POST" else route.continue_())  # fmt: skip
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    assert unsent(page) == 1
    page.unroute("**/slip")
    arrive(page)
    assert len(slips(day, day.driven)) == 1


def test_an_expired_sign_in_keeps_the_slip_until_the_same_person_is_back(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    fill(page)
    with day.database.session() as db, transaction(db):
        end_sign_ins(db, find_account_by_login(db, "aq").id)
    file(page)
    expect(page.locator("[data-kept]")).to_contain_text("sign-in has run out")
    assert unsent(page) == 1
    sign_in(page, day.base, "ms")  # a borrowed phone: never sent as somebody else
    page.goto(f"{day.base}{P}/outbox")
    page.evaluate("Outbox.replay('all')")
    expect(page.locator("#outbox")).to_contain_text("It waits until AQ signs in")
    assert (unsent(page), slips(day, day.driven)) == (1, [])
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/outbox")
    arrive(page)
    with day.database.session() as db:
        rater = db.scalar(select(Membership.initials).join(Slip, Slip.rater_id == Membership.account_id)
                          .where(Slip.run_id == day.driven, Membership.programme_id == 1))  # fmt: skip
    assert rater == "AQ"


def test_two_tabs_at_once_send_it_once(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    ready(page, day.base, day.driven)
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    page.context.set_offline(True)
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    other = page.context.new_page()
    other.goto(f"{day.base}{P}/hall")
    page.context.set_offline(False)
    for tab in (page, other):
        tab.evaluate("void Outbox.replay()")
    emptied(page)
    assert len(slips(day, day.driven)) == 1
    assert receipts(day) == 1


def test_a_full_phone_says_so_and_the_form_stays(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    page.evaluate("void (IDBObjectStore.prototype.put = () => { throw new DOMException('full', 'QuotaExceededError') })")
    fill(page)
    page.fill('textarea[name="remark"]', "Front washes out")
    file(page)
    expect(page.locator("[data-error-summary]")).to_contain_text("storage is full: nothing was kept, nothing was sent")
    assert page.input_value('textarea[name="remark"]') == "Front washes out"


@pytest.mark.parametrize("days", [1, -1])
def test_a_clock_that_is_a_day_wrong_is_kept_and_marked(chromium, day, days):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    page.wait_for_function("localStorage.getItem('proveout-offset') !== null")
    page.evaluate("days => { const now = Date.now.bind(Date); Date.now = () => now() + days * 86400000 }", days)
    fill(page)
    file(page)
    page.wait_for_url("**/runs/*done=filed")
    (slip,) = slips(day, day.driven)
    assert slip.clock_doubt == "phone clock could not be checked"
    assert abs(slip.captured_at - slip.received_at) < timedelta(minutes=1)
    assert "phone clock could not be checked" in page.inner_text("main")


def test_start_and_end_without_signal(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    ready(page, day.base, day.planned)
    page.context.set_offline(True)
    page.get_by_role("button", name=re.compile("Start R-")).click()
    expect(page.locator("[data-kept]")).to_be_visible()
    page.goto(f"{day.base}{P}/runs/{day.planned}/end")
    page.get_by_role("button", name=re.compile("End R-")).click()
    expect(page.locator("[data-kept]")).to_be_visible()
    page.context.set_offline(False)
    arrive(page)
    with day.database.session() as db:
        run = db.get(Run, day.planned)
        assert (run.state, run.started_at is not None, run.started_at <= run.ended_at) == ("driven", True, True)


def test_a_slip_that_was_refused_is_opened_again_with_what_was_typed(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    page.fill('textarea[name="remark"]', "Nothing marked yet")
    file(page)
    expect(page.locator("[data-error-summary]")).to_contain_text("Nothing is marked")
    page.goto(f"{day.base}{P}/outbox")
    page.get_by_role("link", name="Open again").click()
    expect(page.locator('textarea[name="remark"]')).to_have_value("Nothing marked yet")
    fill(page)
    file(page)
    page.wait_for_url("**/runs/*done=filed")
    assert (len(slips(day, day.driven)), unsent(page)) == (1, 0)


def test_an_update_under_an_open_page_loses_nothing(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    ready(page, day.base, day.driven)
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    page.context.set_offline(True)
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    page.context.set_offline(False)
    page.evaluate("caches.keys().then(names => Promise.all(names.filter(n => n.startsWith('static-')).map(n => caches.delete(n))))")
    page.evaluate("navigator.serviceWorker.getRegistration().then(r => r.unregister())")
    arrive(page)
    assert len(slips(day, day.driven)) == 1


def test_sign_out_asks_first_and_clears_the_pages_but_not_the_outbox(chromium, day):
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    ready(page, day.base, day.driven)
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    page.context.set_offline(True)
    fill(page)
    file(page)
    expect(page.locator("[data-kept]")).to_be_visible()
    page.get_by_role("button", name="Sign out").click()
    expect(page.locator("#messages")).to_contain_text("still on this phone")
    page.evaluate("void navigator.locks.request('proveout-outbox', () => new Promise(() => {}))")  # another tab is busy sending
    page.context.set_offline(False)
    page.get_by_role("button", name="Sign out all the same").click()
    page.wait_for_url("**/sign-in")
    assert page.evaluate("caches.keys().then(names => names.filter(n => n.startsWith('pages-')))") == []
    counted = page.evaluate("""new Promise(done => { const r = indexedDB.open('proveout'); r.onsuccess = () => {
        const q = r.result.transaction('entries').objectStore('entries').count(); q.onsuccess = () => done(q.result) } })""")
    assert counted == 1


def test_a_usual_slip_takes_nine_taps_from_today(chromium, day):
    """Rate, six marks, confidence, File (job.md's goal)."""
    page = open_page(chromium)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/hall")
    page.get_by_role("link", name=re.compile("Rate R-")).click()
    taps = 1
    scales = page.locator("fieldset.scale").all()
    for scale in scales:
        scale.locator("label.scale__step").nth(6).click()
        taps += 1
    page.locator("label:has-text('sure')").first.click()
    file(page)
    taps += 2
    page.wait_for_url("**/runs/*done=filed")
    with day.database.session() as db:
        assert len(scales) == db.scalar(select(func.count()).where(Attribute.programme_id == 1, Attribute.on_slip)) <= 6
    assert taps <= 9


def test_without_javascript_the_plain_form_works(chromium, day):
    page = open_page(chromium, javascript=False)
    sign_in(page, day.base, "aq")
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip")
    fill(page)
    file(page)
    assert "Slip filed" in page.inner_text("main")
    assert receipts(day) == 0


