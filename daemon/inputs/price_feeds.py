"""Prices that are told ahead: fetched over HTTP or heard on a topic, kept in a file beside the ledger.

A thread of its own fetches, reads and writes; the loop takes the changed file as it takes any that the home file names.
What cannot be read changes nothing: the last good rows stay.
"""

import json
import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from queue import SimpleQueue

from accounting.pricing.series import Row, exact, lasting, merged, read_rows, write_rows
from daemon.inputs.instants import instant
from daemon.inputs.json_pointer import parse_pointer, resolve
from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)

LARGEST_BYTES = 5_000_000
MOST_ROWS = 50_000
_CONNECT_S, _READ_S = 10.0, 30.0
_RETRY_S = 300.0
_LARGEST = 10_000


@dataclass(frozen=True, slots=True)
class Feed:
    """Where rows of a series come from, and how a payload becomes rows: value = number × scale, for `step_s` each.

    name: the tariff's or factor's, for people; path: the file they are kept in; rows, time, value: RFC 6901 pointers,
    to the list in the payload, and in each of its rows. url: fetched every `refresh_s`; else topic: listened to.
    """

    name: str
    path: Path
    rows: str
    time: str
    value: str
    scale: Fraction
    step_s: int
    url: str = ""
    refresh_s: float = 3600.0
    topic: str = ""


@dataclass(slots=True)
class _State:
    asked_s: float = float("-inf")
    etag: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Fetched:
    """An answer: payload None where nothing has changed since; etag: to ask with next time."""

    payload: bytes | None
    etag: str = ""


Fetch = Callable[[str, str], Fetched]


def read_payload(payload: bytes, feed: Feed) -> list[Row]:
    """The rows of a payload, each lasting its step. Raises ValueError, with the reason, where one cannot be read."""
    if len(payload) > LARGEST_BYTES:
        raise ValueError(f"expected at most {LARGEST_BYTES // 1_000_000} MB, got more")
    try:
        document = json.loads(payload.decode("utf-8"), parse_float=Decimal)
    except (ValueError, RecursionError):
        raise ValueError("expected JSON, got something else") from None
    try:
        found = resolve(document, parse_pointer(feed.rows))
    except LookupError:
        raise ValueError(f'expected rows at "{feed.rows}", got nothing there') from None
    rows = found if isinstance(found, list) else [found]
    if not 0 < len(rows) <= MOST_ROWS:
        raise ValueError(f"expected 1 to {MOST_ROWS} rows, got {len(rows)}")
    paths = parse_pointer(feed.time), parse_pointer(feed.value)
    return lasting([_row(row, number, *paths, feed.scale) for number, row in enumerate(rows, 1)], feed.step_s)


def _row(row: object, number: int, time: Sequence[str], value: Sequence[str], scale: Fraction) -> Row:
    try:
        at = resolve(row, tuple(time))
        told = resolve(row, tuple(value))
    except LookupError:
        raise ValueError(f"row {number}: expected a time and a value, got a row without") from None
    try:
        at_s = round(instant(float(at) if isinstance(at, Decimal) else at))
    except ValueError as wrong:
        raise ValueError(f"row {number}: {wrong}") from None
    if told is None:
        return at_s, None
    if isinstance(told, bool) or not isinstance(told, int | Decimal | str):
        raise ValueError(f"row {number}: expected a number, got {str(told)[:40]}")
    try:
        number_told = exact(str(told).strip()) * scale
    except ValueError:
        raise ValueError(f"row {number}: expected a number, got {str(told)[:40]}") from None
    if abs(number_told) > _LARGEST:
        raise ValueError(f"row {number}: expected at most {_LARGEST} per kWh, got {float(number_told):g}")
    return at_s, number_told


