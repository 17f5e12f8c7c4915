"""Blind blocks through their forms: made, noted, guessed, chosen, opened; and what is refused while a key is sealed."""

import re

import pytest

from app.blind.models import BlockKind
from app.blind.queries import sealed_keys, sealed_runs
from app.concerns.commands import About, raise_concern
from app.concerns.models import Danger
from app.db import transaction
from app.errors import Conflict, Refused
from app.parts.queries import revision_was_run
from tests import fixture
from tests.blind import steps
from tests.pages import text_of


def test_a_block_is_made_noted_rated_guessed_and_opened_by_hand(db, browser):
    made = steps.plan(db)
    w = made.w
    page = browser.as_(w.team.SK).get(w.path(f"/sessions/{w.session_id}/blocks"), max_queries=12)
    assert "No blind block in this session" in page.text
    asked = w.path(f"/sessions/{w.session_id}/blocks/new?question_id={w.question_id}&kind=rated")
    browser.get(asked, max_queries=12)
    empty = {"question_id": str(w.question_id), "kind": "rated"}
    assert "No run is in the block" in text_of(browser.post(w.path(f"/sessions/{w.session_id}/blocks"), empty, status=422).text)
    same = {**empty, **{f"run_{run}": str(w.q.variants["t40"]) for run in made.runs}}
    assert "at least two variants" in browser.post(w.path(f"/sessions/{w.session_id}/blocks"), same, status=422).text
    chosen = {**empty, **{f"run_{run}": str(w.q.variants[code]) for run, code in zip(made.runs, steps.fixture_order(), strict=True)}}
    key = browser.post(w.path(f"/sessions/{w.session_id}/blocks"), chosen)
    assert key.url.path.endswith("/blocks/1/key")
    made.block_id, made.order = 1, steps.fixture_order()
    codes = {run.code for run in made.facts(db).runs}
    assert len(codes) == 3
    assert all(100 <= code <= 999 for code in codes)
    path = w.path(f"/blocks/1/runs/{made.runs[0]}/build")
    browser.get(path, max_queries=12)
    browser.post(path, {"piece_ids": str(w.q.pieces["t40"][0]), "settings": "bar mm = 1.2", "confirmed": "yes"})
    again = browser.post(path, {"piece_ids": str(w.q.pieces["t40"][0])}, status=422)
    assert "A correction says why" in again.text
    browser.get(w.path("/blocks/1"), max_queries=12)
    assert "Opening early says why" in text_of(browser.post(w.path("/blocks/1/open"), {"why": "now"}, status=422).text)
    page = browser.post(w.path("/blocks/1/open"), {"why": "the hall closes early"})
    assert "opened early by SK: the hall closes early; 15 slips not in" in text_of(page.text)
    assert "The key is open already" in text_of(browser.post(w.path("/blocks/1/open"), {"why": "and once more"}, status=409).text)


def test_a_rater_guesses_and_chooses_by_hand(db, browser):
    made = steps.s03(db)
    path = made.w.path(f"/blocks/{made.block_id}")
    page = browser.as_(made.w.team.AQ).get(path, max_queries=12)
    assert "Which do you think it was?" in page.text
    assert "Code" in page.text
    codes = {run.code for run in made.facts(db).own_runs(made.w.team.AQ.account_id)}
    said = {f"guess_{code}": str(made.w.q.variants["t40"]) for code in codes}
    assert "Your guess is in" in browser.post(f"{path}/guesses", said).text


def test_a_choice_is_asked_trial_by_trial(db, browser):
    made = steps.seal(db, steps.plan(db, each=3), ["t40", "t45", "t40"] * 3, kind=BlockKind.TRIANGLE)
    for index in range(9):
        steps.drive(db, made, index, made.at(10, 10 * (index % 3)))
    path = made.w.path(f"/blocks/{made.block_id}")
    page = browser.as_(made.w.team.AQ).get(path, max_queries=12)
    assert "Which was the odd one?" in page.text
    sent = {"first_run_id": str(made.runs[0]), "chosen_run_id": str(made.runs[1])}
    assert "Which was the odd one?" not in browser.post(f"{path}/choices", sent).text
    assert made.facts(db).answered == 1
    browser.post(f"{path}/choices", sent, status=409)


def test_which_runs_are_sealed_for_whom(db):
    made = steps.s03(db, rated=False)
    for name in ("AQ", "PL", "RT", "OW"):
        assert sealed_runs(db, made.w.team[name]) == frozenset(made.runs)
    assert sealed_runs(db, made.w.team.SK) == frozenset()
    assert sealed_keys(db) == ["S-01/B1"]


def test_a_part_and_a_sealed_run_are_not_named_together(db):
    """Whichever variant's part it is: the refusal must not tell right from wrong. The run alone, or the part alone, can be named."""
    made = steps.s03(db, rated=False)
    q = made.w.q
    told = set()
    for code in ("t40", "t45", "t50"):
        for about in (About(revision_id=q.revisions[code], run_id=made.runs[0]), About(piece_id=q.pieces[code][0], run_id=made.runs[0])):
            with pytest.raises(Refused, match="under a sealed key") as refused, transaction(db):
                raise_concern(db, by=made.w.team.SK, words="a crack at the root", danger=Danger.CRITICAL, product_severity=8, about=about)
            told.add(refused.value.sentence)
    assert len(told) == 1
    with transaction(db):
        about = About(run_id=made.runs[0])
        raise_concern(db, by=made.w.team.AQ, words="it cracked", danger=Danger.CRITICAL, product_severity=8, about=about)


def test_nothing_is_exported_while_a_key_is_sealed(db, browser):
    made = steps.s03(db)
    fixture.close(db, made.w, made.w.session_id)
    page = text_of(browser.as_(made.w.team.OW).get(made.w.path("/archive"), max_queries=20).text)
    assert "The key of block S-01/B1 is sealed" in page
    browser.post(made.w.path("/archive"), status=409)
    steps.open_key(db, made, made.at(16, 30))
    assert browser.client.post(made.w.path("/archive")).headers["content-type"] == "application/zip"


def test_every_revision_of_the_question_counts_as_run(db):
    """A definition never changes once it was run, and whether it was may not tell the key."""
    made = steps.plan(db)
    assert not any(revision_was_run(db, revision) for revision in made.w.q.revisions.values())
    steps.seal(db, made, [code if code != "t50" else "t45" for code in steps.fixture_order()])
    assert all(revision_was_run(db, revision) for revision in made.w.q.revisions.values())


def test_a_run_with_a_build_is_no_secret(db):
    w = fixture.s03(db, closed=False)
    block = steps.Blind(w, runs=w.runs)
    with pytest.raises(Conflict, match="can't go under a code"):
        steps.seal(db, block, steps.fixture_order())


def test_codes_are_not_used_twice_in_a_session(db):
    made = steps.plan(db, each=4)
    first, second = steps.Blind(made.w, runs=made.runs[:6]), steps.Blind(made.w, runs=made.runs[6:])
    for block in (first, second):
        steps.seal(db, block, ["t40", "t45", "t50"] * 2)
    codes = [run.code for block in (first, second) for run in block.facts(db).runs]
    assert len(set(codes)) == 6


def test_the_code_is_large_on_the_slip(db, browser):
    made = steps.seal(db, steps.plan(db), steps.fixture_order())
    steps.drive(db, made, 0, made.at(10, 0))
    code = made.facts(db).runs[0].code
    page = browser.as_(made.w.team.AQ).get(made.w.path(f"/runs/{made.runs[0]}/slip"), max_queries=12)
    assert re.search(rf"Code\s*{code}", text_of(page.text))
