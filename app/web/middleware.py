"""Pure ASGI: security headers on every answer, the origin check on every unsafe request."""

from collections.abc import Callable, MutableMapping
from typing import Any
from urllib.parse import urlsplit

from app.settings import Settings

Scope = MutableMapping[str, Any]
SAFE = ("GET", "HEAD", "OPTIONS")

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'; object-src 'none'"
)


def security_headers(settings: Settings) -> list[tuple[bytes, bytes]]:
    headers = [
        ("content-security-policy", CONTENT_POLICY), ("x-content-type-options", "nosniff"),
        ("referrer-policy", "same-origin"), ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"), ("x-frame-options", "DENY"),
        ("permissions-policy", "camera=(self), geolocation=(), microphone=()"),
    ]  # fmt: skip
    if not settings.plain_http:
        headers.append(("strict-transport-security", "max-age=31536000; includeSubDomains"))
    return [(name.encode(), value.encode()) for name, value in headers]


class SecurityHeaders:
    """Outermost, so that error answers of every layer below carry the headers too."""

    def __init__(self, app: Callable[..., Any], settings: Settings) -> None:
        self.app, self.extra = app, security_headers(settings)

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        cacheable = scope["path"].startswith("/static/")

        async def send_with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                present = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(h for h in self.extra if h[0] not in present)]
                if b"cache-control" not in present:
                    kept = cacheable and message["status"] in (200, 304)
                    stored = b"public, max-age=31536000, immutable" if kept else b"no-store"
                    message["headers"].append((b"cache-control", stored))
            await send(message)

        await self.app(scope, receive, send_with_headers)


class OriginCheck:
    """Every unsafe method: Sec-Fetch-Site must be same-origin; if absent, Origin must be ours. Sign-in included."""

    def __init__(self, app: Callable[..., Any], settings: Settings, refuse: Callable[..., Any]) -> None:
        self.app, self.settings, self.refuse = app, settings, refuse

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        if scope["type"] == "http" and scope["method"] not in SAFE and not self.same_origin(scope):
            response = self.refuse(scope)
            await response(scope, receive, send)
            return
        await self.app(scope, receive, send)

    def same_origin(self, scope: Scope) -> bool:
        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        site = headers.get(b"sec-fetch-site")
        if site is not None:
            return site == "same-origin"
        origin = headers.get(b"origin")
        if origin is None:
            return False
        if origin == self.settings.base_url:
            return True
        # On a hall's own network the host may be typed in several ways; all are on the host list.
        try:
            asked, here = urlsplit(origin), urlsplit(f"//{headers.get(b'host', '')}")
        except ValueError:  # such as http://[
            return False
        base = urlsplit(self.settings.base_url)
        return asked.scheme == base.scheme and asked.netloc == here.netloc and asked.hostname in self.settings.hosts


class KnownHosts:
    """Refuse a Host header that is not ours, so that no address is ever built from a stranger's."""

    def __init__(self, app: Callable[..., Any], settings: Settings, refuse: Callable[..., Any]) -> None:
        self.app, self.hosts, self.refuse = app, set(settings.hosts), refuse

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            host = next((v.decode("latin-1") for n, v in scope["headers"] if n == b"host"), "")
            if _host_name(host) not in self.hosts:
                await self.refuse(scope)(scope, receive, send)
                return
        await self.app(scope, receive, send)


def _host_name(host: str) -> str | None:
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:  # such as [::1
        return None


class BodyLimit:
    """Count the bytes while they stream in; the file pages take more than the others."""

    def __init__(self, app: Callable[..., Any], *, most: int, most_files: int, file_paths: tuple[str, ...]) -> None:
        self.app, self.most, self.most_files, self.file_paths = app, most, most_files, file_paths

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        most = self.most_files if any(word in scope["path"] for word in self.file_paths) else self.most
        seen = 0

        async def counted() -> MutableMapping[str, Any]:
            nonlocal seen
            message = await receive()
            if message["type"] == "http.request":
                seen += len(message.get("body", b""))
                if seen > most:
                    from app.errors import TooLarge

                    raise TooLarge(
                        "That is too much for one form",
                        f"More than {most // 1_000_000} MB was sent; at most that much is taken here",
                        "Send less, or split it.",
                    )
            return message

        await self.app(scope, counted, send)
