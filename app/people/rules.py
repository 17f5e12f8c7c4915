"""Facts about people: keys for look-alike names, password rules, throttle limits."""

import hashlib
import secrets
import unicodedata
from datetime import timedelta

from app.errors import Refused

SIGN_IN_LASTS = timedelta(days=30)  # a driver's phone must still be signed in at the next hall day
SIGN_IN_IDLE = timedelta(days=14)
SEEN_EVERY = timedelta(days=1)  # how often a used sign-in is noted as seen
INVITATION_LASTS = timedelta(days=7)
THROTTLE_WINDOW = timedelta(minutes=15)
FAILURES_PER_ACCOUNT = 10  # from browsers that never signed in before
FAILURES_PER_DEVICE = 10  # from a browser that did
FAILURES_PER_ADDRESS = 30
PASSWORD_LENGTH = (10, 200)


def digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def new_token() -> str:
    return secrets.token_urlsafe(32)


def name_key(name: str) -> str:
    """A key under which look-alike spellings of a name meet: NFKC, case folded, invisible characters dropped.

    Half as long again as the name at most, so that it fits its column: one ligature may stand for eighteen letters.
    """
    plain = unicodedata.normalize("NFKC", name).casefold()
    kept = "".join(c for c in unicodedata.normalize("NFKC", plain) if unicodedata.category(c) not in ("Cf", "Cc", "Mn"))
    return " ".join(kept.split())[: len(name) + len(name) // 2]


def check_one_script(name: str, *, field: str) -> None:
    """Refuse a name that shows nothing, and a word that mixes alphabets: it could pass for another name."""
    if not name_key(name):
        raise Refused("There is no letter or figure that can be seen in it", "", "Type it again.", field=field)
    for word in name.split():
        scripts = {unicodedata.name(c, "").split(" ")[0] for c in word if c.isalpha()}
        mixed = scripts & {"LATIN", "CYRILLIC", "GREEK"}
        if len(mixed) > 1:
            raise Refused(
                f"“{word}” mixes letters of {' and '.join(sorted(s.title() for s in mixed))}",
                "It could be taken for another name",
                "Type it in one alphabet.",
                field=field,
            )


def check_password(password: str, *, login: str) -> None:
    low, high = PASSWORD_LENGTH
    if len(password) < low:
        raise Refused(f"The password has {len(password)} characters; at least {low} are needed", field="password")
    if len(password) > high:
        raise Refused(f"The password has {len(password)} characters; at most {high} are taken", field="password")
    if (
        name_key(password) in (name_key(login), "0123456789", "1234567890", "passwordpassword")
        or len(set(password)) < 4
    ):
        raise Refused("This password is one of the first anybody would try", "", "Choose another.", field="password")
