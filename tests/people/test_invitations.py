"""One-time links: they work once, for seven days, and make one account."""

import threading
from datetime import timedelta

import pytest
from sqlalchemy import func, select

from app import clock
from app.db import transaction
from app.errors import Conflict, NotAllowed, NotFound, Refused
from app.people import commands, queries, rules
from app.people.models import Account, Hat, Invitation, Membership
from tests import make
from tests.pages import Browser, text_of

ACCEPT = {"login": "new.driver", "name": "Nilda Marrowgate", "password": "a long enough one"}
DRIVER = frozenset({Hat.DRIVER})


def invite(db, team, initials="NM", hats=DRIVER) -> str:
    with transaction(db):
        return commands.invite(db, by=team.OW, name="Nilda Marrowgate", initials=initials, hats=hats)


def count(db, table) -> int:
    db.rollback()
    return db.scalar(select(func.count()).select_from(table))


def test_an_invited_person_joins_with_the_hats_of_the_invitation(db, team, browser):
    token = invite(db, team, hats=frozenset({Hat.GAUGE_HAND, Hat.DRIVER}))
    assert "Nilda Marrowgate" in browser.get(f"/join/{token}").text
    answer = browser.client.post(f"/join/{token}", data=ACCEPT, follow_redirects=False)
    assert answer.status_code == 303
    page = browser.get(f"/programmes/{team.id}/people")
    assert "Nilda Marrowgate" in page.text
    account = queries.find_account_by_login(db, "NEW.driver")
    assert queries.get_member(db, team.id, account.id).hats == {Hat.GAUGE_HAND, Hat.DRIVER}
    assert account.password_hash.startswith("$argon2id$")
    assert not account.starts_programmes


def test_a_link_works_once(db, team, browser):
    token = invite(db, team)
    browser.client.post(f"/join/{token}", data=ACCEPT)
    browser.as_(None)
    assert "works once" in text_of(browser.get(f"/join/{token}", status=404).text)
    second = browser.client.post(f"/join/{token}", data={**ACCEPT, "login": "another"})
    assert second.status_code == 404
    assert queries.find_account_by_login(db, "another") is None


def test_a_link_used_by_several_at_once_makes_one_account(db, team, app):
    race_for(db, app, invite(db, team))


def test_the_first_link_used_by_several_at_once_makes_one_manager(db, app):
    with transaction(db):
        token = commands.invite_first_manager(db)
    race_for(db, app, token)


