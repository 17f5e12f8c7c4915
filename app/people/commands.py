"""Every write about people: invitations, hats, sign-ins, disabling."""

from sqlalchemy import delete, select, update

from app import clock
from app.access.actions import Action
from app.access.viewer import Viewer, require
from app.db import Db
from app.errors import Conflict, NotAllowed, NotFound, Refused, TooMany
from app.history.commands import record
from app.people import queries, rules
from app.people.models import Account, Hat, Invitation, KnownDevice, Membership, SignIn, SignInFailure
from app.people.passwords import Hasher

Limits = tuple[tuple[str, int], ...]  # (throttle key, most wrong attempts)


def invite_first_manager(db: Db) -> str:
    """A one-time link's token for an empty installation; earlier unused ones are withdrawn."""
    if queries.count_accounts(db):
        raise Conflict("This installation already has people", "Only an empty one prints a first link.")
    db.execute(update(Invitation).where(Invitation.used_at.is_(None)).values(withdrawn_at=clock.now()))
    return _new_invitation(db, None, name="", initials="", hats=frozenset({Hat.MANAGER}), by_id=None)


def invite(db: Db, *, by: Viewer, name: str, initials: str, hats: frozenset[Hat]) -> str:
    """Invite one person to the programme; answers the token of the one-time link, shown once."""
    require(by, Action.INVITE)
    if not hats:
        raise Refused("Choose at least one hat", field="hats")
    rules.check_one_script(name, field="name")
    _check_initials_free(db, by.programme_id, initials)
    token = _new_invitation(db, by.programme_id, name=name, initials=initials, hats=hats, by_id=by.account_id)
    invitation = queries.find_invitation(db, token)
    record(db, "invited", "person", invitation.id if invitation else 0, name, by_id=by.account_id,
           programme_id=by.programme_id, hats=[hat.value for hat in Hat if hat in hats])  # fmt: skip
    return token


def invite_again(db: Db, account_id: int, *, by: Viewer) -> str:
    """A one-time link with which a present person sets a new password; earlier unused ones of theirs are withdrawn."""
    require(by, Action.INVITE)
    member = queries.get_member(db, by.programme_id, account_id)
    if member.account.disabled_at is not None:
        raise Conflict(f"{member.account.name} is disabled", "", "Enable the account first.")
    if len(queries.list_programmes_of(db, account_id)) > 1:
        raise Conflict(f"{member.account.name} is in another programme too", "Its manager would have to agree",
                       "Whoever runs the installation can set a password with the reset-password command.")  # fmt: skip
    db.execute(update(Invitation).where(Invitation.account_id == account_id, Invitation.used_at.is_(None))
               .values(withdrawn_at=clock.now()))  # fmt: skip
    token = _new_invitation(db, by.programme_id, name=member.account.name, initials=member.initials, hats=member.hats,
                            by_id=by.account_id)  # fmt: skip
    invitation = queries.find_invitation(db, token)
    if invitation is not None:
        invitation.account_id = account_id
    record(db, "made a new link", "person", account_id, member.account.name, by_id=by.account_id, programme_id=by.programme_id)
    return token


def _new_invitation(db: Db, programme_id: int | None, *, name: str, initials: str, hats: frozenset[Hat],
                    by_id: int | None) -> str:  # fmt: skip
    token, now = rules.new_token(), clock.now()
    db.add(
        Invitation(
            token_hash=rules.digest(token),
            programme_id=programme_id,
            name=name,
            initials=initials,
            hats=hats,
            invited_by_id=by_id,
            made_at=now,
            expires_at=now + rules.INVITATION_LASTS,
        )
    )
    db.flush()
    return token


def _check_initials_free(db: Db, programme_id: int, initials: str) -> None:
    rules.check_one_script(initials, field="initials")
    taken = db.scalar(
        select(Account.name)
        .join(Membership, Membership.account_id == Account.id)
        .where(Membership.programme_id == programme_id, Membership.initials_key == rules.name_key(initials))
    )
    if taken:
        raise Conflict(f"The initials {initials} belong to {taken}", "", "Choose others.", field="initials")


def make_account(
    db: Db, hasher: Hasher, *, login: str, name: str, password: str, starts_programmes: bool = False
) -> Account:
    """A new account; the login must be new."""
    rules.check_password(password, login=login)
    rules.check_one_script(name, field="name")
    rules.check_one_script(login, field="login")
    if queries.find_account_by_login(db, login):
        raise Conflict(
            "Somebody signs in with this name already",
            "",
            "Sign in with it first, then open the link again.",
            field="login",
        )
    account = Account(
        login=login,
        login_key=rules.name_key(login),
        name=name,
        password_hash=hasher.hash(password),
        starts_programmes=starts_programmes,
        created_at=clock.now(),
    )
    db.add(account)
    db.flush()
    return account


