"""Answers of the ledger kept for a few seconds, so that many who look cost what one does. Reading runs in threads.

How old an answer is goes by the house's own forward clock: a demo that runs faster ages faster.
"""

import asyncio
import contextlib
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

from daemon.web.server.refusals import Refusal
from rules.model.wording import say

T = TypeVar("T")
THREADS = 2
MOST_KEPT = 64
MOST_WAITING = 16
"""Questions under way or waiting for a thread; more are refused, for they would only be answered later."""


@dataclass(slots=True)
class _Kept:
    """A question's answer, or the way to it."""

    until_s: float
    answer: "asyncio.Future[Any]"


class Shelf:
    """Belongs to the server's event loop. clock: the house's forward clock, seconds."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._threads = ThreadPoolExecutor(THREADS, thread_name_prefix="page")
        self._kept: OrderedDict[Hashable, _Kept] = OrderedDict()
        self._last: OrderedDict[Hashable, object] = OrderedDict()
        self._waiting = 0

    async def ask(self, key: Hashable, keep_s: float, make: Callable[[], T]) -> T:
        """The answer that `make` gives in a thread, or gave to the same key less than keep_s ago. Raises what it
        raises, and Refusal."""
        kept = self._kept.get(key)
        if kept is None or (kept.answer.done() and self._clock() >= kept.until_s):
            kept = self._begin(key, keep_s, make)
        answer: T = await asyncio.shield(kept.answer)
        return answer

    def last(self, key: Hashable, keep_s: float, make: Callable[[], T]) -> T | None:
        """The last answer to the key, however old, without waiting; where it is older than keep_s a newer is made."""
        kept = self._kept.get(key)
        if kept is None or (kept.answer.done() and self._clock() >= kept.until_s):
            with contextlib.suppress(Refusal):
                self._begin(key, keep_s, make)
        return self._last.get(key)  # type: ignore[return-value]

    def forget(self) -> None:
        """Let all answers go: something was changed."""
        self._kept.clear()

    def close(self) -> None:
        """Take no more questions."""
        self._threads.shutdown(wait=False, cancel_futures=True)

    def _begin(self, key: Hashable, keep_s: float, make: Callable[[], T]) -> _Kept:
        if self._waiting >= MOST_WAITING:
            raise Refusal(
                503,
                "ledger",
                say("expected at most {most} questions at a time", most=MOST_WAITING),
                say("ask again in a while"),
            )
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[Any] = loop.run_in_executor(self._threads, make)
        kept = _Kept(self._clock() + keep_s, answer)
        self._kept[key] = kept
        self._kept.move_to_end(key)
        while len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)
        self._waiting += 1

        def done(made: "asyncio.Future[Any]") -> None:
            self._waiting -= 1
            if made.cancelled() or made.exception() is not None:  # what failed is asked anew
                if self._kept.get(key) is kept:
                    del self._kept[key]
            else:
                kept.until_s = self._clock() + keep_s
                self._last[key] = made.result()
                self._last.move_to_end(key)
                while len(self._last) > MOST_KEPT:
                    self._last.popitem(last=False)

        answer.add_done_callback(done)
        return kept
