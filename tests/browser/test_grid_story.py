"""A fit grid of 72 cells is completed with the proposed builds: made at the desk, ticked on a phone, some of it without signal.

The car of the story is made so that one pair rubs: the outer damper hole with can S3. Nobody in it is told; the builds find it. 72
cells and at least 12 builds for all pairs are check value 36. (A fault of three levels together, as in scenario 38(c), may stay unseen
by pairs, as the grid's page says; tests/grid shows that one, cell by cell.)
"""

import re
import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from app.covering.space import combinations_in
from app.grid.queries import load_facts
from app.grid.state import GridState
from tests.browser.conftest import open_page, sign_in
from tests.browser.steps import P, emptied, unsent, wait_until

OPTIONS = "Damper hole: inner, middle, outer\nDamper mount: high, low"
ITEMS = "Motor can: S1, S2, S3\nWheel offset: +0, +1, +2, +3"
RUBS = ("outer", "S3")
SENTENCE = "S3 is too long for the outer hole; the setting sheet says so."
QUESTION = "Q-05"


def truth(levels: list[str]) -> str:
    return "rubs" if all(level in levels for level in RUBS) else "fits"


def left(page: Page) -> Iterator[int]:
    """Numbers of the cards that have no result and no entry that waits."""
    for card in page.locator(".build-card:not(.is-done)").all():
        if not card.locator("[data-waits]").is_visible() and not card.locator("[data-kept]").count():
            yield int(card.get_attribute("id").rpartition("-")[2])


def tick(page: Page, number: int) -> str:
    """Two taps: the result, and File."""
    card = page.locator(f"#build-{number}")
    levels = [text.split()[0] for text in card.locator(".build-card__levels dd").all_inner_texts()]
    result = truth(levels)
    card.get_by_role("radio", name=result, exact=True).check()
    card.get_by_role("button", name=f"File build {number}").click()
    return result


def kept(page: Page, path: str) -> None:
    """The worker has this page."""
    wait_until(page, f"(async () => {{ for (const name of await caches.keys()) if (name.startsWith('pages-') && "
                     f"await (await caches.open(name)).match('{path}')) return true; return false }})()")  # fmt: skip


def state_of(site, grid_id: int) -> GridState:
    with site.database.session() as db:
        return GridState(load_facts(db, 1, grid_id))


def make_grid(page: Page, base: str) -> str:
    page.goto(f"{base}{P}/grids/new")
    page.get_by_label("What must fit together").fill("Damper mounts, cans and wheels")
    page.get_by_label(re.compile("^Options")).fill(OPTIONS)
    page.get_by_label(re.compile("^Third-party items")).fill(ITEMS)
    page.get_by_text("every pair (or triple) in some build that fits").click()
    question = page.get_by_label(re.compile("^Question that waits for it"))
    question.select_option(
        label=next(o for o in question.locator("option").all_inner_texts() if o.startswith(QUESTION))
    )
    page.get_by_role("button", name="Make the grid").click()
    expect(page.locator("h1")).to_contain_text("53 of 53 required pairs unknown")
    expect(page.locator("main")).to_contain_text("72 cells (3 × 2 × 3 × 4)")
    return page.url.partition("?")[0]


def propose(page: Page, grid: str) -> str:
    page.goto(grid)
    page.get_by_role("button", name="Propose the fewest builds").click()
    page.wait_for_url(re.compile(r"/lists/\d+"))
    return re.sub(r"[?#].*", "", page.url)


@pytest.fixture
def desk(chromium, own_demo):
    page = open_page(chromium, width=1280)
    sign_in(page, own_demo.base, "rt")
    return page


@pytest.fixture
def phone(chromium, own_demo):
    page = open_page(chromium, width=390)
    sign_in(page, own_demo.base, "sk")
    return page


