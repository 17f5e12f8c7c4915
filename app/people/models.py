"""Accounts, their hats in each programme, invitations and sign-ins."""

from datetime import datetime
from enum import StrEnum

from sqlalchemy import Boolean, ForeignKey, Index, Integer, String, UniqueConstraint
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator

from app.db import Base, UtcDateTime, not_blank


class Hat(StrEnum):
    DRIVER = "driver"
    CONDUCTOR = "conductor"
    GAUGE_HAND = "gauge hand"
    DESIGNER = "designer"
    MANAGER = "manager"


class HatSet(TypeDecorator[frozenset[Hat]]):
    """Several hats in one column, in a fixed order, comma separated."""

    impl = String(80)
    cache_ok = True

    def process_bind_param(self, value: frozenset[Hat] | None, dialect: Dialect) -> str | None:
        return None if value is None else ",".join(hat.value for hat in Hat if hat in value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> frozenset[Hat] | None:
        return None if value is None else frozenset(Hat(word) for word in value.split(",") if word)


class Account(Base):
    """A person who signs in. Never deleted: what they filed keeps its author."""

    __tablename__ = "accounts"
    __table_args__ = (not_blank("name"), not_blank("login_key"))

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    login: Mapped[str] = mapped_column(String(120))
    login_key: Mapped[str] = mapped_column(String(120), unique=True)
    name: Mapped[str] = mapped_column(String(80))
    password_hash: Mapped[str | None] = mapped_column(String(200))
    starts_programmes: Mapped[bool] = mapped_column(Boolean, default=False)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    disabled_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class Membership(Base):
    """One account's initials and hats in one programme."""

    __tablename__ = "memberships"
    __table_args__ = (
        UniqueConstraint("programme_id", "account_id"),
        UniqueConstraint("programme_id", "initials_key"),
        not_blank("initials"),
    )

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    programme_id: Mapped[int] = mapped_column(ForeignKey("programmes.id"))
    account_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"), index=True)
    initials: Mapped[str] = mapped_column(String(12))
    initials_key: Mapped[str] = mapped_column(String(24))
    hats: Mapped[frozenset[Hat]] = mapped_column(HatSet)
    joined_at: Mapped[datetime] = mapped_column(UtcDateTime)
    left_at: Mapped[datetime | None] = mapped_column(UtcDateTime)

    account: Mapped[Account] = relationship(lazy="raise")


class Invitation(Base):
    """A one-time link. With a programme it makes a member; without one, the first manager."""

    __tablename__ = "invitations"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    programme_id: Mapped[int | None] = mapped_column(ForeignKey("programmes.id"))
    account_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    name: Mapped[str] = mapped_column(String(80), default="")
    initials: Mapped[str] = mapped_column(String(12), default="")
    hats: Mapped[frozenset[Hat]] = mapped_column(HatSet)
    invited_by_id: Mapped[int | None] = mapped_column(ForeignKey("accounts.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime)
    used_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class SignIn(Base):
    """A sign-in session: the cookie holds a random token, this row its SHA-256."""

    __tablename__ = "sign_ins"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    token_hash: Mapped[str] = mapped_column(String(64), unique=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"), index=True)
    started_at: Mapped[datetime] = mapped_column(UtcDateTime)
    last_seen_at: Mapped[datetime] = mapped_column(UtcDateTime)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    device: Mapped[str] = mapped_column(String(200), default="")


class KnownDevice(Base):
    """A browser that signed in before; a stranger's wrong guesses don't slow it down."""

    __tablename__ = "known_devices"
    __table_args__ = (UniqueConstraint("account_id", "token_hash"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    token_hash: Mapped[str] = mapped_column(String(64))
    first_seen_at: Mapped[datetime] = mapped_column(UtcDateTime)


class SignInFailure(Base):
    """One wrong attempt, kept for the throttle only. `throttle_key` is a digest, never a name or address."""

    __tablename__ = "sign_in_failures"
    __table_args__ = (Index("ix_sign_in_failures_throttle_key_at", "throttle_key", "at"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    throttle_key: Mapped[str] = mapped_column(String(64))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