def add_member(db: Db, programme_id: int, account: Account, *, initials: str, hats: frozenset[Hat]) -> Membership:
    if queries.is_member(db, programme_id, account.id):
        raise Conflict(
            f"{account.name} is one of the programme's people already", "", "Sign in and open the programme."
        )
    _check_initials_free(db, programme_id, initials)
    member = Membership(
        programme_id=programme_id,
        account_id=account.id,
        initials=initials,
        initials_key=rules.name_key(initials),
        hats=hats,
        joined_at=clock.now(),
    )
    db.add(member)
    db.flush()
    record(db, "joined", "person", account.id, account.name, by_id=account.id, programme_id=programme_id,
           hats=[hat.value for hat in Hat if hat in hats])  # fmt: skip
    return member


def accept_invitation(db: Db, hasher: Hasher, token: str, *, login: str, name: str, password: str,
                      as_account_id: int | None = None) -> Account:  # fmt: skip
    """Use a one-time link once: makes the account (or takes the signed-in one) and its membership.

    A link made for a present person sets a new password and ends their sign-ins; name and login stay.
    """
    invitation = queries.find_invitation(db, token)
    if invitation is None:
        raise NotFound("This link was used, withdrawn or has run out", "A link works once, for seven days.",
                       "Ask the manager for a new one.")  # fmt: skip
    used = db.execute(
        update(Invitation)
        .where(Invitation.id == invitation.id, Invitation.used_at.is_(None))
        .values(used_at=clock.now())
    )
    if used.rowcount != 1:  # type: ignore[attr-defined]
        raise Conflict("This link was used a moment ago", "", "Ask the manager for a new one.")
    if invitation.account_id is not None:
        return _renew_password(db, hasher, invitation.account_id, password)
    if as_account_id is not None:
        account = queries.get_account(db, as_account_id)
    else:
        first = invitation.programme_id is None
        account = make_account(db, hasher, login=login, name=name, password=password, starts_programmes=first)
    invitation.account_id = account.id
    if invitation.programme_id is not None:
        add_member(db, invitation.programme_id, account, initials=invitation.initials, hats=invitation.hats)
    db.flush()
    return account


def _renew_password(db: Db, hasher: Hasher, account_id: int, password: str) -> Account:
    account = queries.get_account(db, account_id)
    rules.check_password(password, login=account.login)
    account.password_hash = hasher.hash(password)
    end_sign_ins(db, account_id)
    db.flush()
    return account


def set_hats(db: Db, account_id: int, *, by: Viewer, hats: frozenset[Hat], why: str = "") -> None:
    require(by, Action.INVITE)
    member = queries.get_member(db, by.programme_id, account_id)
    if not hats:
        raise Refused("A person keeps at least one hat", "", "Disable the account instead.", field="hats")
    if account_id == by.account_id and Hat.MANAGER not in hats:
        raise Refused("You can't take off your own manager's hat", "The programme could be left without one",
                      "Let another manager do it.", field="hats")  # fmt: skip
    before = [hat.value for hat in Hat if hat in member.hats]
    member.hats = hats
    end_sign_ins(db, account_id)  # a changed hat starts with a fresh sign-in
    record(db, "set hats", "person", account_id, member.account.name, by_id=by.account_id, programme_id=by.programme_id,
           why=why, before=before, after=[hat.value for hat in Hat if hat in hats])  # fmt: skip


def disable_account(db: Db, account_id: int, *, by: Viewer, why: str) -> None:
    """No more sign-ins; everything the person filed keeps its author."""
    require(by, Action.DISABLE_ACCOUNT)
    if account_id == by.account_id:
        raise Refused("You can't disable yourself", "", "Let another manager do it.")
    member = queries.get_member(db, by.programme_id, account_id)
    member.account.disabled_at = clock.now()
    end_sign_ins(db, account_id)
    record(db, "disabled", "person", account_id, member.account.name, by_id=by.account_id,
           programme_id=by.programme_id, why=why)  # fmt: skip


def enable_account(db: Db, account_id: int, *, by: Viewer, why: str) -> None:
    require(by, Action.DISABLE_ACCOUNT)
    member = queries.get_member(db, by.programme_id, account_id)
    member.account.disabled_at = None
    record(db, "enabled", "person", account_id, member.account.name, by_id=by.account_id,
           programme_id=by.programme_id, why=why)  # fmt: skip


