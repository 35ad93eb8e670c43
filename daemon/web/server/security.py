"""What stands before every answer: whom the server believes to be itself, what may be sent to it, what browsers may do.

A browser sends requests for any web page that is open in it, also to this machine. Such a page cannot choose the Host
header, unless by a name of its own that leads here: so only known names are answered. It cannot hide its Origin when it
changes something, nor set a header of its own without asking first.
"""

import asyncio
from collections.abc import Iterable
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon.web.server.refusals import JsonAnswer, Refusal, error_answer

LONGEST_BODY = 65_536
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
)
SAFE_HEADERS = [
    (b"content-security-policy", CONTENT_POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    # Not "no-referrer": with that, browsers send the page's own forms with "Origin: null".
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
]
"""On every answer. An answer that may be kept says so itself."""


def is_loopback(host: str) -> bool:
    """Whether an address is of this machine alone."""
    try:
        return host.lower() == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False


class Hosts:
    """The hosts by which the server is addressed. names: those that lead here, besides its own addresses."""

    def __init__(self, bind: str, names: Iterable[str] = ()) -> None:
        self._loopback = is_loopback(bind)
        self._names = {name.lower() for name in names}

    def knows(self, host: str) -> bool:
        """Whether a Host header names this server. An address cannot be made to lead elsewhere; a foreign name can."""
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            return False
        if name in self._names or is_loopback(name):
            return True
        try:
            return not self._loopback and not ip_address(name).is_unspecified
        except ValueError:
            return False


def is_own_page(method: str, headers: Headers) -> bool:
    """Whether a request comes from a page of this server, or from no page at all."""
    if method not in ("GET", "HEAD") and headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
        return False
    origin = headers.get("origin")
    try:
        return origin is None or urlsplit(origin).netloc.lower() == headers.get("host", "").lower() != ""
    except ValueError:
        return False


class Guarded:
    """The application behind its gate. Refuses strangers and long bodies; puts the safe headers on every answer."""

    def __init__(self, app: ASGIApp, hosts: Hosts) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        begun = False

        async def safely(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                own = MutableHeaders(scope=message)
                for name, value in SAFE_HEADERS:
                    own.setdefault(name.decode(), value.decode())
            await send(message)

        async def refuse(refused: Refusal) -> None:
            answer = JsonAnswer(error_answer(refused), refused.status, headers={"Connection": "close"})
            await answer(scope, receive, safely)

        refused = self._refused(scope["method"], headers)
        if refused is not None:
            await refuse(refused)
            return
        try:
            await self._app(scope, _bounded(receive), safely)
        except asyncio.CancelledError:  # the server is ending, and has waited for this answer for as long as it does
            if not begun:
                await refuse(Refusal(503, "daemon", "it is being stopped", "ask again once it is back"))

    def _refused(self, method: str, headers: Headers) -> Refusal | None:
        if not self._hosts.knows(headers.get("host", "")) or not is_own_page(method, headers):
            return Refusal(403, "Host", "expected this machine's own address and no foreign page")
        if "content-length" in headers and "transfer-encoding" in headers:
            return Refusal(400, "request", "expected Content-Length or Transfer-Encoding, got both")  # RFC 9112, 6.3
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 10 or int(length) > LONGEST_BODY:
            return Refusal(413, "request", f"expected a body of at most {LONGEST_BODY} bytes, got {length[:40]}")
        return None


def _bounded(receive: Receive) -> Receive:
    """What is received, as long as it is not too much: a body sent in parts has no length beforehand."""
    got = 0

    async def receiving() -> Message:
        nonlocal got
        message = await receive()
        got += len(message.get("body", b""))
        if got > LONGEST_BODY:
            raise Refusal(413, "request", f"expected a body of at most {LONGEST_BODY} bytes, got more")
        return message

    return receiving
