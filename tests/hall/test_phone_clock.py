"""When a slip was captured, by a phone whose clock may be wrong. Scenario 11 of job.md exactly; the rest from memory."""

from datetime import UTC, datetime, timedelta

import pytest

from app import clock
from app.db import transaction
from app.decisions import queries as decisions
from app.feedback import commands, queries, rules
from app.feedback.rules import Answers
from app.phone_clock import DOUBT, MOST_MS, PhoneClock, captured, whole_ms
from app.sessions import commands as sessions
from tests import fixture
from tests.hall.steps import ms

MINUTE, DAY = 60_000, 86_400_000
ENDED = datetime(2026, 2, 3, 10, 17, tzinfo=UTC)
RECEIVED = datetime(2026, 2, 3, 12, 40, tzinfo=UTC)
TRUE = datetime(2026, 2, 3, 10, 20, tzinfo=UTC)


def test_11_no_signal_in_the_steel_shed(db):
    """The phone shows 10:20 and is 3 min fast; run end 10:17; received 12:40: captured 10:17, prompt, counted."""
    w = fixture.world(db)
    session_id = fixture.session(db, w)
    dh = w.team.DH
    with transaction(db), clock.at(ENDED - timedelta(minutes=5)):
        run = sessions.add_run(db, session_id, by=w.team.SK, driver_id=dh.account_id, car_id=w.season.cars[0])
        sessions.start_run(db, run.id, by=dh)
        run_id = run.id
    with transaction(db), clock.at(ENDED):
        sessions.end_run(db, run_id, by=dh, laps=12)
    phone = PhoneClock(captured_ms=ms(TRUE), offset_ms=3 * MINUTE, sent_ms=ms(RECEIVED) + 3 * MINUTE)
    with transaction(db), clock.at(RECEIVED):
        commands.file_slip(db, run_id, by=dh, token="f" * 32, answers=Answers({w.q.goal_id: 700}), phone=phone)
    slip = queries.find_live_slip(db, run_id, dh.account_id)
    assert (slip.captured_at, slip.received_at, slip.clock_doubt) == (ENDED, RECEIVED, "")
    assert (slip.phone_ms, slip.phone_offset_ms) == (ms(TRUE), 3 * MINUTE)
    assert rules.timeliness(ENDED, slip.captured_at) == rules.Timeliness.PROMPT
    fixture.close(db, w, session_id)
    loaded = decisions.open_sheet(db, w.team.RT, w.question_id).loaded
    assert all(c.counts for slip_id, c in loaded.counting.items() if slip_id == slip.id)


def see(captured_ms, offset_ms, sent_ms):
    return captured(PhoneClock(captured_ms, offset_ms, sent_ms), received=RECEIVED, not_before=ENDED - timedelta(minutes=5))


def test_a_right_clock_and_a_clock_that_is_known_to_be_wrong_are_sure():
    for fast in (0, 3 * MINUTE, -7 * MINUTE, DAY, -DAY):
        assert see(ms(TRUE) + fast, fast, ms(RECEIVED) + fast) == captured(PhoneClock(ms(TRUE), 0, ms(RECEIVED)), received=RECEIVED)
        assert see(ms(TRUE) + fast, fast, ms(RECEIVED) + fast).at == TRUE


@pytest.mark.parametrize("wrong", [DAY, -DAY, 40 * DAY])
def test_a_clock_set_wrong_after_the_last_contact_is_told_by_its_own_age_and_marked(wrong):
    """The offset says a day that cannot be; the age that the phone counted is right."""
    found = see(ms(TRUE) + wrong, 0, ms(RECEIVED) + wrong)
    assert (found.at, found.doubt) == (TRUE, DOUBT)


@pytest.mark.parametrize("wrong", [DAY, -DAY])
def test_a_clock_set_wrong_between_filing_and_sending_is_told_by_the_offset_and_marked(wrong):
    found = see(ms(TRUE), 0, ms(RECEIVED) + wrong)
    assert (found.at, found.doubt) == (TRUE, DOUBT)


@pytest.mark.parametrize("said", [
    PhoneClock(), PhoneClock(None, 0, ms(RECEIVED)), PhoneClock(0, 0, ms(RECEIVED)), PhoneClock(MOST_MS, -MOST_MS, -MOST_MS),
    PhoneClock(ms(TRUE), None, None), PhoneClock(ms(RECEIVED) + DAY, 0, ms(RECEIVED)),
])  # fmt: skip
def test_where_no_way_leads_to_a_possible_moment_the_time_of_receipt_stands(said):
    found = captured(said, received=RECEIVED, not_before=ENDED)
    assert (found.at, found.doubt) == (RECEIVED, DOUBT)


def test_two_possible_moments_that_differ_give_the_later():
    found = see(ms(TRUE), 0, ms(TRUE) + 30 * MINUTE)
    assert (found.at, found.doubt) == (RECEIVED - timedelta(minutes=30), DOUBT)


def test_it_is_never_after_its_receipt():
    assert see(ms(RECEIVED) + 2 * MINUTE, 0, ms(RECEIVED) + 2 * MINUTE).at <= RECEIVED


@pytest.mark.parametrize("typed, read", [("", None), ("x", None), ("٣", None), ("1.5", None), ("9" * 30, None), (None, None),
                                         ("-5", -5), (" 12 ", 12), ("--1", None), ("-", None)])  # fmt: skip
def test_only_whole_milliseconds_are_read(typed, read):
    assert whole_ms(typed) == read
