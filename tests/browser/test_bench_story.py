"""A piece out of tolerance changes a verdict: gauged on a phone at the bench, seen on the sheet, withdrawn again. Our own figures."""

import pytest
from playwright.sync_api import expect
from sqlalchemy import select

from app.bench.models import Characteristic, ReadingSet, SetReading
from app.parts.models import Part, Piece, Revision
from app.questions.models import Question
from tests.browser.conftest import open_page, sign_in
from tests.browser.steps import P

PHONE, DESK = 390, 1280


@pytest.fixture
def hexes(own_demo):
    """The question that adopts the wider wheel hex, its part, and the pieces AQ and MS drove."""
    with own_demo.database.session() as db:
        own_demo.question_id = db.scalar(select(Question.id).where(Question.title.startswith("Front wheel hex")))
        own_demo.part_id = db.scalar(select(Part.id).where(Part.code == "FWH"))
        own_demo.pieces = db.scalars(select(Piece.id).join(Revision, Revision.id == Piece.revision_id)
                                     .where(Revision.label == "FWH-x57 r1").order_by(Piece.id)).all()[:2]  # fmt: skip
    return own_demo


def gauged(page, base, characteristic_id, piece_id, typed):
    page.goto(f"{base}{P}/characteristics/{characteristic_id}/readings?piece_id={piece_id}")
    page.locator('select[name="gauge_id"]').select_option(label="G-01 bench micrometer")
    page.fill('textarea[name="readings"]', typed)
    page.get_by_role("button", name="Note the readings").click()
    page.wait_for_load_state("load")


def test_a_piece_out_of_tolerance_changes_a_verdict(chromium, hexes):
    desk = open_page(chromium, width=DESK)
    sign_in(desk, hexes.base, "rt")
    sheet = f"{hexes.base}{P}/questions/{hexes.question_id}/sheet"
    desk.goto(sheet)
    expect(desk.locator(".verdict-line").first).to_contain_text("adopt")
    desk.goto(f"{hexes.base}{P}/characteristics/new?part_id={hexes.part_id}")
    desk.select_option('select[name="kind"]', "thickness")
    for name, text in (("name", "flange"), ("lower", "2,95"), ("upper", "3.05 mm")):
        desk.fill(f'input[name="{name}"]', text)
    desk.get_by_role("button", name="Add it").click()
    desk.wait_for_load_state("load")
    expect(desk.locator("main")).to_contain_text("No piece was gauged yet.")
    with hexes.database.session() as db:
        own = db.scalar(select(Characteristic.id).where(Characteristic.name == "flange"))
    phone = open_page(chromium, width=PHONE)
    sign_in(phone, hexes.base, "sk")
    slipped_and_mended(phone, hexes, own)
    gauged(phone, hexes.base, own, hexes.pieces[1], "2.81 2.80; 2.81 2.80 2.80")
    for words in ("limits 2.95 to 3.05: fail.", "do not count: piece out of tolerance"):
        expect(phone.locator("main")).to_contain_text(words)
    desk.goto(sheet)
    for words in ("Out of tolerance", "FWH-x57 r1 #1, flange: 2.80", "FWH-x57 r1 #2, flange: 2.80",
                  "x57: the verdict was adopt (gain) and is now retest (drivers)",
                  "not enough evidence"):  # fmt: skip
        expect(desk.locator("main")).to_contain_text(words)
    expect(desk.locator(".verdict-line").first).to_contain_text("retest")
    taken_back(phone, hexes)
    desk.goto(sheet)
    expect(desk.locator(".verdict-line").first).to_contain_text("adopt")
    assert phone.faults + desk.faults == []


def slipped_and_mended(phone, site, own):
    """A slipped comma is asked about, nothing is stored, what was typed stays; mended, the set is there as typed."""
    gauged(phone, site.base, own, site.pieces[0], "2,80 28.1 2.80 2.81 2.80")
    expect(phone.locator("main")).to_contain_text("reading 2, 28.1 mm? Did you mean 2.81?")
    field = phone.locator('textarea[name="readings"]')
    expect(field).to_have_value("2,80 28.1 2.80 2.81 2.80")
    with site.database.session() as db:
        assert db.scalars(select(ReadingSet).where(ReadingSet.characteristic_id == own)).all() == []
    field.fill("2,80 2.81 2.80 2.81 2.80")
    phone.get_by_role("button", name="Note the readings").click()
    phone.wait_for_load_state("load")
    expect(phone.locator("main")).to_contain_text("2,80; 2.81; 2.80; 2.81; 2.80")
    with site.database.session() as db:
        raws = db.scalars(select(SetReading.raw).join(ReadingSet, ReadingSet.id == SetReading.reading_set_id)
                          .where(ReadingSet.characteristic_id == own).order_by(SetReading.place)).all()  # fmt: skip
    assert raws == ["2,80", "2.81", "2.80", "2.81", "2.80"]


def taken_back(phone, site):
    """Both sets withdrawn with a reason: the evidence is what it was."""
    for piece_id in site.pieces:
        phone.goto(f"{site.base}{P}/pieces/{piece_id}/readings")
        phone.locator("main table a").first.click()
        phone.wait_for_load_state("load")
        phone.fill('main [name="why"]', "The anvil was not wiped; gauged again tomorrow.")
        phone.get_by_role("button", name="Withdraw").click()
        phone.wait_for_load_state("load")
        expect(phone.locator("main")).to_contain_text("It is in no figure.")
