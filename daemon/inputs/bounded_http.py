"""HTTP that ends in time: connections under a deadline for all of an exchange, however slowly its pieces come."""

import contextlib
import socket
import threading
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import urllib3


class Deadline:
    """Ends the connection under way when its time is over: a socket's own limit is for each piece, not for all."""

    def __init__(self, within_s: float) -> None:
        self._within_s = within_s
        self._sockets: list[socket.socket] = []
        self._over = False
        self._lock = threading.Lock()
        self._timer = threading.Timer(within_s, self._cut)
        self._timer.daemon = True

    def __enter__(self) -> "Deadline":
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        self._timer.join()
        for link in self._sockets:
            link.close()

    def hold(self, link: socket.socket) -> socket.socket:
        """Put a connection under the deadline, by a handle of its own: TLS will take this one over."""
        with self._lock:
            self._sockets.append(link.dup())
            if self._over:
                _end(link)
        return link

    def must_be_ahead(self) -> None:
        """Raises ValueError once the time is over."""
        if self._over:
            raise ValueError(f"expected the whole answer within {self._within_s:g} s, got less")

    def _cut(self) -> None:
        with self._lock:
            self._over = True
            for link in self._sockets:
                _end(link)


def _end(link: socket.socket) -> None:
    with contextlib.suppress(OSError):
        link.shutdown(socket.SHUT_RDWR)


def pools_under(deadline: Deadline) -> "urllib3.PoolManager":
    """Connections that stand under a deadline, from before the greeting of TLS on."""
    import urllib3
    from urllib3.connection import HTTPConnection, HTTPSConnection

    class Plain(HTTPConnection):
        def _new_conn(self) -> socket.socket:
            return deadline.hold(super()._new_conn())

    class Secure(HTTPSConnection):
        def _new_conn(self) -> socket.socket:
            return deadline.hold(super()._new_conn())

    class PlainPool(urllib3.HTTPConnectionPool):
        ConnectionCls: Any = Plain

    class SecurePool(urllib3.HTTPSConnectionPool):
        ConnectionCls: Any = Secure

    pools = urllib3.PoolManager()
    pools.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}
    return pools
