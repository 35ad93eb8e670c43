"""A TCP relay that can go silent: a network that breaks without a close, and may heal again."""

import contextlib
import selectors
import socket
import threading

from tests.support.broker import HOST


class Proxy:
    """Relays every connection to `port` of this machine, from a port of its own.

    While silent nothing passes either way and nobody is told: what is sent waits, as in a network that drops packets
    and whose ends send them again. On healing it arrives late; connections begun in the silence are dropped.
    """

    def __init__(self, port: int) -> None:
        self._target = port
        self._server = socket.create_server((HOST, 0))
        self.port: int = self._server.getsockname()[1]
        self._wake, self._woken = socket.socketpair()
        self._peers: dict[socket.socket, socket.socket] = {}
        self._silent = self._closing = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def go_silent(self) -> None:
        self._silent = True
        self._wake.send(b"\0")

    def heal(self) -> None:
        self._silent = False
        self._wake.send(b"\0")

    def __enter__(self) -> "Proxy":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closing = True
        self._wake.send(b"\0")
        self._thread.join(10)
        for sock in (self._server, self._wake, self._woken, *self._peers):
            sock.close()

    def _run(self) -> None:
        was_silent = False
        while not self._closing:
            if was_silent and not self._silent:
                self._drop_waiting()
            was_silent = self._silent
            with selectors.DefaultSelector() as selector:
                watched = [self._woken] if self._silent else [self._woken, self._server, *self._peers]
                for sock in watched:
                    selector.register(sock, selectors.EVENT_READ)
                ready = [key.fileobj for key, _ in selector.select()]
            for sock in ready:
                assert isinstance(sock, socket.socket)
                if sock is self._woken:
                    sock.recv(64)
                elif self._silent:
                    break
                elif sock is self._server:
                    self._accept()
                elif sock in self._peers:
                    self._relay(sock)

    def _drop_waiting(self) -> None:
        self._server.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                self._server.accept()[0].close()
        self._server.setblocking(True)

    def _accept(self) -> None:
        near, _ = self._server.accept()
        try:
            far = socket.create_connection((HOST, self._target), timeout=10)
        except OSError:
            near.close()
            return
        for sock in (near, far):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peers[near], self._peers[far] = far, near

    def _relay(self, sock: socket.socket) -> None:
        peer = self._peers[sock]
        try:
            data = sock.recv(65_536)
            if data:
                peer.sendall(data)
                return
        except OSError:
            pass
        for end in (sock, peer):
            del self._peers[end]
            end.close()
