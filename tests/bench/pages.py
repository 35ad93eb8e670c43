"""Open pages of a daemon, without a browser."""

import contextlib
import select
import socket
import threading
from collections.abc import Iterator

ROOMS = ("/", "/value", "/rules", "/health", "/timeline")


class Pages:
    """Each loads a room, follows the live stream as a browser does, and throws away what it reads."""

    def __init__(self, port: int, count: int) -> None:
        self.read = 0
        self._links = [socket.create_connection(("127.0.0.1", port)) for _ in range(count)]
        for number, link in enumerate(self._links):
            for path in (ROOMS[number % len(ROOMS)], "/live"):
                link.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())
        self._ended, self._end = socket.socketpair()
        self._thread = threading.Thread(target=self._follow)
        self._thread.start()

    def _follow(self) -> None:
        waiting = select.poll()
        by_number = {link.fileno(): link for link in (*self._links, self._ended)}
        for number in by_number:
            waiting.register(number, select.POLLIN)
        while True:
            for number, _ in waiting.poll():
                if number == self._ended.fileno():
                    return
                self.read += len(by_number[number].recv(1 << 20))

    def close(self) -> None:
        self._end.close()
        self._thread.join()
        for link in (*self._links, self._ended):
            link.close()


@contextlib.contextmanager
def pages(port: int, count: int) -> Iterator[Pages]:
    """So many pages, open for the length of the block."""
    opened = Pages(port, count)
    try:
        yield opened
    finally:
        opened.close()
