"""A concern from a photo at the trackside to closed on 29 clean hits (the rule of scenario 37: 95 % bound ≤ 10 %), in Chromium.

Twenty seconds to raise one is the issue's goal (common practice): what is measured is the app's own share, without thinking.
"""

import re
import time

import pytest
from playwright.sync_api import expect
from sqlalchemy import func, select

from app.concerns.models import Concern, ConcernPhoto
from app.db import transaction
from app.parts import commands as parts
from app.parts.models import Process
from app.parts.rules import Facts
from app.sessions import build_commands
from tests.browser.conftest import open_page, sign_in
from tests.browser.steps import P, arrive, as_viewer, ready, unsent
from tests.photos.pictures import saved

WORDS = "Pin bends at the shoulder, arm no longer falls freely."
TRACKSIDE, APP_SHARE_S = 390, 20


@pytest.fixture
def pins(day):
    """Three revisions of a pin with two pieces each, and a run of AQ driven with the first and one planned with it."""
    with day.database.session() as db:
        rt, sk = as_viewer(db, "rt"), as_viewer(db, "sk")
        with transaction(db):
            part_id = parts.add_part(db, by=rt, number="P-299", code="FHP", title="Front hinge pin").id
            day.revisions, day.pieces = [], []
            for seen, note in enumerate(("", "0.5 mm radius at the shoulder", "3.0 mm throughout")):
                revision = parts.issue_revision(db, part_id, by=rt, line="p", facts=Facts(change_note=note), seen=seen)
                day.revisions.append(revision.id)
                day.pieces.append(parts.add_pieces(db, revision.id, by=rt, process=Process.MACHINED, count=2)[0].id)
            for run_id in (day.driven, day.planned):
                build_commands.record_build(db, run_id, by=sk, piece_ids=[day.pieces[0]], confirmed=True, settings={})
    day.part_id = part_id
    return day


def act(page, path, summary, button, *, fill=(), choose=(), tick=()):
    """One step on the concern's page: open its fold, answer, send."""
    page.locator(f"summary:has-text('{summary}')").click()
    form = page.locator(f'form[action$="{path}"]')
    for name, text in fill:
        form.locator(f'[name="{name}"]').fill(text)
    for name, value in choose:
        form.locator(f'select[name="{name}"]').select_option(value)
    for name, value in tick:
        form.locator(f'input[name="{name}"][value="{value}"]').check(force=True)
    form.get_by_role("button", name=button).click()
    page.wait_for_load_state("load")


def raised_at_the_trackside(page, site, tmp_path):
    """AQ's phone without signal, from the page of her slip: words, danger, severity, photo; kept, then sent once."""
    photo = tmp_path / "pin.jpg"
    photo.write_bytes(saved("JPEG", (1600, 1200)))
    ready(page, site.base, site.driven)
    page.goto(f"{site.base}{P}/runs/{site.driven}/slip")
    page.context.set_offline(True)
    began = time.monotonic()
    page.locator(".masthead__raise").click()
    page.wait_for_load_state("load")
    page.fill('textarea[name="words"]', WORDS)
    page.locator('input[name="danger"][value="negligible"]').check(force=True)
    page.select_option('select[name="product_severity"]', "7")
    page.set_input_files('input[name="photo"]', str(photo))
    page.get_by_role("button", name="Raise concern").click()
    expect(page.locator("[data-kept]")).to_be_visible()
    took = time.monotonic() - began
    assert unsent(page) == 1
    page.context.set_offline(False)
    arrive(page)
    with site.database.session() as db:
        concern = db.scalars(select(Concern).where(Concern.words == WORDS)).one()
        photos = db.scalar(select(func.count()).select_from(ConcernPhoto).where(ConcernPhoto.concern_id == concern.id))
    assert (concern.blocker, photos) == (True, 1)
    assert took < APP_SHARE_S
    return concern.id


