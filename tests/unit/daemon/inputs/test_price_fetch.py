"""What is asked of an address, and what of its answers is taken."""

import contextlib
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import quote, unquote

import pytest

from daemon.inputs.price_fetch import Fetched, fetch
from tests.support.price_payloads import GOOD


def drip(write: Callable[[bytes], object], stopping: threading.Event, content: bytes = GOOD) -> None:
    """A byte now and then, until nobody listens any more."""
    with contextlib.suppress(OSError):
        for byte in content:
            write(bytes([byte]))
            if stopping.wait(0.05):
                return


class _Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        if self.path == "/gone":
            self.send_error(404)
        elif self.path == "/moved":
            self.send_response(302)
            self.send_header("Location", "/")
            self.end_headers()
        elif self.path.startswith("/to/"):
            self.send_response(307)
            self.send_header("Location", unquote(self.path.removeprefix("/to/")))
            self.end_headers()
        elif self.path == "/drip":
            self.send_response(200)
            self.end_headers()
            drip(self.wfile.write, self.server.stopping)  # type: ignore[attr-defined]
        elif self.path == "/drip-head":
            drip(self.wfile.write, self.server.stopping, b"HTTP/1.1 200 OK\r\nX-A: " + b"a" * 9000)  # type: ignore[attr-defined]
        elif self.headers.get("If-None-Match") == '"v1"':
            self.send_response(304)
            self.end_headers()
        else:
            self.send_response(200)
            self.send_header("ETag", '"v1"')
            self.send_header("Content-Length", str(len(GOOD)))
            self.end_headers()
            self.wfile.write(GOOD)

    def log_message(self, *_: object) -> None:
        """Nothing."""


@pytest.fixture
def address() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    server.stopping = threading.Event()  # type: ignore[attr-defined]
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.stopping.set()  # type: ignore[attr-defined]
    server.shutdown()
    thread.join()
    server.server_close()


def test_an_address_is_asked_with_its_tag(address: str) -> None:
    assert fetch(address + "/", "") == Fetched(GOOD, '"v1"')
    assert fetch(address + "/moved", "") == Fetched(GOOD, '"v1"')
    assert fetch(address + "/", '"v1"') == Fetched(None, '"v1"')
    with pytest.raises(ValueError, match="expected status 200, got 404"):
        fetch(address + "/gone", "")


def test_an_address_where_nobody_answers_is_said() -> None:
    with pytest.raises(ValueError, match="expected an answer, got"):
        fetch("http://127.0.0.1:9/", "")


@pytest.mark.parametrize("path", ["/drip", "/drip-head"])
def test_an_answer_that_comes_byte_by_byte_is_cut_off(address: str, path: str) -> None:
    with pytest.raises(ValueError, match=r"expected the whole answer within 0\.4 s, got less"):
        fetch(address + path, "", within_s=0.4)


@pytest.mark.parametrize(
    ("target", "said"),
    [
        ("http://localhost:1/", "expected no redirect to another host, got one to localhost"),
        ("http://127.0.0.1:1/", "expected no redirect to another port of the host, got one"),
        ("//prices.example/", "expected no redirect to another host, got one to prices.example"),
        ("file:///etc/hostname", "expected no redirect to an address without TLS, got one"),
    ],
)
def test_it_is_sent_on_to_no_other_place(address: str, target: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        fetch(f"{address}/to/{quote(target, safe='')}", "")


def test_it_is_sent_on_to_a_host_that_is_named_but_not_for_ever(address: str) -> None:
    there = f"{address.replace('127.0.0.1', 'localhost')}/"
    assert fetch(f"{address}/to/{quote(there, safe='')}", "", ("localhost",)) == Fetched(GOOD, '"v1"')
    round_ = f"{address}/to/"
    with pytest.raises(ValueError, match="expected at most 3 redirects, got more"):
        fetch(round_ + quote(round_ + quote(round_ + quote(f"{address}/moved", safe=""), safe=""), safe=""), "")
