"""Initials and sign-in names for drivers whom only a table names."""

import hashlib
from collections.abc import Collection

from app.people.rules import name_key

LONGEST_INITIALS = 6


def login(programme_id: int, name: str) -> str:
    """A sign-in name nobody types: there is no password to it."""
    key = name_key(name).replace(" ", "-")
    if len(key) > 80:
        key = f"{key[:60]}-{hashlib.sha256(key.encode()).hexdigest()[:12]}"
    return f"imported-{programme_id}-{key}"


def initials(name: str, taken: Collection[str]) -> str:
    """Initials like AQ for Asta Quillfeather, made unique by a number; a short single word stays as it is."""
    words = name_key(name).split() or ["x"]
    if len(words) > 1:
        wanted = "".join(word[0] for word in words)[:LONGEST_INITIALS].upper()
    else:
        wanted = words[0].upper() if len(words[0]) <= 4 else words[0][:2].upper()
    wanted = wanted[:LONGEST_INITIALS]
    candidate, number = wanted, 2
    while name_key(candidate) in taken:
        candidate = f"{wanted[: LONGEST_INITIALS - len(str(number))]}{number}"
        number += 1
    return candidate
