"""A small HTTP proxy that is the bad network: it loses, cuts, delays and doubles what passes, or answers itself."""

import http.client
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from random import Random

HOP = ("connection", "keep-alive", "transfer-encoding", "content-length", "proxy-connection", "te", "upgrade")
PORTAL = b"<!doctype html><title>Hall network</title><h1>Welcome to the hall's network</h1><form><input name=code></form>"
BROKEN = b"<html><head><title>Bad Gateway</title></head><body>The upstream is not there</body></html>"
OUTBOX_JS = "/static/js/outbox.js"
Rewrite = Callable[[str], str]


@dataclass(frozen=True)
class Weather:
    """Shares of what becomes of a post and of a fetch; "through" is the rest of 100."""

    name: str
    post: Mapping[str, int]
    get: Mapping[str, int]

    def choose(self, method: str, random: Random) -> str:
        shares = self.post if method == "POST" else self.get
        drawn = random.randrange(100)
        for fault, share in shares.items():
            drawn -= share
            if drawn < 0:
                return fault
        return "through"


def everything(fault: str) -> Weather:
    return Weather(fault, {fault: 100}, {fault: 100})


FINE = Weather("fine", {}, {})
PATCHY = Weather("patchy", {"dropped": 12, "answer_dropped": 17, "answer_cut": 13, "late": 8, "twice": 10, "bad_gateway": 5,
                            "bad_gateway_after": 6, "unavailable": 4, "portal": 6, "portal_redirect": 3},
                 {"dropped": 4, "answer_dropped": 2, "answer_cut": 3, "late": 4, "bad_gateway": 2, "portal": 3})  # fmt: skip
DEAF = Weather("answers lost", {"answer_dropped": 50, "answer_cut": 30}, {})
DOUBLING = Weather("doubling", {"twice": 100}, {})
GATEWAY = Weather("gateway", {"bad_gateway": 30, "bad_gateway_after": 40, "unavailable": 30}, {"bad_gateway": 30})
HANGING = Weather("hanging", {"hangs": 100}, {})  # longer than the phone's patience of 8 s
WEATHERS = ((PATCHY, 40), (DEAF, 15), (DOUBLING, 8), (GATEWAY, 9), (everything("portal"), 10), (everything("dropped"), 8), (FINE, 10))


class Lines(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False

    def handle_error(self, request: object, client_address: object) -> None:
        """A line that the browser dropped is part of the weather."""


class Proxy:
    """One for each schedule, on a port and so an origin of its own. `rewrite` changes the outbox's script on its way."""

    def __init__(self, upstream: int, random: Random, rewrite: Rewrite | None = None) -> None:
        self.upstream, self.random, self.rewrite = upstream, random, rewrite
        self.weather, self.faults = FINE, Counter[str]()
        self.closed = threading.Event()
        handler = type("Bound", (Handler,), {"proxy": self})
        self.server = Lines(("127.0.0.1", 0), handler)
        threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        self.base = f"http://127.0.0.1:{self.server.server_address[1]}"

    def close(self) -> None:
        self.closed.set()
        self.server.shutdown()
        self.server.server_close()


class Handler(BaseHTTPRequestHandler):
    """One line from the browser; each request meets the weather of its moment."""

    proxy: Proxy
    protocol_version = "HTTP/1.1"
    timeout = 30

    def do_GET(self) -> None:
        self.serve()

    def do_POST(self) -> None:
        self.serve()

    def log_message(self, *_: object) -> None:
        """Quiet."""

    def serve(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        fault = self.proxy.weather.choose(self.command, self.proxy.random)
        if fault != "through":
            self.proxy.faults[f"{self.command} {fault}"] += 1
        with suppress(OSError, http.client.HTTPException):
            FAULTS[fault](self, body)
            return
        self.hang_up()

    # --- to the app and back
    def ask(self, body: bytes) -> tuple[int, list[tuple[str, str]], bytes]:
        """Raises OSError where the server is down."""
        line = http.client.HTTPConnection("127.0.0.1", self.proxy.upstream, timeout=20)
        try:
            headers = {name: value for name, value in self.headers.items() if name.lower() not in (*HOP, "accept-encoding")}
            line.request(self.command, self.path, body if self.command == "POST" else None, headers)
            answer = line.getresponse()
            said = answer.read()
            kept = [(name, value) for name, value in answer.getheaders() if name.lower() not in HOP]
        finally:
            line.close()
        if self.proxy.rewrite is not None and self.path.startswith(OUTBOX_JS):
            said = self.proxy.rewrite(said.decode()).encode()
        return answer.status, kept, said

    def tell(self, status: int, headers: list[tuple[str, str]], body: bytes, *, whole: bool = True) -> None:
        self.send_response_only(status)
        for name, value in headers:
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body if whole else body[: max(1, len(body) // 2)])
        if not whole:
            self.wfile.flush()
            self.hang_up()

    def page(self, status: int, body: bytes) -> None:
        self.tell(status, [("Content-Type", "text/html")], body)

    def hang_up(self) -> None:
        """A reset, as where the radio is gone: no farewell."""
        self.close_connection = True
        with suppress(OSError):
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.connection.close()

    # --- what may become of a request
    def through(self, body: bytes) -> None:
        self.tell(*self.ask(body))

    def dropped(self, body: bytes) -> None:
        self.hang_up()

    def answer_dropped(self, body: bytes) -> None:
        self.ask(body)
        self.hang_up()

    def answer_cut(self, body: bytes) -> None:
        self.tell(*self.ask(body), whole=False)

    def late(self, body: bytes) -> None:
        time.sleep(self.proxy.random.uniform(0.1, 0.6))
        answer = self.ask(body)
        time.sleep(self.proxy.random.uniform(0.0, 0.4))
        self.tell(*answer)

    def twice(self, body: bytes) -> None:
        """Two at the same time, or one after the other; either one's answer."""
        if self.proxy.random.random() < 0.5:
            other = threading.Thread(target=self._ask_alone, args=(body,), daemon=True)
            other.start()
            answer = self.ask(body)
            other.join(20)
        else:
            first, second = self.ask(body), self.ask(body)
            answer = self.proxy.random.choice((first, second))
        self.tell(*answer)

    def _ask_alone(self, body: bytes) -> None:
        with suppress(OSError, http.client.HTTPException):
            self.ask(body)

    def hangs(self, body: bytes) -> None:
        self.ask(body)
        self.proxy.closed.wait(12)
        self.hang_up()

    def bad_gateway(self, body: bytes) -> None:
        self.page(502, BROKEN)

    def bad_gateway_after(self, body: bytes) -> None:
        self.ask(body)
        self.page(502, BROKEN)

    def unavailable(self, body: bytes) -> None:
        self.page(503, BROKEN)

    def portal(self, body: bytes) -> None:
        self.page(200, PORTAL)

    def portal_redirect(self, body: bytes) -> None:
        self.tell(302, [("Location", "/portal-login"), ("Content-Type", "text/html")], PORTAL)


FAULTS: Mapping[str, Callable[[Handler, bytes], None]] = {
    name: getattr(Handler, name) for name in (
        "through", "dropped", "answer_dropped", "answer_cut", "late", "twice", "hangs", "bad_gateway", "bad_gateway_after", "unavailable",
        "portal", "portal_redirect")
}  # fmt: skip