def change_password(db: Db, hasher: Hasher, *, by: Viewer, old: str, new: str) -> None:
    """Needs the present password; ends every other sign-in."""
    account = queries.get_account(db, by.account_id)
    if not hasher.verify(account.password_hash, old):
        raise NotAllowed("The present password is not right", field="old")
    rules.check_password(new, login=account.login)
    account.password_hash = hasher.hash(new)
    end_sign_ins(db, account.id, keep_id=by.sign_in_id)


def end_sign_ins(db: Db, account_id: int, *, keep_id: int | None = None) -> None:
    ended = update(SignIn).where(SignIn.account_id == account_id, SignIn.ended_at.is_(None))
    if keep_id is not None:
        ended = ended.where(SignIn.id != keep_id)
    db.execute(ended.values(ended_at=clock.now()))


def end_sign_in(db: Db, sign_in_id: int, *, by: Viewer) -> None:
    """End one of the viewer's own sign-ins."""
    ended = db.execute(
        update(SignIn).where(SignIn.id == sign_in_id, SignIn.account_id == by.account_id).values(ended_at=clock.now())
    )
    if ended.rowcount != 1:  # type: ignore[attr-defined]
        raise NotFound("There is no such sign-in of yours")


def end_by_token(db: Db, token: str) -> None:
    """End the sign-in that this cookie belongs to, if any."""
    db.execute(update(SignIn).where(SignIn.token_hash == rules.digest(token), SignIn.ended_at.is_(None))
               .values(ended_at=clock.now()))  # fmt: skip


def start_sign_in(db: Db, account_id: int, *, device: str, device_token: str) -> str:
    """A fresh server-side sign-in; answers the cookie's token. Earlier ones stay valid until ended."""
    token, now = rules.new_token(), clock.now()
    db.add(SignIn(token_hash=rules.digest(token), account_id=account_id, started_at=now, last_seen_at=now,
                  expires_at=now + rules.SIGN_IN_LASTS, device=device[:200]))  # fmt: skip
    if not queries.knows_device(db, account_id, device_token):
        db.add(KnownDevice(account_id=account_id, token_hash=rules.digest(device_token), first_seen_at=now))
    db.flush()
    return token


def book_attempt(db: Db, limits: Limits) -> list[int]:
    """Take a place among the few attempts before the slow hash is computed: many at once can't slip through.

    Answers the rows to `give_back` if the password was right; otherwise they stay and count as failures.
    """
    now = clock.now()
    db.execute(delete(SignInFailure).where(SignInFailure.at < now - 4 * rules.THROTTLE_WINDOW))
    rows = [SignInFailure(throttle_key=key, at=now) for key, _ in limits]
    db.add_all(rows)
    db.flush()
    return [row.id for row in rows]


def give_back(db: Db, booked: list[int]) -> None:
    db.execute(delete(SignInFailure).where(SignInFailure.id.in_(booked)))


def touch_sign_in(db: Db, sign_in_id: int) -> None:
    """Keep an active sign-in from idling out; called at most once a day."""
    db.execute(update(SignIn).where(SignIn.id == sign_in_id).values(last_seen_at=clock.now()))


def sign_in_limits(db: Db, *, login: str, address: str, device_token: str) -> Limits:
    """What an attempt counts against, and how much of it is allowed.

    Guesses from strangers count against the account's *unknown* browsers only, so a person on a browser that
    signed in before can't be locked out by them.
    """
    account = queries.find_account_by_login(db, login)
    if account and device_token and queries.knows_device(db, account.id, device_token):
        return ((rules.digest(f"device {device_token}"), rules.FAILURES_PER_DEVICE),)
    return ((rules.digest(f"account {rules.name_key(login)}"), rules.FAILURES_PER_ACCOUNT),
            (rules.digest(f"address {address}"), rules.FAILURES_PER_ADDRESS))  # fmt: skip


def password_limits(account_id: int) -> Limits:
    return ((rules.digest(f"password of {account_id}"), rules.FAILURES_PER_DEVICE),)


def check_limits(db: Db, limits: Limits, *, booked: int = 0) -> None:
    """Refuse what is over the limit, `booked` of it being the asker's own place."""
    for key, most in limits:
        if queries.count_failures(db, key) - booked >= most:
            raise TooMany("Too many wrong attempts", "Signing in is paused for up to 15 minutes here",
                          "Wait, use a browser that signed in before, or ask the manager for a new link.")  # fmt: skip
