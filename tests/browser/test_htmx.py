"""htmx refines what works without it: narrowing the trail swaps its lines only."""

from playwright.sync_api import expect

from tests.browser.conftest import open_page, sign_in


def test_narrowing_the_trail_swaps_only_its_lines(chromium, demo):
    page = open_page(chromium, width=1280)
    sign_in(page, demo.base, "rt")
    page.goto(f"{demo.base}/programmes/1/trail")
    page.evaluate("document.querySelector('h1').dataset.same = 'yes'")
    page.select_option('select[name="thing"]', "ruling")
    expect(page.locator("#trail-lines")).to_contain_text("RL-1")
    expect(page.locator("#trail-lines")).not_to_contain_text("slip for")
    assert page.evaluate("document.querySelector('h1').dataset.same") == "yes"
    assert not page.faults
