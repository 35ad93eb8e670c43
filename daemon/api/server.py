"""A small HTTP server on loopback. It only puts questions into the loop's queue and waits for the answers.

    GET  /api/why            the standing decision and every finding
    GET  /api/health         inputs with their ages, connections, books, alarms
    GET  /api/rule           every rule with its settings
    POST /api/rule           {"rule": NAME, "set": {KEY: VALUE, …}}
    POST /api/resend         {"ledger": PATH, "intervals": [[START_S, HEATER], …]} to the time-series database
    POST /api/override       {"order": ORDER, "for_s": SECONDS, "heater": NAME or null}, or {"clear": true}

Answers are JSON objects; errors are {"error": {"op", "subject", "cause", "hint", "text"}} with status 400 (a person can
mend it), 403, 404, 500 (an error nobody foresaw) or 503 (the loop did not answer in time). "text" is all of it for
people, one problem a line.
"""

import json
import logging
import socket
import threading
from collections.abc import Callable
from concurrent.futures import Future
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from daemon.events import Ask
from rules.errors import BrimfulError

log = logging.getLogger(__name__)
ANSWER_WITHIN_S = 5.0
LONGEST_BODY = 65_536
ROUTES = {
    ("GET", "/api/why"): "why",
    ("GET", "/api/health"): "health",
    ("GET", "/api/rule"): "rules",
    ("POST", "/api/rule"): "rule",
    ("POST", "/api/override"): "override",
    ("POST", "/api/resend"): "resend",
}


class ApiServer:
    """Listens on `bind`:`port` (0: any free one, see `.port`) in threads of its own until `stop()`."""

    def __init__(self, bind: str, port: int, put: Callable[[Ask], None]) -> None:
        handler = type("Handler", (_Handler,), {"put": staticmethod(put)})
        family = socket.AF_INET6 if ":" in bind else socket.AF_INET
        listening = type("Server", (ThreadingHTTPServer,), {"address_family": family})
        try:
            self._server = listening((bind, port), handler)
        except OSError as taken:
            raise BrimfulError(
                "open the local API",
                f"{bind}:{port}",
                f"expected a free address, got {taken.strerror}",
                "is another brimful running here? set [api] port",
            ) from taken
        self._server.daemon_threads = True
        self.bind = bind
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, name="api", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class _Handler(BaseHTTPRequestHandler):
    """One request. Refuses what a web page elsewhere could make a browser send."""

    put: Callable[[Ask], None]
    protocol_version = "HTTP/1.1"
    server_version = "brimful"
    sys_version = ""
    timeout = 10

    def do_GET(self) -> None:
        self._serve("GET", {})

    def do_POST(self) -> None:
        try:
            length = int(self.headers.get("Content-Length", "0"))
        except ValueError:
            length = -1
        if not 0 <= length <= LONGEST_BODY:
            self.close_connection = True
            self._error(400, "request", f"expected a body of at most {LONGEST_BODY} bytes, got {length}")
            return
        body = self.rfile.read(length)
        if self.headers.get_content_type() != "application/json":
            self._error(400, "Content-Type", "expected application/json")
            return
        try:
            arguments = json.loads(body)
        except (ValueError, RecursionError):
            arguments = None
        if not isinstance(arguments, dict):
            self._error(400, "request", "expected a JSON object")
            return
        self._serve("POST", arguments)

    def _serve(self, method: str, arguments: dict[str, Any]) -> None:
        if not self._from_here():
            self._error(403, "Host", "expected this machine's own address and no foreign page")
            return
        name = ROUTES.get((method, urlsplit(self.path).path))
        if name is None:
            self._error(404, self.path[:80], "expected one of the paths of the API")
            return
        answer: Future[Any] = Future()
        self.put(Ask(name, arguments, answer))
        try:
            content = answer.result(ANSWER_WITHIN_S)
        except BrimfulError as refused:
            self._refuse(400, refused)
        except TimeoutError:
            # What is still in the queue must not be done after its asker was told that it was not.
            fate = "nothing was done" if answer.cancel() else "it may be done all the same"
            self._error(503, "loop", f"expected an answer within {ANSWER_WITHIN_S:g} s", fate)
        except Exception as unforeseen:
            self._error(500, name, f"expected an answer, got {type(unforeseen).__name__}", "see the daemon's log")
        else:
            self._send(200, content)

    def _from_here(self) -> bool:
        origin = self.headers.get("Origin")
        return _is_here(f"//{self.headers.get('Host', '')}") and (origin is None or _is_here(origin))

    def _error(self, status: int, subject: str, cause: str, hint: str = "") -> None:
        self._refuse(status, BrimfulError("answer", subject, cause, hint))

    def _refuse(self, status: int, error: BrimfulError) -> None:
        told = {"op": error.op, "subject": error.subject, "cause": error.cause, "hint": error.hint}
        self._send(status, {"error": {**told, "text": str(error)}})

    def _send(self, status: int, content: Any) -> None:
        # Half a character, which JSON can carry in and UTF-8 cannot carry out, becomes its JSON escape again.
        body = json.dumps(content, ensure_ascii=False).encode(errors="backslashreplace")
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        log.debug("api %s", format % args)


def _is_here(address: str) -> bool:
    """Whether an address is of this machine alone. Other names are not believed: a foreign page chooses its own."""
    try:
        host = urlsplit(address).hostname or ""
        return host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        return False
