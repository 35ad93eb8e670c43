"""A server's front that can be told to fail: it stands before a real server, or before none, on a real socket."""

import threading
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import urllib3


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer of the front's own. status None: it hangs up without one."""

    status: int | None
    headers: Mapping[str, str] = field(default_factory=dict)
    body: str = ""
    after: bool = False
    """The real server is given the request all the same: only its answer is lost."""


class Front:
    """posts: the bodies of the writes, in order; heads: their paths and headers (names in small letters).

    script: answers to the next writes; always: to all, while it is set. hold: while this is not set, no write is
    answered. asked: released at each write. answers: what it says to a question when there is no server behind it;
    gets: the paths and headers of the questions.
    """

    def __init__(self, behind: str | None, answers: str) -> None:
        self.answers = answers
        self.gets: list[tuple[str, Mapping[str, str]]] = []
        self.behind = behind
        self.url = ""
        self.posts: list[str] = []
        self.heads: list[tuple[str, Mapping[str, str]]] = []
        self.script: deque[Answer] = deque()
        self.always: Answer | None = None
        self.hold = threading.Event()
        self.hold.set()
        self.asked = threading.Semaphore(0)


@contextmanager
def front(behind: str | None = None, answers: str = "") -> Iterator[Front]:
    """A front before the server at `behind`, or one that stands alone."""
    made = Front(behind, answers)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            made.posts.append(body.decode())
            made.heads.append((self.path, {name.lower(): told for name, told in self.headers.items()}))
            made.asked.release()
            made.hold.wait(30)
            answer = made.always or (made.script.popleft() if made.script else None)
            if answer is None or answer.after:
                status, content = self._pass_on("POST", body)
                if answer is None:
                    self._answer(status, {}, content)
                    return
            self.close_connection = True
            if answer.status is not None:
                self._answer(answer.status, answer.headers, answer.body.encode())

        def do_GET(self) -> None:
            made.gets.append((self.path, dict(self.headers.items())))
            if made.behind is None:
                self._answer(200, {}, made.answers.encode())
                return
            status, content = self._pass_on("GET", b"")
            self._answer(status, {}, content)

        def _pass_on(self, method: str, body: bytes) -> tuple[int, bytes]:
            if made.behind is None:
                return 204, b""
            kept = {name: told for name, told in self.headers.items() if name.lower() in ("authorization",)}
            with urllib3.PoolManager(retries=False, timeout=10.0) as pool:
                answer = pool.request(method, made.behind + self.path, body=body or None, headers=kept)
            return answer.status, answer.data

        def _answer(self, status: int, headers: Mapping[str, str], body: bytes) -> None:
            self.send_response_only(status)
            for name, value in headers.items():
                self.send_header(name, value)
            if status != 204:
                self.send_header("Content-Length", str(len(body)))
            if self.close_connection:
                self.send_header("Connection", "close")  # else the next request may go into a link just ended
            self.end_headers()
            if status != 204:
                self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None: ...

    class Server(ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, request: Any, client_address: Any) -> None: ...  # a client that no longer waits

    server = Server(("127.0.0.1", 0), Handler)
    made.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    try:
        yield made
    finally:
        made.hold.set()
        server.shutdown()
        thread.join()
        server.server_close()
