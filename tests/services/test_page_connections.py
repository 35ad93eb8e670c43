"""Open pages and connections: told at once, bounded in number, and cut off where they are slow."""

import contextlib
import json
import socket
import threading
import time
from collections.abc import Iterator
from http.client import HTTPConnection, HTTPException
from pathlib import Path

import pytest

from daemon.web.server import serving
from daemon.web.server.live_state import MOST_READERS
from daemon.web.server.serving import MOST_CONNECTIONS
from tests.support.broker import Client, Mosquitto
from tests.support.daemon_house import House
from tests.support.served import WITHIN_S, Served

pytestmark = pytest.mark.services

HALF_A_FORM = (
    b"POST /login HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 90\r\n\r\npassword="
)


@pytest.fixture
def page() -> Iterator[Served]:
    with Served() as served:
        yield served


def listen(page: Served, path: str = "/live") -> HTTPConnection:
    connection = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S)
    connection.request("GET", path)
    return connection


def next_event(stream: object) -> str:
    while True:
        line = stream.readline()  # type: ignore[attr-defined]
        assert line, "the stream has ended"
        if line.startswith(b"data: "):
            html: str = json.loads(line.removeprefix(b"data: "))["html"]
            return html.replace("\u00a0", " ")


def hears(stream: object, text: str, events: int = 60) -> None:
    """Read on until an event has the text; a stream that goes on without it fails."""
    for _ in range(events):
        if text in next_event(stream):
            return
    raise AssertionError(f"{events} events without {text!r}")


def test_a_change_reaches_all_open_pages_within_a_second(page: Served) -> None:
    connections = [listen(page) for _ in range(3)]
    try:
        streams = [connection.getresponse() for connection in connections]
        assert {stream.headers["Content-Type"] for stream in streams} == {"text/event-stream; charset=utf-8"}
        for stream in streams:
            assert page.sentence in next_event(stream)
        asked = page.pictures
        page.sentence = "Heater off: tank 97 %"
        began_s = time.monotonic()
        page.latest.changed()
        for stream in streams:
            hears(stream, page.sentence)
        assert time.monotonic() - began_s < 1
        assert page.pictures <= asked + 2, "once for all"
    finally:
        for connection in connections:
            connection.close()


def test_pages_kept_up_to_date_are_bounded_and_their_places_come_free(page: Served) -> None:
    connections = [listen(page) for _ in range(MOST_READERS)]
    try:
        for connection in connections:
            next_event(connection.getresponse())
        answer = page.http("GET", "/live")
        assert (answer.status, answer.headers["Retry-After"]) == (503, "60")
        assert page.http("GET", "/api/why").status == 200
    finally:
        for connection in connections:
            connection.sock.shutdown(socket.SHUT_RDWR)
            connection.close()
    give_up_s = time.monotonic() + WITHIN_S
    while page.latest.readers and time.monotonic() < give_up_s:
        time.sleep(0.01)
    assert page.latest.readers == 0


def test_stopping_ends_all_open_pages_at_once(caplog: pytest.LogCaptureFixture) -> None:
    with Served() as page:
        connections = [listen(page) for _ in range(5)]
        streams = [connection.getresponse() for connection in connections]
        for stream in streams:
            next_event(stream)
        idle = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S)
        idle.request("GET", "/login")
        idle.getresponse().read()
        began_s = time.monotonic()
    assert time.monotonic() - began_s < 1
    for stream in streams:
        stream.read()  # to its end
    for connection in (*connections, idle):
        connection.close()
    assert caplog.records == []


def test_two_hundred_connections_are_bounded_and_the_command_line_gets_through(page: Served) -> None:
    idle = [socket.create_connection(("127.0.0.1", page.port), WITHIN_S) for _ in range(200)]
    try:
        answered = 0
        for link in idle:
            with contextlib.suppress(ConnectionError):
                link.settimeout(WITHIN_S)
                link.sendall(b"GET /login HTTP/1.1\r\nHost: localhost\r\n\r\n")
        for link in idle:
            with contextlib.suppress(ConnectionError):
                answered += link.recv(12) == b"HTTP/1.1 200"
        assert answered
        assert page.server._server is not None
        kept, give_up_s = page.server._server.server_state.connections, time.monotonic() + WITHIN_S
        while len(kept) > MOST_CONNECTIONS and time.monotonic() < give_up_s:
            time.sleep(0.01)  # the one that has just been made room for may still be among them
        assert len(kept) <= MOST_CONNECTIONS
    finally:
        for link in idle:
            link.close()
    give_up_s = time.monotonic() + WITHIN_S
    status = 0
    while status != 200 and time.monotonic() < give_up_s:
        with contextlib.suppress(ConnectionError):  # the server has yet to see that they are gone
            status = page.http("GET", "/api/why").status
    assert status == 200


