"""A driver files on a phone; nothing typed is lost when the sign-in has run out."""

from playwright.sync_api import expect
from sqlalchemy import func, select

from app.db import transaction
from app.feedback.models import SlipVersion
from app.people.commands import end_sign_ins
from app.people.queries import find_account_by_login
from tests.browser.conftest import open_page, sign_in

P = "/programmes/1"


def test_a_usual_slip_takes_at_most_twelve_taps(chromium, own_demo):
    """Six marks, confidence, File: counted as clicks from the driver's home. The limit is job.md's own (common practice)."""
    page = open_page(chromium)
    sign_in(page, own_demo.base, "aq")
    taps = 0
    page.get_by_role("link", name="Rate S-08/R-03").click()
    taps += 1
    for scale in page.locator("fieldset.scale").all():
        scale.locator("label.scale__step").nth(6).click()
        taps += 1
    page.locator("label:has-text('sure')").first.click()
    taps += 1
    page.get_by_role("button", name="File slip").click()
    taps += 1
    expect(page.locator("main")).to_contain_text("Slip filed")
    assert taps <= 12
    assert not page.faults


def test_a_chosen_mark_is_filled_and_outlined(chromium, own_demo):
    page = open_page(chromium)
    sign_in(page, own_demo.base, "aq")
    page.get_by_role("link", name="Rate S-08/R-03").click()
    step = page.locator("fieldset.scale").first.locator("label.scale__step").nth(10)
    fill = "n => getComputedStyle(n.querySelector('.scale__face')).backgroundColor"
    edge = "n => { const s = getComputedStyle(n.querySelector('.scale__face')); return s.outline + s.border + s.boxShadow }"
    before = step.evaluate(fill), step.evaluate(edge)
    step.click()
    assert step.evaluate(fill) != before[0]
    assert step.evaluate(edge) != before[1]
    box = step.bounding_box()
    assert box["height"] >= 48


def half_a_slip_and_no_sign_in(chromium, site, *, javascript: bool):
    """A slip with one mark and a remark, sent after the sign-in has run out."""
    page = open_page(chromium, javascript=javascript)
    sign_in(page, site.base, "aq")
    page.get_by_role("link", name="Rate S-08/R-03").click()
    page.locator("fieldset.scale").first.locator("label.scale__step").nth(10).click()
    page.fill('textarea[name="remark"]', "Front washes out on entry.")
    with site.database.session() as db, transaction(db):
        end_sign_ins(db, find_account_by_login(db, "aq").id)
    page.get_by_role("button", name="File slip").click()
    return page


def test_an_expired_sign_in_keeps_the_slip_and_signing_in_sends_it(chromium, own_demo):
    page = half_a_slip_and_no_sign_in(chromium, own_demo, javascript=True)
    kept = page.locator("[data-kept]")
    expect(kept).to_contain_text("Kept on this phone. Your sign-in has run out.")
    kept.get_by_role("link", name="Sign in").click()
    page.fill('input[name="login"]', "aq")
    page.fill('input[name="password"]', "carpet-and-turf")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_text("Everything is sent.")).to_be_visible()
    expect(page.locator("#unsent")).to_be_hidden()
    with own_demo.database.session() as db:
        assert db.scalar(select(func.count()).select_from(SlipVersion).where(SlipVersion.remark == "Front washes out on entry.")) == 1


def test_an_expired_sign_in_loses_nothing_typed_without_javascript(chromium, own_demo):
    page = half_a_slip_and_no_sign_in(chromium, own_demo, javascript=False)
    assert "nothing you typed is lost" in page.inner_text("main")
    page.fill('input[name="login"]', "aq")
    page.fill('input[name="password"]', "carpet-and-turf")
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_load_state("load")
    page.get_by_role("button", name="Send as Asta Quillfeather").click()
    page.wait_for_load_state("load")
    assert "Front washes out on entry." in page.inner_text("main")


def test_every_page_of_a_driver_works_without_javascript(chromium, own_demo):
    page = open_page(chromium, javascript=False)
    sign_in(page, own_demo.base, "aq")
    page.get_by_role("link", name="Rate S-08/R-03").click()
    page.locator("fieldset.scale").first.locator("label.scale__step").nth(10).click()
    page.get_by_role("button", name="File slip").click()
    assert "Slip filed" in page.inner_text("main")
