"""argon2id password hashes; at most two computed at a time, so that guessing can't eat the machine."""

import threading

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError


class Hasher:
    """Hashes and verifies. A missing account costs the same time as a wrong password."""

    def __init__(self, *, time_cost: int, memory_kib: int) -> None:
        self._argon2 = PasswordHasher(time_cost=time_cost, memory_cost=memory_kib, parallelism=1)
        self._slots = threading.BoundedSemaphore(2)
        self._nobody = self._argon2.hash("nobody's password, so that unknown names take as long")

    def hash(self, password: str) -> str:
        with self._slots:
            return self._argon2.hash(password)

    def verify(self, password_hash: str | None, password: str) -> bool:
        with self._slots:
            try:
                self._argon2.verify(password_hash or self._nobody, password)
            except (VerificationError, InvalidHashError):
                return False
        return password_hash is not None