@pytest.mark.parametrize(
    "said",
    [b"", b"GET / HTTP/1.1\r\nHost: loc", HALF_A_FORM],
    ids=["nothing", "half a head", "half a body"],
)
def test_who_does_not_finish_a_request_is_cut_off(said: bytes, caplog: pytest.LogCaptureFixture) -> None:
    with Served(slow_s=0.2) as page, socket.create_connection(("127.0.0.1", page.port), WITHIN_S) as link:
        link.sendall(said)
        with contextlib.suppress(ConnectionResetError):
            assert link.recv(100) == b""
    assert caplog.records == []


def test_a_head_without_end_is_refused(page: Served) -> None:
    with socket.create_connection(("127.0.0.1", page.port), WITHIN_S) as link:
        link.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX: ")
        try:
            for _ in range(100):
                link.sendall(b"x" * 1000)
            told = link.recv(100)
        except ConnectionError:
            told = b""
        assert told == b"" or told.startswith(b"HTTP/1.1 4")


def test_the_daemon_serves_its_page_and_knows_its_own_user(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Client(broker.address(), "wren/permit") as wire:
        house = House(tmp_path, broker)
        house.start()
        try:
            wire.publish("wren/level", "70")
            wire.publish("wren/meter", "-1500")
            wire.hears("wren/permit", b"yes")
            connection = HTTPConnection("127.0.0.1", house.api_port, timeout=WITHIN_S)
            connection.request("GET", "/live")
            stream = connection.getresponse()
            assert "Taking surplus: " in next_event(stream)
            wire.publish("wren/level", "96")
            began_s = time.monotonic()
            hears(stream, "Heater off: tank 96 %")
            assert time.monotonic() - began_s < 1
            connection.close()
            assert house.asks("override", "clear").stdout.startswith("override cleared")
            token = next(tmp_path.glob("*.api-token"))
            token.rename(token.with_suffix(".away"))
            refused = house.asks("override", "clear", code=2).stderr
            assert f"login: expected a login, or the token in {token}, got neither" in refused
            assert house.asks("why").stdout.startswith("Heater off: tank 96 %")
        finally:
            house.close()


def test_a_hundred_and_fifty_idle_connections_do_not_lock_the_owner_out(page: Served) -> None:
    idle = [socket.create_connection(("127.0.0.1", page.port), WITHIN_S) for _ in range(150)]
    try:
        assert [page.http("GET", "/api/why").status for _ in range(20)] == [200] * 20
    finally:
        for link in idle:
            link.close()


def test_other_machines_leave_room_for_this_one(page: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages that are being sent keep their places; those of other machines never fill the last ones."""
    monkeypatch.setattr(serving, "is_loopback", lambda host: host == "127.0.0.1")
    monkeypatch.setattr(serving, "MOST_FROM_OUTSIDE", 3)
    monkeypatch.setattr(serving, "MOST_CONNECTIONS", 5)

    def stream(source: str) -> HTTPConnection:
        connection = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S, source_address=(source, 0))
        connection.request("GET", "/live")
        return connection

    beyond = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S, source_address=("127.0.1.9", 0))

    outside = [stream(f"127.0.1.{number}") for number in range(1, 4)]
    inside = [stream("127.0.0.1")]
    for connection in (*outside, *inside):
        assert connection.getresponse().status == 200
    try:
        with contextlib.suppress(ConnectionError):
            beyond.request("GET", "/live")
        with pytest.raises((ConnectionError, HTTPException)):
            beyond.getresponse()
        assert page.http("GET", "/api/why").status == 200
    finally:
        for connection in (*outside, *inside, beyond):
            connection.close()


def test_a_body_of_two_lengths_is_refused_and_the_connection_closed(page: Served) -> None:
    with socket.create_connection(("127.0.0.1", page.port), WITHIN_S) as link:
        link.sendall(
            b"POST /api/override HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n"
            b"0\r\n\r\nGET /api/why HTTP/1.1\r\nHost: localhost\r\n\r\n"
        )
        answer = b""
        while piece := link.recv(4096):
            answer += piece
    assert answer.startswith(b"HTTP/1.1 400")
    assert answer.count(b"HTTP/1.1") == 1, "what follows is not answered"


def test_stopping_while_an_answer_is_awaited_leaves_no_traceback(caplog: pytest.LogCaptureFixture) -> None:
    waiting = threading.Event()
    with Served(put=lambda _: waiting.set(), within_s=60.0) as page:
        connection = HTTPConnection("127.0.0.1", page.port, timeout=WITHIN_S)
        connection.request("GET", "/api/why")
        assert waiting.wait(WITHIN_S)
    assert connection.getresponse().status == 503
    assert [record for record in caplog.records if record.exc_info or "Traceback" in record.getMessage()] == []
    connection.close()
