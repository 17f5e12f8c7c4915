"""A page whose scripts the network lost, or has not brought yet, sends nothing past the outbox. The contract is our own."""

import time

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import open_page, sign_in
from tests.browser.steps import P, file, fill, receipts, slips

PORTAL = "<!doctype html><title>Hall network</title><h1>Welcome</h1>"


def a_slip_page(chromium, day, *lost, answer):
    """The slip's page of the driven run; each of the scripts named is answered by `answer(route)`."""
    page = open_page(chromium, worker=False)
    sign_in(page, day.base, "aq")
    for name in lost:
        page.route(f"**/static/js/{name}?*", answer)
    page.goto(f"{day.base}{P}/runs/{day.driven}/slip", wait_until="commit")
    page.locator("fieldset.scale").first.wait_for()
    return page


ANSWERS = {"dropped": lambda route: route.abort(), "portal": lambda route: route.fulfill(status=200, content_type="text/html", body=PORTAL)}


@pytest.mark.parametrize("answer", ANSWERS)
@pytest.mark.parametrize("lost", [("outbox.js",), ("outbox_forms.js",), ("outbox.js", "outbox_forms.js")], ids="+".join)
def test_a_page_that_lost_its_scripts_keeps_what_was_typed_and_files_it_when_they_come(chromium, day, lost, answer):
    page = a_slip_page(chromium, day, *lost, answer=ANSWERS[answer])
    page.wait_for_load_state("load")
    fill(page)
    file(page)
    expect(page.locator("[data-outbox-lost]")).to_contain_text("Nothing was sent")
    assert (slips(day, day.driven), receipts(day)) == ([], 0)
    assert page.locator("fieldset.scale").first.locator("input:checked").count() == 1
    for name in lost:
        page.unroute(f"**/static/js/{name}?*")
    file(page)
    page.wait_for_url(lambda url: "/slip" not in url)
    assert (len(slips(day, day.driven)), receipts(day)) == (1, 1)


def test_a_tap_before_the_scripts_have_come_waits_for_them(chromium, day):
    def late(route):
        time.sleep(1.5)
        route.continue_()

    page = a_slip_page(chromium, day, "outbox.js", answer=late)
    assert page.evaluate("document.readyState") != "complete"
    page.evaluate("""() => { document.querySelector('fieldset.scale input').checked = true;
                             document.querySelector('form[data-outbox] button:not([type=button])').click() }""")
    page.wait_for_url(lambda url: "/slip" not in url)
    assert (len(slips(day, day.driven)), receipts(day)) == (1, 1)


def test_whoever_wants_to_may_send_the_plain_form(chromium, day):
    page = a_slip_page(chromium, day, "outbox_forms.js", answer=ANSWERS["dropped"])
    page.wait_for_load_state("load")
    fill(page)
    file(page)
    page.get_by_role("button", name="Send it without keeping a copy").click()
    page.wait_for_url(lambda url: "/slip" not in url)
    assert (len(slips(day, day.driven)), receipts(day)) == (1, 0)
