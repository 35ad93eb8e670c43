"""Serves the API and the page in a thread of its own. It controls nothing: wishes go into the loop's queue."""

import asyncio
import contextlib
import logging
import socket
import threading

import h11
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from daemon.web.server.live_state import Latest
from daemon.web.server.security import SAFE_HEADERS, is_loopback
from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)
MOST_CONNECTIONS = 100
"""Each costs memory, and a house has few screens. Beyond them the one that has been idle longest is closed for the
newest, or the newest where none is idle."""
MOST_FROM_OUTSIDE = 80
"""Of them from other machines: the rest is kept for this one, where the owner's commands come from."""
SLOW_S = 10.0
"""How long a connection may take to send a request, or the next one, and not take what is sent to it."""
LONGEST_HEAD = 16_384
END_WITHIN_S = 1


class _Protocol(H11Protocol):
    """One connection: one of few, and closed where its other end is slow to ask or slow to take the answer."""

    slow_s = SLOW_S
    made_s = 0.0
    outside = False
    _asks_by: asyncio.TimerHandle | None = None
    _takes_by: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.made_s = self.loop.time()
        self.outside = self.client is not None and not is_loopback(self.client[0])
        if self._has_place():
            self._watch()
        else:
            transport.abort()

    def _has_place(self) -> bool:
        """Whether there is room for this connection, if need be after closing one that does nothing."""
        others = [other for other in self.connections if isinstance(other, _Protocol) and other is not self]
        outside = [other for other in others if other.outside]
        if self.outside and len(outside) >= MOST_FROM_OUTSIDE:
            others = outside
        elif len(others) < MOST_CONNECTIONS:
            return True
        elif self.outside:
            others = outside
        idle = [other for other in others if not other.asked]
        if not idle:
            return False
        longest = min(idle, key=lambda other: other.made_s)
        longest.transport.abort()
        # Its end is only noticed after this; the next to come must find the place taken.
        self.connections.discard(longest)
        return True

    @property
    def asked(self) -> bool:
        """Whether a whole request has come that is not answered yet."""
        return self.cycle is not None and not self.cycle.response_complete and not self.cycle.more_body

    def connection_lost(self, exc: Exception | None) -> None:
        for timer in (self._asks_by, self._takes_by):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._watch()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._takes_by = self.loop.call_later(self.slow_s, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._takes_by is not None:
            self._takes_by.cancel()

    def _watch(self) -> None:
        """Set the time by which a whole request must be there. Single bytes on the way do not put it off."""
        if self._asks_by is not None and self.asked:
            self._asks_by.cancel()
            self._asks_by = None
        elif self._asks_by is None and not self.asked and not self.transport.is_closing():
            self._asks_by = self.loop.call_later(self.slow_s, self.transport.abort)

    def send_400_response(self, msg: str) -> None:
        """What is no HTTP is refused with the same headers as everything else."""
        headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close"), *SAFE_HEADERS]
        for event in (
            h11.Response(status_code=400, headers=headers, reason=b"Bad Request"),
            h11.Data(data=msg.encode("ascii")),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()


class _Server(uvicorn.Server):
    """It sleeps until something comes, instead of looking ten times a second whether it is to end."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.ended = asyncio.Event()

    async def main_loop(self) -> None:
        await self.ended.wait()


class Serving:
    """Listens on `bind`:`port` (0: any free one, see `.port`) from the start, answers between `start()` and `stop()`.

    latest: what the house is like now; learns which event loop its readers wait in. slow_s: see SLOW_S. Raises
    BrimfulError where the address is taken.
    """

    def __init__(self, bind: str, port: int, app: ASGIApp, latest: Latest, slow_s: float = SLOW_S) -> None:
        self.bind = bind
        self._socket = _listen(bind, port)
        self.port: int = self._socket.getsockname()[1]
        self._app = app
        self._latest = latest
        self._protocol = type("Protocol", (_Protocol,), {"slow_s": slow_s})
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: _Server | None = None
        self._thread = threading.Thread(target=self._run, name="api", daemon=True)

    def start(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread.start()

    def stop(self) -> None:
        """End all answers and the thread, or, where it was never started, give the address free."""
        if self._loop is None:
            self._socket.close()
            return
        with contextlib.suppress(RuntimeError):  # it has ended by itself
            self._loop.call_soon_threadsafe(self._end)
        self._thread.join()

    def _end(self) -> None:
        self._latest.close()
        if self._server is not None:
            self._server.ended.set()

    def _run(self) -> None:
        assert self._loop is not None
        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:  # type: ignore[arg-type,return-value]
            runner.run(self._serve())

    async def _serve(self) -> None:
        config = uvicorn.Config(
            self._app,
            http=self._protocol,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=int(SLOW_S),
            timeout_graceful_shutdown=END_WITHIN_S,
            h11_max_incomplete_event_size=LONGEST_HEAD,
        )
        self._server = _Server(config)
        self._latest.open(asyncio.get_running_loop())
        await self._server.serve(sockets=[self._socket])


def _listen(bind: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in bind else socket.AF_INET
    try:
        return socket.create_server((bind, port), family=family, backlog=128)
    except OSError as taken:
        raise BrimfulError(
            "open the local API",
            f"{bind}:{port}",
            f"expected a free address, got {taken.strerror}",
            f"another home's brimful may have it: give this home its own, [api] port = {port + 1}, say",
        ) from taken