def test_from_a_photo_at_the_trackside_to_closed_on_29_clean_hits(chromium, pins, tmp_path):
    phone = open_page(chromium, width=TRACKSIDE)
    sign_in(phone, pins.base, "aq")
    concern_id = raised_at_the_trackside(phone, pins, tmp_path)
    desk = open_page(chromium, width=1280)
    sign_in(desk, pins.base, "rt")
    desk.goto(f"{pins.base}{P}")
    expect(desk.locator("main")).to_contain_text("Pin bends at the shoulder")  # the home says what blocks
    here = f"{pins.base}{P}/concerns/{concern_id}"
    desk.goto(here)
    expect(desk.locator("main img").first).to_be_visible()
    r1, r2, r3 = map(str, pins.revisions)
    contained_and_tried(desk, phone, pins, r1, r2)
    act(desk, "/fitted", "Fitted in a later revision", "It is fitted there", fill=[("words", "3.0 mm throughout")],
        choose=[("fixed_revision_id", r3)])  # fmt: skip
    act(desk, "/rule", "Set the closing rule", "Set the rule", fill=[("most_per_100", "10")], choose=[("exposure", "board hit")])
    close(desk, r3)
    expect(desk.locator("main")).to_contain_text("29 clean ones still missing")
    expect(desk.locator('form[action$="/close"] textarea[name="reason"]')).to_have_value("Shown on the hit rig.")
    rig = open_page(chromium, width=TRACKSIDE)
    sign_in(rig, pins.base, "sk")
    hits(rig, pins, 12)
    desk.goto(here)
    for words in ("29 asked", "22.1 %", "17 clean ones still missing"):
        expect(desk.locator("main")).to_contain_text(words)
    hits(rig, pins, 17)
    desk.goto(here)
    expect(desk.locator("main")).to_contain_text("It may be closed as shown cured.")
    close(desk, r3)
    for words in ("shown cured on a later revision", "after 29 clean board hits, 0 failures, bound 9.8 %"):
        expect(desk.locator("main")).to_contain_text(words)
    desk.goto(f"{pins.base}{P}/parts/{pins.part_id}/file")
    for words in ("3 revisions in the order of issue", "29 impacts, 29 clean, 0 failures", "Holds the cure of"):
        expect(desk.locator("main")).to_contain_text(words)
    assert phone.faults + desk.faults + rig.faults == []


def contained_and_tried(desk, phone, pins, r1, r2):
    """Named, contained on r1 and shown on AQ's card of the run that goes out with it; a cause, and two tries with results."""
    act(desk, "/contain", "Put an instruction in force", "Put it in force", fill=[("words", "no flat landings")],
        choose=[("revision_id", r1)])  # fmt: skip
    expect(desk.locator("main")).to_contain_text("no flat landings")
    phone.goto(f"{pins.base}{P}/hall")
    expect(phone.locator("main")).to_contain_text("no flat landings")
    act(desk, "/cause", "Name the cause", "Name it", fill=[("words", "Stress at the sharp shoulder.")], tick=[("cause", "design")])
    act(desk, "/tries", "Add a try", "Add try", fill=[("words", "0.5 mm radius"), ("result_words", "bent at the ninth hit")],
        choose=[("revision_id", r2), ("result", "better, not gone")])  # fmt: skip
    act(desk, "/tries", "Add a try", "Add try", fill=[("words", "harder steel")], choose=[("revision_id", r1), ("result", "no change")])
    for words in ("“bent at the ninth hit”", "harder steel", "no change"):
        expect(desk.locator("main")).to_contain_text(words)


def close(desk, revision_id):
    fold = desk.locator("details:has(> summary:has-text('Close C-'))")
    if fold.get_attribute("open") is None:
        fold.locator("summary").click()
    form = desk.locator('form[action$="/close"]')
    form.locator('input[name="kind"][value="shown cured on a later revision"]').check(force=True)
    form.locator('select[name="later_revision_id"]').select_option(revision_id)
    form.locator('textarea[name="reason"]').fill("Shown on the hit rig.")
    form.get_by_role("button", name="Close C-").click()
    desk.wait_for_load_state("load")


def hits(rig, pins, count):
    """So many clean nose hits of r3's piece on the bench, entered on the phone."""
    rig.goto(f"{pins.base}{P}/incidents/new?piece_id={pins.pieces[2]}")
    rig.locator("label:has-text('board hit, nose')").first.click()
    rig.locator("label:has-text('no effect')").first.click()
    rig.locator("summary:has-text('Speed, hits, tweak, time')").click()
    rig.fill('input[name="hits"]', str(count))
    rig.get_by_role("button", name="Report it").click()
    rig.wait_for_url(re.compile(r"/incidents/\d+"))

