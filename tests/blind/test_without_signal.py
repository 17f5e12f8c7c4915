"""Key events that waited on a phone: when they happened there counts, and a doubtful clock never makes a slip blind.

Rules: job.md 4.2 and scenario 29; the rest is our own contract, no outside source.
"""

from datetime import UTC, datetime, timedelta

import pytest

from app import clock
from app.blind.queries import load_block
from app.phone_clock import PhoneClock, captured, captured_early
from tests.blind import steps
from tests.hall.steps import Entry, ms, send

HALF_PAST = datetime(2026, 2, 3, 10, 30, tzinfo=UTC)
NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)


def entry(made, path, who, pairs, said, *, offset="0"):
    clock_pairs = [("phone_captured_ms", str(ms(said))), ("phone_offset_ms", offset)]
    return Entry(made.w.path(path), [*pairs, *clock_pairs], made.w.team[who].account_id, "e" * 32)


def codes_of(db, made, who):
    facts = made.facts(db)
    own = sorted({run.code for run in facts.own_runs(made.w.team[who].account_id)})
    first = facts.variants[0][0]
    db.rollback()
    return [(f"guess_{code}", str(first)) for code in own]


@pytest.fixture
def rated(db):
    """The day of scenario 29 with every slip in, captured before 11:00."""
    return steps.s03(db)


def test_a_key_opened_without_signal_stands_from_then(db, browser, rated):
    said = rated.at(11, 5)
    with clock.at(rated.at(12, 0)):
        sent = entry(rated, f"/blocks/{rated.block_id}/open", "SK", [("why", "")], said)
        sent.sent_ms = ms(rated.at(12, 0))
        answer = send(browser.as_(rated.w.team.SK), sent)
    assert answer.status_code == 200, answer.text
    assert answer.json()["receipt"]["outcome"] == "filed"
    found = rated.facts(db)
    assert (found.opened_at, found.state) == (said, "opened on plan")


def test_the_same_opening_twice_is_one(db, browser, rated):
    with clock.at(rated.at(12, 0)):
        sent = entry(rated, f"/blocks/{rated.block_id}/open", "SK", [("why", "")], rated.at(11, 5))
        sent.sent_ms = ms(rated.at(12, 0))
        answers = [send(browser.as_(rated.w.team.SK), sent).json() for _ in range(2)]
    assert answers[0] == answers[1]


def test_a_doubtful_clock_counts_the_opening_as_early_as_can_be():
    """Two ways that differ: for a slip the later stands, for the opening of a key the earlier; with none, the making of the block."""
    two = PhoneClock(ms(HALF_PAST), offset_ms=0, sent_ms=ms(HALF_PAST + timedelta(minutes=30)))
    made = NOON - timedelta(hours=3)
    assert captured(two, received=NOON, not_before=made).at == NOON - timedelta(minutes=30)
    assert captured_early(two, received=NOON, not_before=made).at == HALF_PAST
    assert captured_early(PhoneClock(), received=NOON, not_before=made).at == made
    assert captured_early(PhoneClock(), received=NOON, not_before=made).doubt


@pytest.mark.parametrize(("minute", "offset", "status"), [(55, "0", 200), (70, "0", 409), (55, "", 409)])
def test_a_guess_from_before_the_opening_is_taken_where_the_clock_can_be_checked(db, browser, rated, minute, offset, status):
    pairs = codes_of(db, rated, "AQ")
    steps.open_key(db, rated, rated.at(11, 0))
    said = rated.at(10, 0) + timedelta(minutes=minute)
    with clock.at(rated.at(12, 0)):
        sent = entry(rated, f"/blocks/{rated.block_id}/guesses", "AQ", pairs, said, offset=offset)
        sent.sent_ms = ms(rated.at(12, 0)) if offset else None
        answer = send(browser.as_(rated.w.team.AQ), sent, **({} if offset else {"X-Phone-Clock": ""}))
    assert answer.status_code == status, answer.text
    guesses = load_block(db, rated.w.team.SK, rated.block_id).guesses
    db.rollback()
    assert guesses == (len(pairs) if status == 200 else 0)
    if status == 409:
        assert "receipt" not in answer.json()


def test_the_hall_keeps_the_key_for_its_holder_and_the_block_for_its_raters(db, browser, monkeypatch):
    made = steps.seal(db, steps.plan(db), steps.fixture_order())
    block = made.w.path(f"/blocks/{made.block_id}")
    with clock.at(made.at(9, 45)):
        kept = {who: browser.as_(made.w.team[who]).get(made.w.path("/hall"), max_queries=12).text for who in ("SK", "AQ", "RT")}
    assert f"{block}/key" in kept["SK"]
    assert f"{block}/runs/" in kept["SK"]
    assert block in kept["AQ"]
    assert f"{block}/key" not in kept["AQ"]
    assert block not in kept["RT"]
