"""What the house is like now, from the loop to all open pages, without asking the loop for each of them.

The loop is asked with `Due("show")` for a finished picture when something has changed, and now and then: once for all
who look, at most five times a second. While nobody looks none is made.
"""

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from daemon.config.model import Home

EVERY_S = 2.0
"""The age from which a picture is made anew while somebody looks."""
FRESH_WITHIN_S = 1.0
APART_S = 0.2
"""Changes that come faster are shown together."""
MOST_READERS = 40
"""Pages that are kept up to date at a time."""


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """The house at an instant. Nobody changes what is in it.

    home: its home file; at_s: the instant, UTC seconds; why, health: the answers to these questions; today: today's
    figures. health and today are None while the ledger cannot be read.
    """

    home: Home
    at_s: float
    why: dict[str, Any]
    health: dict[str, Any] | None
    today: dict[str, Any] | None


class Latest:
    """The newest picture. `changed` and `put` are for the loop; all else for the server's thread.

    ask: asks the loop for a new picture.
    """

    def __init__(self, ask: Callable[[], None]) -> None:
        self.current: Picture | None = None
        self._ask = ask
        self._put_s = self._asked_s = -float("inf")
        self._old = False
        self._server: asyncio.AbstractEventLoop | None = None
        self._readers: set[Reader] = set()
        self._ticking: asyncio.TimerHandle | None = None
        self._soon: asyncio.TimerHandle | None = None

    @property
    def readers(self) -> int:
        """How many look."""
        return len(self._readers)

    def recent(self, within_s: float) -> Picture | None:
        """The newest picture, if it is not older."""
        return self.current if time.monotonic() - self._put_s <= within_s else None

    def outdated(self) -> None:
        """Say, in the server's thread, that the newest picture is of before a change: who looks next gets a new one."""
        self._old, self._asked_s = True, -float("inf")

    def changed(self) -> None:
        """Say that something has changed. Whether a picture is made of it is seen to later: orders do not wait."""
        if self._readers and self._server is not None:
            with contextlib.suppress(RuntimeError):  # the server has ended
                self._server.call_soon_threadsafe(self._ask_soon)

    def put(self, picture: Picture) -> None:
        """Hand over a picture. Never blocks."""
        self.current, self._put_s, self._old = picture, time.monotonic(), False
        if self._server is not None:
            with contextlib.suppress(RuntimeError):  # the server has ended
                self._server.call_soon_threadsafe(self._wake)

    def open(self, server: asyncio.AbstractEventLoop) -> None:
        """From now on readers may come, in this event loop."""
        self._server = server

    def close(self) -> None:
        """Send all readers home."""
        for timer in (self._ticking, self._soon):
            if timer is not None:
                timer.cancel()
        for reader in self._readers:
            reader.end()

    async def picture(self) -> Picture | None:
        """A picture of now; where the loop is slow the last one; None if there never was one."""
        if self._old or time.monotonic() - self._put_s > EVERY_S:
            with self.reading(from_now=False) as reader, contextlib.suppress(TimeoutError):
                self._ask_once()
                await asyncio.wait_for(reader.next(), FRESH_WITHIN_S)
        return self.current

    @contextlib.contextmanager
    def reading(self, from_now: bool = True) -> Iterator["Reader"]:
        """Look, for the length of the block. from_now: the first picture is the one that stands already."""
        reader = Reader(self)
        self._readers.add(reader)
        if from_now and self.current is not None:
            reader.wake()
        try:
            if self._ticking is None:
                self._tick()
            yield reader
        finally:
            self._readers.discard(reader)

    def _wake(self) -> None:
        for reader in self._readers:
            reader.wake()

    def _tick(self) -> None:
        """While somebody looks, see to it that no picture grows old."""
        self._ticking = None
        if self._readers and self._server is not None:
            if time.monotonic() - self._put_s >= EVERY_S / 2:
                self._ask_once()
            self._ticking = self._server.call_later(EVERY_S, self._tick)

    def _ask_soon(self) -> None:
        """Ask at once, or as soon after the last picture as may be."""
        if self._soon is None and self._server is not None:
            wait_s = max(0.0, max(self._put_s, self._asked_s) + APART_S - time.monotonic())
            self._soon = self._server.call_later(wait_s, self._ask_now)

    def _ask_now(self) -> None:
        self._soon = None
        self._asked_s = time.monotonic()
        self._ask()

    def _ask_once(self) -> None:
        now_s = time.monotonic()
        if self._asked_s <= self._put_s or now_s - self._asked_s > FRESH_WITHIN_S:
            self._asked_s = now_s
            self._ask()


class Reader:
    """One who looks. Who is slow misses what came between, never the newest."""

    def __init__(self, latest: Latest) -> None:
        self._latest = latest
        self._news = asyncio.Event()
        self._ended = False

    def wake(self) -> None:
        self._news.set()

    def end(self) -> None:
        self._ended = True
        self._news.set()

    async def next(self) -> Picture | None:
        """The newest picture, once there is one that was not given yet; None at the end."""
        await self._news.wait()
        self._news.clear()
        return None if self._ended else self._latest.current
