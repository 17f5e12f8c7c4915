"""The stopwatch on a phone: taps stay through a lost signal and a closed page, and are filed by the ordinary form."""

from playwright.sync_api import expect

from tests.browser.conftest import open_page, sign_in

PATH = "/programmes/1/runs/50/laps/by-hand"


def tap(page, times):
    for _ in range(times):
        page.locator("[data-watch-lap]").click()
        page.wait_for_timeout(800)


def test_laps_are_tapped_without_signal_and_filed_when_it_is_back(chromium, own_demo):
    page = open_page(chromium)
    sign_in(page, own_demo.base, "sk")
    page.goto(own_demo.base + PATH)
    button = page.locator("[data-watch-lap]").bounding_box()
    assert button["height"] >= 200  # our own size for a cold thumb
    assert button["y"] + button["height"] / 2 < 844  # reached without scrolling
    page.context.set_offline(True)
    tap(page, 3)
    assert len(page.input_value("#watch-laps").split()) == 2
    page.context.set_offline(False)
    page.goto(own_demo.base + "/account")
    page.goto(own_demo.base + PATH)
    assert len(page.input_value("#watch-laps").split()) == 2
    tap(page, 1)
    kept = page.input_value("#watch-laps").split()
    page.get_by_role("button", name="File these laps").click()
    expect(page.get_by_text("Laps filed.")).to_be_visible()
    told = page.inner_text("main")
    assert all(f"{float(lap):.3f}" in told for lap in kept)
    assert page.evaluate("Object.keys(localStorage).filter(k => k.startsWith('proveout-laps-')).length") == 0
    assert not page.faults


def test_without_script_the_laps_are_typed(chromium, own_demo):
    page = open_page(chromium, javascript=False)
    sign_in(page, own_demo.base, "sk")
    page.goto(own_demo.base + PATH)
    assert not page.locator("[data-watch-lap]").is_visible()
    page.fill("#laps", "22,41 22,18")
    page.get_by_role("button", name="Check the laps").click()
    page.get_by_role("button", name="File 2 laps").click()
    assert "22.180" in page.inner_text("main")