def test_a_grid_of_72_cells_is_completed_with_the_proposed_builds(own_demo, desk, phone):
    grid = make_grid(desk, own_demo.base)
    grid_id = int(grid.rpartition("/")[2])
    desk.get_by_role("link", name=re.compile(QUESTION)).click()
    expect(desk.locator("main")).to_contain_text("53 required pairs unknown")  # the question waits for its grid
    listed = propose(phone, grid)
    expect(phone.locator("h1")).to_contain_text("0 of 12 builds tried")
    ticked = {n: tick_online(phone, n) for n in (1, 2)}
    ticked |= tick_without_signal(phone, listed, own_demo, grid_id, count=3)
    for number in list(left(phone)):
        ticked[number] = tick_online(phone, number)
    expect(phone.locator("h1")).to_contain_text("12 of 12 builds tried")
    assert len(ticked) == 12
    rounds = until_named(phone, grid)
    expect(phone.locator("main")).to_contain_text("Damper hole outer with Motor can S3; no build that fits has it.")
    exclude(desk, grid)
    for _ in range(4):
        phone.goto(grid)
        if not phone.get_by_role("button", name="Propose the fewest builds").count():
            break
        propose(phone, grid)
        for number in list(left(phone)):
            tick_online(phone, number)
    state = state_of(own_demo, grid_id)
    assert state.complete
    assert state.counts["required"] == 64  # 72 without the eight that rub
    want = {c for cell in state.space.every_cell() if state.space.wants(cell) for c in combinations_in(cell, 2)}
    assert want <= {c for cell in state.fitting for c in combinations_in(cell, 2)}  # counted here, not by the search
    assert len(state.facts.results) <= 20, (
        f"{len(state.facts.results)} builds, {rounds} of them to tell explanations apart"
    )
    expect(phone.locator("h1")).to_contain_text("All 52 required pairs known, and they fit")
    desk.get_by_role("link", name=re.compile(QUESTION)).click()
    desk.wait_for_url(re.compile("/sheet"))
    assert "required pair" not in desk.locator("main").text_content()  # a sheet names what is not met
    assert not phone.faults
    assert not desk.faults


def tick_online(page: Page, number: int) -> str:
    result = tick(page, number)
    expect(page.locator(f"#build-{number} h2")).to_contain_text(result)
    return result


def tick_without_signal(page: Page, listed: str, site, grid_id: int, *, count: int) -> dict[int, str]:
    """Some builds with the phone offline, the page closed and opened in between; nothing arrives until there is signal, then each once."""
    page.goto(f"{site.base}{P}/hall")
    kept(page, listed.partition(site.base)[2])
    before = len(state_of(site, grid_id).facts.results)
    page.context.set_offline(True)
    page.goto("about:blank")
    page.goto(f"{site.base}{P}/hall")
    page.get_by_role("link", name=re.compile(f"^FG-0{grid_id} B-1: {before} of 12 tried")).click()
    page.wait_for_url(listed)
    expect(page.locator(".toasts, [role=status], .note").filter(has_text="No signal").first).to_be_visible()
    ticked = {}
    for number in list(left(page))[: count - 1]:
        ticked[number] = tick(page, number)
        expect(page.locator(f"#build-{number} [data-kept]")).to_contain_text("Kept on this phone")
    page.reload()
    for number, result in ticked.items():
        expect(page.locator(f"#build-{number} [data-waits]")).to_have_text(
            f"{result}: kept on this phone, not sent yet."
        )
    last = next(left(page))
    ticked[last] = tick(page, last)
    expect(page.locator(f"#build-{last} [data-kept]")).to_be_visible()
    assert unsent(page) == count
    assert len(state_of(site, grid_id).facts.results) == before
    began = time.monotonic()
    page.context.set_offline(False)
    page.evaluate("Outbox.replay('all')")
    emptied(page)
    assert time.monotonic() - began < 20
    for number in ticked:
        expect(page.locator(f"#build-{number}")).to_contain_text("the server has it", ignore_case=True)
    results = state_of(site, grid_id).facts.results
    assert len(results) == before + count
    page.goto(listed)
    for number, result in ticked.items():
        expect(page.locator(f"#build-{number} h2")).to_contain_text(result)
    return ticked


def until_named(page: Page, grid: str) -> int:
    """While several explanations are possible, the build that tells them apart is tried; answers how many it took."""
    for n in range(8):
        page.goto(grid)
        if not page.get_by_role("link", name="Open that build").count():
            return n
        page.get_by_role("link", name="Open that build").click()
        levels = page.locator("dl.facts dd").all_inner_texts()
        page.get_by_role("radio", name=truth(levels), exact=True).check()
        page.get_by_role("button", name="File it").click()
        expect(page.locator("h1")).to_contain_text(truth(levels))
    raise AssertionError("no explanation was named")


def exclude(page: Page, grid: str) -> None:
    page.goto(grid)
    page.get_by_role("link", name="Exclude these cells with a sentence").click()
    assert {box.get_attribute("value") for box in page.locator("input[type=checkbox]:checked").all()}
    page.get_by_role("button", name="Add the rule").click()
    expect(page.locator("[data-error-summary]")).to_be_visible()  # without the owner's sentence nothing is taken out
    page.get_by_label(re.compile("^The owner's sentence|^The owner’s sentence")).fill(SENTENCE)
    page.get_by_role("button", name="Add the rule").click()
    expect(page.locator("main")).to_contain_text("Excluded: Damper hole outer; Motor can S3")
    page.goto(grid)