def race_for(db, app, token: str) -> None:
    before, start, statuses = count(db, Account), threading.Barrier(6), []

    def accept(number: int) -> None:
        with Browser(app) as browser:
            start.wait()
            answer = browser.client.post(
                f"/join/{token}", data={**ACCEPT, "login": f"login{number}"}, follow_redirects=False
            )
            statuses.append(answer.status_code)

    threads = [threading.Thread(target=accept, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses)[0] == 303
    assert statuses.count(303) == 1
    assert set(statuses) - {303} <= {404, 409}
    assert count(db, Account) == before + 1


def test_a_link_runs_out_after_seven_days(db, team, browser):
    with clock.at(clock.now() - timedelta(days=7, minutes=1)):
        token = invite(db, team)
    browser.get(f"/join/{token}", status=404)
    with clock.at(clock.now() - timedelta(days=6, hours=23)):
        fresh = invite(db, team, initials="NN")
    browser.get(f"/join/{fresh}")


def test_a_token_is_kept_as_a_digest_only(db, team):
    token = invite(db, team)
    stored = db.scalars(select(Invitation)).all()
    assert token not in repr([vars(row) for row in stored])
    assert rules.digest(token) in {row.token_hash for row in stored}
    assert len(token) >= 43  # 256 bits


def test_the_link_is_shown_to_the_manager_once(db, team, browser):
    form = {"name": "Nilda", "initials": "NM", "hats": "driver"}
    page = browser.as_(team.OW).post(f"/programmes/{team.id}/people/invitations", form)
    token = page.text.split("http://testserver/join/")[1].split("<")[0]
    browser.get(f"/join/{token}")
    assert token not in browser.get(f"/programmes/{team.id}/people").text
    assert "Nilda" in browser.get(f"/programmes/{team.id}/people").text


def test_somebody_signed_in_joins_as_themselves(db, team, browser):
    other = make.programme(db, name="Elsewhere")
    token = invite(db, team)
    browser.as_(other.AQ)
    assert "Or join as Asta Quillfeather" in text_of(browser.get(f"/join/{token}").text)
    accounts = count(db, Account)
    browser.post(f"/join/{token}/as-myself", status=200)
    assert count(db, Account) == accounts
    assert queries.get_member(db, team.id, other.AQ.account_id).initials == "NM"


def test_a_member_who_opens_a_second_link_is_told_so(db, team, browser):
    token, members = invite(db, team), count(db, Membership)
    answer = browser.as_(team.AQ).post(f"/join/{token}/as-myself", status=409)
    assert "already" in text_of(answer.text)
    assert count(db, Membership) == members
    browser.get(f"/join/{token}")  # and the link is still good for whom it was meant


def test_taken_names_and_weak_passwords_are_refused_at_their_field(db, team, browser):
    token = invite(db, team)
    wrong = {
        "Somebody signs in with this name already": {"login": "ａｑ"},
        "at least 10 are needed": {"password": "short"},
        "one of the first anybody would try": {"password": "aaaaaaaaaaaa"},
        "mixes letters of": {"name": "Nildа"},
        "no letter or figure": {"login": "\u200b"},
    }
    for said, changed in wrong.items():
        page = browser.post(f"/join/{token}", {**ACCEPT, **changed}, status=422)
        assert said in text_of(page.text)
        assert "short" not in page.text
    page = browser.post(f"/join/{token}", {**ACCEPT, "password": ACCEPT["login"]}, status=422)
    assert "one of the first" in text_of(page.text)


def test_a_name_of_the_longest_ligatures_is_kept(db, team, browser):
    """Eighteen letters each in the key under which look-alikes meet: more than its column holds."""
    token = invite(db, team)
    answer = browser.client.post(f"/join/{token}", data={**ACCEPT, "login": "\ufdfa" * 80}, follow_redirects=False)
    assert answer.status_code == 303


def test_initials_are_taken_once_in_a_programme(db, team):
    with pytest.raises(Conflict, match="belong to Asta"):
        invite(db, team, initials="aq")
    first, second = invite(db, team, initials="NM"), invite(db, team, initials="nm")
    with transaction(db):
        commands.accept_invitation(db, make.HASHER, first, **ACCEPT)
    with pytest.raises(Conflict, match="belong to Nilda"), transaction(db):
        commands.accept_invitation(db, make.HASHER, second, **{**ACCEPT, "login": "second"})
    assert queries.find_invitation(db, second) is not None  # refused as a whole: the link is not used up


def test_who_may_invite(db, team):
    for initials in ("AQ", "RT", "SK"):
        with pytest.raises(NotAllowed), transaction(db):
            commands.invite(db, by=team[initials], name="N", initials="NM", hats=DRIVER)
    with pytest.raises(Refused, match="at least one hat"):
        invite(db, team, hats=frozenset())


# --- an empty installation
def test_the_first_link_makes_a_manager_who_starts_programmes(db, browser):
    with transaction(db):
        token = commands.invite_first_manager(db)
    assert "You are the first" in text_of(browser.get(f"/join/{token}").text)
    browser.client.post(f"/join/{token}", data=ACCEPT)
    assert queries.find_account_by_login(db, "new.driver").starts_programmes
    start = {"name": "Tarnwick", "time_zone": "Europe/Berlin", "initials": "NM", "hats": "designer"}
    page = browser.post("/programmes", start)
    assert "Tarnwick" in page.text
    with pytest.raises(Conflict), transaction(db):
        commands.invite_first_manager(db)


def test_a_second_start_withdraws_the_first_link(db):
    with transaction(db):
        first = commands.invite_first_manager(db)
    with transaction(db):
        second = commands.invite_first_manager(db)
    with pytest.raises(NotFound), transaction(db):
        commands.accept_invitation(db, make.HASHER, first, **ACCEPT)
    with transaction(db):
        commands.accept_invitation(db, make.HASHER, second, **ACCEPT)


def test_a_new_link_sets_a_forgotten_password_once(db, browser):
    import re

    from tests import make

    team = make.programme(db)
    page = browser.as_(team.OW).post(f"/programmes/{team.id}/people/{team.AQ.account_id}/link")
    link = re.search(r"/join/[\w-]+", page.text).group(0)
    browser.as_(None).post(link, {"login": "somebody-else", "name": "Other", "password": "a-new-password-9"})
    browser.as_(None).get(link, status=404)
    answer = browser.post("/sign-in", {"login": "aq", "password": "a-new-password-9"})
    assert "Asta Quillfeather" in answer.text
    browser.as_(team.AQ).post(f"/programmes/{team.id}/people/{team.RT.account_id}/link", status=403)
