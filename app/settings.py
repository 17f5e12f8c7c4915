"""The one reader of the environment and of the command line's choices."""

import os
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True, slots=True)
class Settings:
    """What one running installation needs to know.

    database_url : SQLAlchemy address; SQLite in the data folder unless `DATABASE_URL` names another.
    base_url     : the address people type, without a trailing slash; its scheme decides cookie and HSTS.
    """

    database_url: str
    base_url: str
    data_dir: Path
    plain_http: bool = True
    argon2_time: int = 2
    argon2_memory_kib: int = 19456
    extra_hosts: tuple[str, ...] = field(default=())

    @property
    def hosts(self) -> tuple[str, ...]:
        """Host names the app answers to; every other Host header is refused."""
        from urllib.parse import urlsplit

        own = urlsplit(self.base_url).hostname or "127.0.0.1"
        return (own, *self.extra_hosts)

    @property
    def cookie_name(self) -> str:
        return "proveout" if self.plain_http else "__Host-proveout"

    @property
    def device_cookie_name(self) -> str:
        return "proveout-device" if self.plain_http else "__Host-proveout-device"


def settings_for(data_dir: Path, *, host: str = "127.0.0.1", port: int = 8000) -> Settings:
    """Settings from a data folder, an address and the environment.

    `DATABASE_URL` (PostgreSQL), `PROVEOUT_BASE_URL` (the public https address) and `PROVEOUT_HOSTS`
    (further host names, comma separated) override what the command line implies.
    """
    base_url = os.environ.get("PROVEOUT_BASE_URL", f"http://{host}:{port}").rstrip("/")
    named = tuple(name.strip() for name in os.environ.get("PROVEOUT_HOSTS", "").split(",") if name.strip())
    local = ("localhost", "127.0.0.1") if host in ("127.0.0.1", "localhost", "0.0.0.0") else (host,)
    url = os.environ.get("DATABASE_URL") or f"sqlite:///{data_dir / 'proveout.sqlite3'}"
    return Settings(
        database_url=url,
        base_url=base_url,
        data_dir=data_dir,
        plain_http=not base_url.startswith("https://"),
        extra_hosts=(*local, *named),
    )
