"""The turns of a network thread: sleep until there is something to read or to write, and do it.

paho is turned from outside, as its documentation allows. Its own loop sends itself a byte for each acknowledgement that
it is about to write, and writes it a turn later; under many messages that took a quarter of the time.
"""

import contextlib
import select
import socket
import ssl
import threading

from paho.mqtt.client import Client
from paho.mqtt.enums import MQTTErrorCode


class Turns:
    """Entered (`with`) and turned by one thread; `wake` and `wait_written` are for the others, at any time."""

    def __init__(self) -> None:
        self._sockets: tuple[socket.socket, socket.socket] | None = None
        self._written = threading.Event()

    def __enter__(self) -> "Turns":
        self._sockets = socket.socketpair()
        for end in self._sockets:
            end.setblocking(False)
        return self

    def __exit__(self, *_: object) -> None:
        assert self._sockets is not None
        for end in self._sockets:
            end.close()

    def wake(self) -> None:
        """Have what was published just now written. Never blocks, never raises."""
        self._written.clear()
        if self._sockets is not None:
            with contextlib.suppress(OSError):  # full: it is awake already; closed: nothing will be written any more
                self._sockets[1].send(b"\0")

    def wait_written(self, timeout_s: float) -> bool:
        """Wait until what was published before the last `wake` is written, at most `timeout_s`."""
        return self._written.wait(timeout_s)

    def turn(self, client: Client, longest_s: float) -> MQTTErrorCode:
        """Sleep for `longest_s` at most, then read a packet and write what waits. No success: the link has ended."""
        assert self._sockets is not None
        woken = self._sockets[0]
        sock = client.socket()
        if not isinstance(sock, socket.socket):
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        # What TLS has decrypted already does not show on the socket.
        decrypted = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        writable = [sock] if client.want_write() else []
        readable, _, _ = select.select([sock, woken], writable, [], 0.0 if decrypted else longest_s)
        if woken in readable:
            woken.recv(4096)
        result = MQTTErrorCode.MQTT_ERR_SUCCESS
        if decrypted or sock in readable:
            result = client.loop_read()
        if result == MQTTErrorCode.MQTT_ERR_SUCCESS and client.want_write():
            result = client.loop_write()
        if not self._written.is_set() and not client.want_write():
            self._written.set()
        return client.loop_misc() if result == MQTTErrorCode.MQTT_ERR_SUCCESS else result