def fetch(url: str, etag: str) -> Fetched:
    """Ask an address. Raises ValueError, with the reason, for any answer but a good one."""
    import urllib3  # takes a while, and most homes have no such source

    headers = {"Accept": "application/json", "User-Agent": "brimful"} | ({"If-None-Match": etag} if etag else {})
    try:
        with urllib3.PoolManager(retries=urllib3.Retry(total=3, connect=0, read=0, status=0, redirect=3)) as pool:
            answer = pool.request(
                "GET",
                url,
                headers=headers,
                timeout=urllib3.Timeout(connect=_CONNECT_S, read=_READ_S),
                preload_content=False,
            )
            try:
                if answer.status == 304:
                    return Fetched(None, etag)
                if answer.status != 200:
                    raise ValueError(f"expected status 200, got {answer.status}")
                payload = answer.read(LARGEST_BYTES + 1, decode_content=True)
                return Fetched(payload, answer.headers.get("ETag", ""))
            finally:
                answer.close()
    except urllib3.exceptions.HTTPError as failed:
        raise ValueError(f"expected an answer, got {type(failed).__name__}") from failed


@dataclass(slots=True)
class Feeds:
    """The thread that keeps the files. `look` and `heard` may be called from any thread and return at once.

    fetch: asks an address.
    """

    feeds: Sequence[Feed]
    fetch: Fetch = fetch
    _states: dict[str, _State] = field(init=False)
    _queue: "SimpleQueue[tuple[Feed, bytes | date] | None]" = field(default_factory=SimpleQueue, init=False)
    _thread: threading.Thread = field(init=False)

    def __post_init__(self) -> None:
        self._states = {feed.name: _State() for feed in self.feeds}
        self._thread = threading.Thread(target=self._work, name="feeds", daemon=True)

    @property
    def faults(self) -> list[str]:
        """A sentence for each source that gives no good rows just now."""
        return [f"prices of {name}: {state.fault}" for name, state in self._states.items() if state.fault]

    @property
    def topics(self) -> dict[str, Callable[[bytes], None]]:
        """What to call with the payloads of each topic that is listened to."""

        def hear(topic: str) -> Callable[[bytes], None]:
            return lambda payload: self.heard(topic, payload)

        return {feed.topic: hear(feed.topic) for feed in self.feeds if feed.topic}

    def start(self) -> None:
        """Begin to work."""
        self._thread.start()

    def stop(self) -> None:
        """Let what is under way end, for a while; the files are whole at every moment."""
        self._queue.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)

    def look(self, mono_s: float, today: date) -> None:
        """Fetch what is due. mono_s: the forward clock; today: the home's date."""
        for feed in self.feeds:
            state = self._states[feed.name]
            pause_s = min(_RETRY_S, feed.refresh_s) if state.fault else feed.refresh_s
            if feed.url and mono_s >= state.asked_s + pause_s:
                state.asked_s = mono_s
                self._queue.put((feed, today))

    def heard(self, topic: str, payload: bytes) -> None:
        """Take a payload of a topic."""
        for feed in self.feeds:
            if feed.topic == topic:
                self._queue.put((feed, payload))

    def _work(self) -> None:
        while (item := self._queue.get()) is not None:
            feed, what = item
            state = self._states[feed.name]
            try:
                self._take(feed, what, state)
            except (ValueError, OSError, BrimfulError) as failed:
                if not state.fault:
                    log.warning("prices=%s failing: %s", feed.name, failed)
                state.fault = str(failed)
            else:
                if state.fault:
                    log.warning("prices=%s well again", feed.name)
                state.fault = ""

    def _take(self, feed: Feed, what: bytes | date, state: _State) -> None:
        payload: bytes | None
        etag = ""
        if isinstance(what, date):
            answer = self.fetch(dated(feed.url, what), state.etag)
            payload, etag = answer.payload, answer.etag
        else:
            payload = what
        if payload is not None:
            kept = read_rows(feed.path)
            rows = merged(kept, read_payload(payload, feed))
            if rows != kept:
                write_rows(feed.path, rows)
        state.etag = etag  # only once its rows are kept: what was refused is asked for whole again


def dated(url: str, today: date) -> str:
    """An address with the home's date in the places held for it."""
    tomorrow = date.fromordinal(today.toordinal() + 1)
    return url.replace("{today}", today.isoformat()).replace("{tomorrow}", tomorrow.isoformat())
