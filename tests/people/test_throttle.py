"""Guessing passwords: few guesses are ever checked, and nobody is locked out of a browser that signed in before."""

import threading
from datetime import timedelta

import pytest
from sqlalchemy import func, select

from app import clock
from app.people import rules
from app.people.models import SignInFailure
from app.people.passwords import Hasher
from tests import make
from tests.pages import Browser, text_of

WRONG = "That name and password don't go together"


class CountingHasher(Hasher):
    """Notes every password that is really checked, and how long a hash it was checked against."""

    def __init__(self) -> None:
        super().__init__(time_cost=1, memory_kib=64)
        self.checked: list[str] = []
        self.work: list[str] = []
        inner = self._argon2.verify

        class Watched:
            hash = self._argon2.hash

            def verify(_, password_hash: str, password: str) -> bool:
                self.work.append(password_hash.rsplit("$", 2)[0])
                return inner(password_hash, password)

        self._argon2 = Watched()  # type: ignore[assignment]

    def verify(self, password_hash: str | None, password: str) -> bool:
        self.checked.append(password)
        return super().verify(password_hash, password)


@pytest.fixture
def hasher(app, team) -> CountingHasher:
    app.state.hasher = CountingHasher()
    return app.state.hasher


def guess(browser: Browser, login="AQ", password="guess number 1", **more):
    return browser.client.post("/sign-in", data={"login": login, "password": password}, follow_redirects=False, **more)


def test_guesses_from_unknown_browsers_stop_being_checked(browser, hasher, db):
    for number in range(200):
        browser.client.cookies.clear()
        answer = guess(browser, password=f"guess number {number}")
    assert answer.status_code == 429
    assert "paused for up to 15 minutes" in text_of(answer.text)
    assert len(hasher.checked) <= 10
    assert db.scalar(select(func.count()).select_from(SignInFailure)) <= 20  # nor does the table grow


def test_guesses_at_the_same_moment_stop_being_checked_too(app, hasher):
    start = threading.Barrier(30)

    def attack(number: int) -> None:
        with Browser(app) as browser:
            start.wait()
            for step in range(5):
                browser.client.cookies.clear()
                guess(browser, password=f"guess {number} {step}")

    threads = [threading.Thread(target=attack, args=(number,)) for number in range(30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(hasher.checked) <= 20


def test_the_right_password_is_not_checked_either_from_an_unknown_browser(browser, hasher):
    for number in range(12):
        guess(browser, password=f"guess number {number}")
    checked = len(hasher.checked)
    assert guess(browser, password=make.PASSWORD).status_code == 429
    assert len(hasher.checked) == checked


def test_a_browser_that_signed_in_before_is_never_locked_out_by_others(app, browser, hasher):
    with Browser(app) as phone:
        assert guess(phone, password=make.PASSWORD).status_code == 303
        phone.client.post("/sign-out")
        for number in range(60):
            browser.client.cookies.clear()
            guess(browser, password=f"guess number {number}")
        assert guess(phone, password=make.PASSWORD).status_code == 303


def test_a_known_browser_has_its_own_limit(app, browser, hasher):
    assert guess(browser, password=make.PASSWORD).status_code == 303
    browser.client.post("/sign-out")
    for number in range(40):
        answer = guess(browser, password=f"guess number {number}")
    assert answer.status_code == 429
    assert len(hasher.checked) <= 11


def test_a_known_browser_of_one_person_is_unknown_to_another(app, browser, hasher):
    assert guess(browser, password=make.PASSWORD).status_code == 303
    for number in range(40):
        guess(browser, login="MS", password=f"guess number {number}")
    assert len(hasher.checked) <= 11


def test_one_address_that_tries_many_names_is_stopped(browser, hasher):
    for number in range(100):
        browser.client.cookies.clear()
        answer = guess(browser, login=f"person {number}")
    assert answer.status_code == 429
    assert len(hasher.checked) <= rules.FAILURES_PER_ADDRESS


def test_after_a_quarter_of_an_hour_it_may_be_tried_again(app, browser, hasher, db):
    for number in range(15):
        guess(browser, password=f"guess number {number}")
    assert guess(browser, password=make.PASSWORD).status_code == 429
    app.state.database.dispose()
    shift_failures(db, timedelta(minutes=16))
    assert guess(browser, password=make.PASSWORD).status_code == 303


def shift_failures(db, by: timedelta) -> None:
    from sqlalchemy import update

    from app.db import transaction

    with transaction(db):
        db.execute(update(SignInFailure).values(at=clock.now() - by))


def test_signing_in_rightly_leaves_no_mark(browser, hasher):
    for _ in range(25):
        browser.client.cookies.clear()
        assert guess(browser, password=make.PASSWORD).status_code == 303


def test_nobody_can_tell_whether_a_name_exists(browser, hasher, app):
    """The same words, the same status and the same hashing work for a wrong password and for no such name."""
    answers = [guess(browser, login="AQ"), guess(browser, login="no such name"), guess(browser, login="\u200b")]
    shown = {text_of(answer.text).split("Page made")[0] for answer in answers[:2]}
    assert len(shown) == 1
    assert WRONG in shown.pop()
    assert {answer.status_code for answer in answers} == {422}
    assert len(set(hasher.work)) == 1
    assert len(hasher.work) == 3


def test_a_disabled_account_costs_the_same_and_says_the_same(browser, hasher, team, db):
    from app.db import transaction
    from app.people import commands

    with transaction(db):
        commands.disable_account(db, team.AQ.account_id, by=team.OW, why="left")
    answer = guess(browser, password=make.PASSWORD)
    assert answer.status_code == 422
    assert WRONG in text_of(answer.text)
    assert len(hasher.work) == 1


def test_the_throttle_keeps_no_names_or_addresses(browser, hasher, db):
    guess(browser, login="AQ")
    keys = db.scalars(select(SignInFailure.throttle_key)).all()
    assert keys
    assert all(len(key) == 64 and "AQ" not in key and "testclient" not in key for key in keys)


def test_the_present_password_can_t_be_guessed_on_the_account_page(browser, hasher, team):
    """A phone left lying about: who holds it must not find out the password by trying."""
    browser.as_(team.AQ)
    for number in range(60):
        answer = browser.client.post(
            "/account/password", data={"old": f"guess number {number}", "new": "another good one"}
        )
    assert len(hasher.checked) <= 20
    assert "Too many wrong attempts" in text_of(answer.text)
