"""Every SELECT about people."""

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import and_, func, select
from sqlalchemy.orm import joinedload

from app import clock
from app.access.viewer import ProgrammeRef, Viewer
from app.db import Db
from app.errors import NotFound
from app.people import rules
from app.people.models import Account, Hat, Invitation, KnownDevice, Membership, SignIn, SignInFailure
from app.programmes.models import Programme


def find_viewer(db: Db, token: str, programme_id: int | None) -> Viewer | None:
    """Who holds this sign-in token, with hats in that programme; None when it ended, expired or is disabled."""
    now = clock.now()
    query = (
        select(SignIn.id, SignIn.last_seen_at, Account.id, Account.name, Account.starts_programmes, Membership.initials,
               Membership.hats, Programme.id, Programme.name, Programme.time_zone, Programme.state)
        .join(Account, Account.id == SignIn.account_id)
        .outerjoin(Membership, and_(Membership.account_id == Account.id, Membership.programme_id == (programme_id or 0),
                                    Membership.left_at.is_(None)))
        .outerjoin(Programme, Programme.id == Membership.programme_id)
        .where(SignIn.token_hash == rules.digest(token), SignIn.ended_at.is_(None), SignIn.expires_at > now,
               Account.disabled_at.is_(None))
    )  # fmt: skip
    row = db.execute(query).first()
    if row is None or now - row[1] > rules.SIGN_IN_IDLE:
        return None
    sign_in_id, seen_at, account_id, name, founder, initials, hats, pid, pname, zone, state = row
    programme = ProgrammeRef(pid, pname, zone, state) if pid else None
    return Viewer(account_id, name, initials or "", hats or frozenset(), programme, sign_in_id, bool(founder), seen_at)


def find_account_by_login(db: Db, login: str) -> Account | None:
    return db.scalar(select(Account).where(Account.login_key == rules.name_key(login)))


def get_account(db: Db, account_id: int) -> Account:
    account = db.get(Account, account_id)
    if account is None:
        raise NotFound("There is no such person")
    return account


def count_accounts(db: Db) -> int:
    return db.scalar(select(func.count()).select_from(Account)) or 0


def find_invitation(db: Db, token: str) -> Invitation | None:
    """A one-time link that can still be used."""
    return db.scalar(
        select(Invitation).where(
            Invitation.token_hash == rules.digest(token),
            Invitation.used_at.is_(None),
            Invitation.withdrawn_at.is_(None),
            Invitation.expires_at > clock.now(),
        )
    )


class Person(NamedTuple):
    account_id: int
    name: str
    login: str
    initials: str
    hats: frozenset[Hat]
    disabled_at: datetime | None
    left_at: datetime | None

    @property
    def active(self) -> bool:
        return self.disabled_at is None and self.left_at is None


def list_people(db: Db, programme_id: int) -> Sequence[Person]:
    """Everyone who is or was in the programme, active first, by initials."""
    rows = db.scalars(
        select(Membership).where(Membership.programme_id == programme_id).options(joinedload(Membership.account))
    )
    people = [
        Person(m.account_id, m.account.name, m.account.login, m.initials, m.hats, m.account.disabled_at, m.left_at)
        for m in rows
    ]
    return sorted(people, key=lambda person: (not person.active, person.initials))


def initials_of(db: Db, programme_id: int) -> dict[int, str]:
    """Account id -> initials, for labels; includes people who left."""
    rows = db.execute(select(Membership.account_id, Membership.initials).where(Membership.programme_id == programme_id))
    return {row.account_id: row.initials for row in rows}


def get_member(db: Db, programme_id: int, account_id: int) -> Membership:
    member = db.scalar(
        select(Membership)
        .where(Membership.programme_id == programme_id, Membership.account_id == account_id)
        .options(joinedload(Membership.account))
    )
    if member is None:
        raise NotFound("There is no such person in this programme")
    return member


def is_member(db: Db, programme_id: int, account_id: int) -> bool:
    found = select(Membership.id).where(Membership.programme_id == programme_id, Membership.account_id == account_id)
    return db.scalar(found) is not None


def list_open_invitations(db: Db, programme_id: int) -> Sequence[Invitation]:
    return db.scalars(
        select(Invitation)
        .where(Invitation.programme_id == programme_id, Invitation.used_at.is_(None),
               Invitation.withdrawn_at.is_(None), Invitation.expires_at > clock.now())
        .order_by(Invitation.made_at)
    ).all()  # fmt: skip


def list_sign_ins(db: Db, account_id: int) -> Sequence[SignIn]:
    return db.scalars(
        select(SignIn)
        .where(SignIn.account_id == account_id, SignIn.ended_at.is_(None), SignIn.expires_at > clock.now())
        .order_by(SignIn.started_at.desc())
    ).all()


def list_programmes_of(db: Db, account_id: int) -> Sequence[Programme]:
    return db.scalars(
        select(Programme)
        .join(Membership, Membership.programme_id == Programme.id)
        .where(Membership.account_id == account_id, Membership.left_at.is_(None))
        .order_by(Programme.name)
    ).all()


def count_failures(db: Db, throttle_key: str) -> int:
    since = clock.now() - rules.THROTTLE_WINDOW
    return db.scalar(
        select(func.count()).where(SignInFailure.throttle_key == throttle_key, SignInFailure.at > since)
    ) or 0  # fmt: skip


def knows_device(db: Db, account_id: int, device_token: str) -> bool:
    return db.scalar(
        select(KnownDevice.id).where(
            KnownDevice.account_id == account_id, KnownDevice.token_hash == rules.digest(device_token)
        )
    ) is not None  # fmt: skip
