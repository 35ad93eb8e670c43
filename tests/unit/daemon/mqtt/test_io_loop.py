"""A network thread's turns: woken by others, nothing left lying decrypted, an end that is noticed."""

import select
import socket
import ssl
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.enums import MQTTErrorCode

from daemon.mqtt.io_loop import Turns
from tests.support.certificates import Authority

TIMEOUT_S = 60.0
SUCCESS = MQTTErrorCode.MQTT_ERR_SUCCESS


class Reader:
    """Stands for paho's client: reads five bytes at a time, and writes what it is given."""

    def __init__(self, sock: Any) -> None:
        self.sock = sock
        self.out: list[bytes] = []
        self.read: list[bytes] = []

    def socket(self) -> Any:
        return self.sock

    def want_write(self) -> bool:
        return bool(self.out)

    def loop_read(self) -> MQTTErrorCode:
        self.read.append(self.sock.recv(5))
        return SUCCESS if self.read[-1] else MQTTErrorCode.MQTT_ERR_CONN_LOST

    def loop_write(self) -> MQTTErrorCode:
        self.sock.sendall(self.out.pop())
        return SUCCESS

    def loop_misc(self) -> MQTTErrorCode:
        return SUCCESS


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    here, there = socket.socketpair()
    for end in (here, there):
        end.settimeout(TIMEOUT_S)
    yield here, there
    here.close()
    there.close()


def turn(turns: Turns, client: Any, longest_s: float = TIMEOUT_S) -> MQTTErrorCode:
    return turns.turn(client, longest_s)


def test_what_another_thread_published_is_written_at_once(ends: tuple[socket.socket, socket.socket]) -> None:
    here, there = ends
    client = Reader(here)
    with Turns() as turns:
        thread = threading.Thread(target=turn, args=(turns, client, 1000.0))
        thread.start()
        client.out.append(b"order")
        turns.wake()
        assert turns.wait_written(TIMEOUT_S)
        assert there.recv(5) == b"order"
        thread.join(TIMEOUT_S)
        assert not thread.is_alive()


def test_what_came_is_read_and_what_it_asks_for_written_in_the_same_turn(
    ends: tuple[socket.socket, socket.socket],
) -> None:
    here, there = ends

    class Answering(Reader):
        def loop_read(self) -> MQTTErrorCode:
            self.out.append(b"taken")
            return super().loop_read()

    there.sendall(b"level")
    with Turns() as turns:
        assert turn(turns, Answering(here)) == SUCCESS
    assert there.recv(5) == b"taken"


def test_what_is_decrypted_already_is_read_without_waiting(
    ends: tuple[socket.socket, socket.socket], tmp_path: Path
) -> None:
    ca, certificate, key = Authority(tmp_path).server()
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(certificate, key)
    asking = ssl.create_default_context(cafile=str(ca))
    here, there = ends
    encrypted: list[ssl.SSLSocket] = []
    thread = threading.Thread(target=lambda: encrypted.append(serving.wrap_socket(there, server_side=True)))
    thread.start()
    with asking.wrap_socket(here, server_hostname="127.0.0.1") as sock:
        thread.join(TIMEOUT_S)
        encrypted[0].sendall(b"firstother")  # one record
        client = Reader(sock)
        with Turns() as turns:
            while len(client.read) < 1:
                assert turn(turns, client) == SUCCESS
            assert turn(turns, client, 1.0) == SUCCESS
        assert client.read == [b"first", b"other"]
        encrypted[0].close()


def test_an_ended_link_is_noticed(ends: tuple[socket.socket, socket.socket]) -> None:
    here, there = ends
    there.close()
    with Turns() as turns:
        assert turn(turns, Reader(here)) != SUCCESS
        assert turn(turns, Reader(None)) != SUCCESS


def test_one_turn_is_enough_for_a_call(ends: tuple[socket.socket, socket.socket]) -> None:
    with Turns() as turns:
        turns.wake()
        assert turn(turns, Reader(ends[0])) == SUCCESS
        assert turns._sockets is not None
        assert select.select([turns._sockets[0]], [], [], 0) == ([], [], [])  # or it would turn without rest


def test_waking_does_no_harm_before_and_after() -> None:
    turns = Turns()
    turns.wake()
    with turns:
        for _ in range(100_000):  # far more than the socket holds
            turns.wake()
    turns.wake()
