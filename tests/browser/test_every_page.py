"""Every page of the demo as each of its people: axe-core finds nothing critical or serious, nothing overflows the phone.

axe-core tags wcag2a, wcag2aa, wcag21aa, wcag22aa (the rules of the Web Content Accessibility Guidelines 2.2).
"""

import gzip

import pytest

from tests.browser.conftest import AXE, open_page, sign_in

AXE_RUN = """() => axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa', 'wcag22aa']}).then(r =>
  r.violations.filter(v => ['critical', 'serious'].includes(v.impact)).map(v => v.id + ': ' + v.nodes[0].html.slice(0, 160)))"""
P = "/programmes/1"
PAGES = {
    "rt": [P, f"{P}/questions", f"{P}/questions/new", f"{P}/questions/1", f"{P}/questions/1/rule", f"{P}/questions/1/sheet",
           f"{P}/questions/2/sheet", f"{P}/questions/3/sheet", f"{P}/questions/4/sheet", f"{P}/questions/5/sheet",
           f"{P}/questions/8/sheet", f"{P}/questions/10/sheet", f"{P}/questions/14/sheet", f"{P}/questions/1/variants/2/rule",
           f"{P}/parts", f"{P}/parts/new", f"{P}/parts/1", f"{P}/revisions/1", f"{P}/pieces/1", f"{P}/trail", f"{P}/rulings",
           f"{P}/rulings/1", f"{P}/rulings/2", f"{P}/concerns/report",
           *(f"{P}/concerns/{n}" for n in (3, 8, 9, 11, 13, 15)), f"{P}/parts/1/file", f"{P}/parts/17/file", f"{P}/revisions/36/file",
           f"{P}/settings", f"{P}/people", f"{P}/import", f"{P}/what-next", f"{P}/trust", "/account",
           f"{P}/gauge-log", f"{P}/gauge-log?part_id=7", f"{P}/gauges", f"{P}/gauge-studies/new", f"{P}/gauge-studies/1",
           f"{P}/characteristics/new", *(f"{P}/characteristics/{n}" for n in (1, 2, 4)), f"{P}/characteristics/2/readings",
           f"{P}/reading-sets/1", f"{P}/fits", f"{P}/fits/new", f"{P}/fits/1", f"{P}/chains/new", f"{P}/chains/1",
           f"{P}/expected-effects", f"{P}/expected-effects?kind=coil+spring", f"{P}/questions/7/sheet", f"{P}/parts/7/file",
           f"{P}/pieces/43/readings", f"{P}/revisions/15/readings",
           f"{P}/grids", f"{P}/grids/new", f"{P}/grids/1", f"{P}/grids/1/edit", f"{P}/grids/1/rules", f"{P}/grids/1/settings",
           f"{P}/grids/1/cad", f"{P}/grids/2", f"{P}/grids/2/rules"],
    "sk": [P, f"{P}/hall", f"{P}/outbox", f"{P}/sessions/8/cards",
           f"{P}/sessions", f"{P}/sessions/new", f"{P}/sessions/8", f"{P}/sessions/3", f"{P}/sessions/3/swap", f"{P}/runs/50",
           f"{P}/runs/50/build", f"{P}/runs/50/times", f"{P}/runs/50/void", f"{P}/runs/50/paper-slip", f"{P}/concerns",
           f"{P}/concerns/1", f"{P}/concerns/new", f"{P}/concerns/1/photos", f"{P}/incidents", f"{P}/incidents/new",
           f"{P}/incidents/new?run_id=50", f"{P}/abuse/new", f"{P}/revisions/1/use", f"{P}/pieces/1/use",
           f"{P}/tables", f"{P}/runs/3/laps", f"{P}/sessions/3/tables",
           f"{P}/sessions/8/rest", f"{P}/sessions/8/card", f"{P}/sessions/9/plan", f"{P}/season", f"{P}/kit", f"{P}/kit/screening",
           f"{P}/grids/1", f"{P}/grids/1/lists/1", f"{P}/grids/1/cell", f"{P}/grids/2/cell",
           f"{P}/sessions/3/laps", f"{P}/sessions/3/lap-file", f"{P}/sessions/4/laps", f"{P}/runs/50/laps/by-hand"],
    "aq": [P, f"{P}/hall", f"{P}/hall/alone", f"{P}/outbox", f"{P}/runs/50/slip",
           f"{P}/sessions/8", f"{P}/sessions/3/tables", f"{P}/questions/1/sheet",
           f"{P}/runs/43", f"{P}/slips/43", f"{P}/slips/43/amend"],
    "ow": [P, f"{P}/rulings/2", f"{P}/people/2", f"{P}/archive"],
    "": ["/sign-in", "/no-such-page"],
}  # fmt: skip


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("who", list(PAGES))
def test_pages_are_sound(chromium, demo, who, width, dark):
    page = open_page(chromium, width=width, dark=dark, bypass_csp=True)
    if who:
        sign_in(page, demo.base, who)
    found = []
    for path in PAGES[who]:
        response = page.goto(demo.base + path)
        if path != "/no-such-page" and response.status >= 400:
            found.append(f"{path}: status {response.status}")
            continue
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        overflow = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        if overflow > 0:
            found.append(f"{path}: {overflow} px wider than the screen")
        page.add_script_tag(path=str(AXE))
        found += [f"{path}: {violation}" for violation in page.evaluate(AXE_RUN)]
    assert not found, "\n".join(found)
    page.context.close()


def test_the_component_page_is_sound(chromium, demo):
    page = open_page(chromium, width=1280, bypass_csp=True)
    sign_in(page, demo.base, "rt")
    page.goto(f"{demo.base}{P}/components")
    page.add_script_tag(path=str(AXE))
    assert page.evaluate(AXE_RUN) == []


def test_no_page_breaks_its_own_content_policy(chromium, demo):
    page = open_page(chromium, width=1280)
    sign_in(page, demo.base, "rt")
    for path in PAGES["rt"]:
        page.goto(demo.base + path)
    assert not page.faults


def test_a_first_page_weighs_at_most_100_kb_compressed(chromium, demo):
    """Goal 100 kB (our own budget). Sizes are what gzip makes of each answer's body."""
    page = open_page(chromium)
    weighed = weigh(page, f"{demo.base}/sign-in")
    assert len(weighed) > 5
    assert sum(weighed.values()) <= 100_000, weighed


@pytest.mark.parametrize("path", [f"{P}/hall", f"{P}/runs/50/slip", f"{P}/hall/alone"])
def test_the_hall_and_the_slip_weigh_at_most_100_kb_compressed_at_first_load(chromium, demo, path):
    """With nothing in the browser's cache: page, styles, scripts, letters (our own budget). The worker's copies come later."""
    page = open_page(chromium)
    sign_in(page, demo.base, "aq")
    fresh = page.context.browser.new_context(viewport={"width": 390, "height": 844}, service_workers="block")
    fresh.add_cookies(page.context.cookies())
    weighed = weigh(fresh.new_page(), demo.base + path)
    assert len(weighed) > 15
    assert sum(weighed.values()) <= 100_000, dict(sorted(weighed.items(), key=lambda item: -item[1]))
    print(f"\n{path}: {sum(weighed.values()) / 1000:.1f} kB")


def weigh(page, address) -> dict[str, int]:
    """Bytes of each answer as gzip would make them, by path."""
    bodies = []
    page.on("response", lambda r: bodies.append((r.url, r)) if r.status == 200 else None)
    page.goto(address)
    page.wait_for_load_state("networkidle")
    return {url.partition("//")[2].partition("/")[2]: min(len(gzip.compress(r.body())), len(r.body())) for url, r in bodies}
