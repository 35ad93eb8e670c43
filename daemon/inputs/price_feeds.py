"""Prices given ahead: fetched over HTTP, heard on a topic or made by a plug-in, kept in a file beside the ledger.

Each source has a thread of its own, which fetches, reads and writes, so that none holds up another; the loop takes the
changed file as it takes any that the home file names. What cannot be read changes nothing: the last good rows stay.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from queue import SimpleQueue
from typing import Literal, Protocol

from accounting.pricing.series import merged, read_rows, write_rows
from daemon.inputs.price_fetch import WITHIN_S, Fetched, fetch
from daemon.inputs.price_payload import Feed, read_payload
from rules.model.errors import BrimfulError
from rules.model.wording import say

log = logging.getLogger(__name__)

_RETRY_S = 300.0
_OVERDUE_S = 2 * WITHIN_S
_STOP_S = 2.0
MOST_WAITING = 16
"""Payloads of a topic that may wait to be read; beyond them the oldest is let go, for the newest knows more."""


class Fetch(Protocol):
    """Asks an address: url, etag, hosts it may be sent on to. Raises ValueError."""

    def __call__(self, url: str, etag: str, redirects_to: tuple[str, ...], /) -> Fetched: ...


@dataclass(slots=True)
class Feeds:
    """Keeps the files. `look` and the topics' callbacks may be called from any thread and return at once."""

    feeds: Sequence[Feed]
    fetch: Fetch = fetch
    _sources: "list[_Source]" = field(init=False)

    def __post_init__(self) -> None:
        self._sources = [_Source(feed, self.fetch) for feed in self.feeds]

    @property
    def faults(self) -> list[str]:
        """A sentence for each source that gives no good rows just now."""
        return [
            say("prices of {name}: {fault}", name=source.feed.name, fault=fault)
            for source in self._sources
            if (fault := source.fault)
        ]

    @property
    def topics(self) -> dict[str, Callable[[bytes], None]]:
        """What to call with the payloads of each topic that is listened to."""

        def hear(topic: str) -> Callable[[bytes], None]:
            def take(payload: bytes) -> None:
                for source in self._sources:
                    if source.feed.topic == topic:
                        source.hear(payload)

            return take

        return {feed.topic: hear(feed.topic) for feed in self.feeds if feed.topic}

    def start(self) -> None:
        """Begin to work."""
        for source in self._sources:
            source.thread.start()

    def stop(self) -> None:
        """Let what is under way end, for a while; the files are whole at every moment."""
        for source in self._sources:
            source.put(None)
        for source in self._sources:
            if source.thread.is_alive():
                source.thread.join(timeout=_STOP_S)

    def look(self, mono_s: float, today: date) -> None:
        """Fetch what is due. mono_s: the forward clock; today: the home's date."""
        for source in self._sources:
            source.look(mono_s, today)

    def work(self) -> None:
        """Do all that waits, on this thread."""
        for source in self._sources:
            source.put(None)
            source.work()


class _Source:
    """One source, and the thread that asks it."""

    def __init__(self, feed: Feed, fetch: Fetch) -> None:
        self.feed = feed
        self.thread = threading.Thread(target=self.work, name=f"prices {feed.name}", daemon=True)
        self._fetch = fetch
        self._queue: SimpleQueue[Literal["heard"] | date | None] = SimpleQueue()
        self._heard: deque[bytes] = deque()
        self._lock = threading.Lock()  # as many payloads wait as the queue has a "heard" for
        self._asked_s = float("-inf")
        self._waiting = False
        self._overdue = False
        self._etag = ""
        self._fault = ""

    @property
    def fault(self) -> str:
        """Why it gives no good rows just now; "" if all is well."""
        if self._overdue:
            return say("expected an answer within {limit} s, got none yet", limit=f"{_OVERDUE_S:g}")
        if self.thread.ident is not None and not self.thread.is_alive():
            return say("its thread has ended; restart the daemon")
        return self._fault

    def put(self, what: date | None) -> None:
        """Hand the thread a day to ask for, or the end."""
        self._queue.put(what)

    def hear(self, payload: bytes) -> None:
        """Hand the thread a payload to take."""
        with self._lock:
            if len(self._heard) < MOST_WAITING:
                self._queue.put("heard")
            else:
                self._heard.popleft()
            self._heard.append(payload)

    def look(self, mono_s: float, today: date) -> None:
        """Ask for the day's rows if it is time; one question at a time."""
        if not self.feed.url and self.feed.asking is None:
            return
        if self._waiting:
            self._overdue = mono_s >= self._asked_s + _OVERDUE_S
            return
        pause_s = min(_RETRY_S, self.feed.refresh_s) if self._fault else self.feed.refresh_s
        if mono_s >= self._asked_s + pause_s:
            self._asked_s, self._waiting = mono_s, True
            self.put(today)

    def work(self) -> None:
        """Take what comes until the end is put."""
        while (what := self._queue.get()) is not None:
            try:
                fault = self._take(what)
            except (ValueError, OSError, BrimfulError) as failed:
                fault = str(failed)
            except Exception as failed:
                log.exception("prices=%s failed", self.feed.name)
                fault = say("reading it failed: {kind}", kind=type(failed).__name__)
            if fault and not self._fault:
                log.warning("prices=%s failing: %s", self.feed.name, fault)
            elif self._fault and not fault:
                log.warning("prices=%s well again", self.feed.name)
            self._fault, self._waiting, self._overdue = fault, False, False

    def _take(self, what: Literal["heard"] | date) -> str:
        """Keep the rows of a payload, fetched or heard; a sentence on rows that could not be read, or ""."""
        payload: bytes | None
        etag = ""
        if what == "heard":
            with self._lock:
                payload = self._heard.popleft()
        elif self.feed.asking is not None:
            payload = self.feed.asking(what)
        else:
            answer = self._fetch(dated(self.feed.url, what), self._etag, self.feed.redirects_to)
            payload, etag = answer.payload, answer.etag
        faults: list[str] = []
        if payload is not None:
            read = read_payload(payload, self.feed)
            faults = read.faults
            kept = read_rows(self.feed.path)
            rows = merged(kept, read.rows)
            if rows != kept:
                write_rows(self.feed.path, rows)
        # Only once its rows are kept, and all of them: what was refused is asked for whole again.
        self._etag = "" if faults else etag
        if not faults:
            return ""
        fault = faults[0]
        if len(faults) > 1:
            fault = say("{fault} (and {more} more)", fault=fault, more=len(faults) - 1)
        return say("{fault}; the other rows count", fault=fault)


def dated(url: str, today: date) -> str:
    """An address with the home's date in the places held for it."""
    tomorrow = date.fromordinal(today.toordinal() + 1)
    return url.replace("{today}", today.isoformat()).replace("{tomorrow}", tomorrow.isoformat())
