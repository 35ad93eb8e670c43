"""Hears the house: from messages to dated readings, with a tally of what came for each source."""

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf
from random import random
from types import MappingProxyType

from daemon.inputs.decode import Decoded, Refused, Source, decode_all, in_reach
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.publication import Publication, Refusal
from daemon.timing.clock import Clock
from daemon.timing.events import Heard, Linked
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from rules.model.wording import say

log = logging.getLogger(__name__)

LINK = "readings"
"""Name under which the listening connection is reported."""

SKEW_S = 5.0
"""How far a payload's own time may be ahead of this machine's clock and still be believed."""

_SHOWN_BYTES = 120


@dataclass(slots=True)
class Tally:
    """What came for one source. Written by the network thread; others read it.

    received: messages; refused: how many for each reason; retained: how many were retained copies;
    last_payload: the latest, trimmed; last_reason: why the latest was refused, or ""; last_value: the latest accepted
    value; live: accepted messages that were heard live; last_refused: the latest payload that gave none, trimmed;
    ahead_s: how far the latest one's own time was ahead of this machine's clock; age_s: how old the latest accepted
    value was when it came, infinite where nobody knows.
    """

    source: Source
    received: int = 0
    retained: int = 0
    live: int = 0
    refused: dict[str, int] = field(default_factory=dict)
    raw: bytes = b""
    last_reason: str = ""
    last_value: float | None = None
    last_refused: str = ""
    ahead_s: float = 0.0
    age_s: float = inf

    @property
    def last_payload(self) -> str:
        return _trimmed(self.raw)


def _trimmed(payload: bytes) -> str:
    shown = payload[:_SHOWN_BYTES].decode("utf-8", "replace")
    printable = "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in shown)
    return printable + ("…" if len(payload) > _SHOWN_BYTES else "")


def reading_of(
    decoded: Decoded,
    signal: str,
    retained: bool,
    now: Moment,
    dated: bool = True,
    last_heard: tuple[float, float] | None = None,
) -> Reading:
    """A reading dated by both clocks.

    Heard live, its age counts from its own time if it carries one, and from now if that lies ahead. A retained copy
    counts only by its own time, and never where that is missing or ahead by more than `SKEW_S`: how long the broker has
    kept it nobody knows; one that says how old it is was so old when it was sent. dated: whether this machine's wall
    clock is believed; by one that is not, no copy has an age. last_heard: the value that was last heard live, before a
    restart, and when: a copy of just that value has been true since then, and counts as old as that.
    """
    if decoded.at_s is None:
        if retained:
            at_s = last_heard[1] if last_heard is not None and last_heard[0] == decoded.value else None
            if at_s is None or decoded.age_s is not None or not dated or at_s > now.utc_s:
                return Reading(signal, decoded.value, now.utc_s, NEVER_LIVE_S)
            return Reading(signal, decoded.value, at_s, now.mono_s - (now.utc_s - at_s))
        age_s = decoded.age_s or 0.0
        return Reading(signal, decoded.value, now.utc_s - age_s, now.mono_s - age_s)
    age_s = now.utc_s - decoded.at_s
    if retained and (age_s < -SKEW_S or not dated):
        return Reading(signal, decoded.value, now.utc_s, NEVER_LIVE_S)
    age_s = max(0.0, age_s)
    return Reading(signal, decoded.value, now.utc_s - age_s, now.mono_s - age_s)


class Listener:
    """Subscribes to the sources' topics and emits `Heard` and `Linked`, from the network thread.

    will: of the listening connection (the house state's). also_up: called at every connect, on the network thread,
    to say again what holds. also_heard: topics whose payloads are no readings, and what takes them, on the network
    thread, at once. tallies: what came, one for each source. unheard: topics whose subscription the broker
    refuses, and the sentence that says so; such a link counts as down, for it is not all that it should be. dated:
    whether the wall clock is believed, asked at each message; last_heard: by signal, what was heard live before this
    start, and when; polled: sources of no topic, for what readers have read and `hear`.
    """

    def __init__(
        self,
        broker: BrokerAddress,
        sources: Sequence[Source],
        emit: Callable[[Heard | Linked], None],
        clock: Clock,
        *,
        will: Publication | None = None,
        also_up: Callable[[], None] | None = None,
        also_heard: Mapping[str, Callable[[bytes], None]] = MappingProxyType({}),
        jitter: Callable[[], float] = random,
        dated: Callable[[], bool] = lambda: True,
        last_heard: Mapping[str, tuple[float, float]] = MappingProxyType({}),
        polled: Sequence[Source] = (),
    ) -> None:
        self._emit = emit
        self._also_heard = also_heard
        self._clock = clock
        self._dated = dated
        self._last_heard = last_heard
        self._also_up = also_up
        self._lock = threading.Lock()  # readings come from the network thread and from readers' threads, one at a time
        self.tallies = tuple(Tally(source) for source in (*sources, *polled))
        self.unheard: dict[str, str] = {}
        self._unpublished: set[Refusal] = set()
        self._by_topic: dict[str, tuple[tuple[Source, ...], tuple[Tally, ...]]] = {}
        for topic in dict.fromkeys(source.topic for source in (*sources, *polled)):
            tallies = tuple(tally for tally in self.tallies if tally.source.topic == topic)
            self._by_topic[topic] = (tuple(tally.source for tally in tallies), tallies)
        self.connection = Connection(
            broker,
            "hears",
            will=will,
            topics=tuple(dict.fromkeys((*(source.topic for source in sources), *also_heard))),
            on_message=self.hear,
            on_up=self._up,
            on_down=self._down,
            on_fault=self._fault,
            jitter=jitter,
        )

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self.connection.start()

    def close(self, final: Publication | None = None, timeout_s: float = 2.0) -> bool:
        """Publish `final`, wait for its acknowledgement and leave; whether it was acknowledged."""
        return self.connection.close(final, timeout_s)

    def _up(self) -> None:
        if self._also_up is not None:
            self._also_up()
        if self.unheard:
            first, *more = self.unheard.values()
            if more:
                first = say("{fault} (and {more} more topics)", fault=first, more=len(more))
            self._emit(Linked(LINK, False, first))
        else:
            self._emit(Linked(LINK, True))

    def _down(self, reason: str) -> None:
        self.unheard.clear()
        self._emit(Linked(LINK, False, reason))

    def _fault(self, refusal: Refusal) -> None:
        rules = say("the broker's access rules")
        if refusal.what == "subscription":
            keys = ", ".join(f"signals.{source.signal}.topic" for source in self._by_topic[refusal.topic][0])
            self.unheard[refusal.topic] = say(
                "{refusal}; see {keys} and {rules}", refusal=refusal, keys=keys, rules=rules
            )
        elif refusal not in self._unpublished:  # published again at every change, so said once only
            self._unpublished.add(refusal)
            log.warning("link=%s %s; see outputs and %s", LINK, refusal, rules)

    def hear(self, topic: str, payload: bytes, retained: bool = False) -> None:
        """Take a payload: a message's, or what a reader has read. From any thread."""
        if topic in self._also_heard:
            self._also_heard[topic](payload)
        fed = self._by_topic.get(topic)
        if fed is None:
            return
        with self._lock:
            self._read(fed, payload, retained)

    def _read(self, fed: "tuple[tuple[Source, ...], tuple[Tally, ...]]", payload: bytes, retained: bool) -> None:
        sources, tallies = fed
        now, dated = self._clock.now(), self._dated()
        readings: list[Reading] = []
        for answer, tally in zip(decode_all(payload, sources), tallies, strict=True):
            tally.received += 1
            tally.retained += retained
            tally.raw = payload
            if dated and isinstance(answer, Decoded) and answer.at_s is not None:
                tally.ahead_s = answer.at_s - now.utc_s
                answer = in_reach(answer, now.utc_s)
            if isinstance(answer, Refused):
                tally.last_reason = answer.reason
                tally.last_refused = _trimmed(payload)
                tally.refused[answer.reason] = tally.refused.get(answer.reason, 0) + 1
                continue
            tally.last_reason = ""
            tally.last_value = answer.value
            signal = tally.source.signal
            reading = reading_of(answer, signal, retained, now, dated, self._last_heard.get(signal))
            tally.live += reading.seen_s != NEVER_LIVE_S
            tally.age_s = now.mono_s - reading.seen_s
            readings.append(reading)
        if readings:
            self._emit(Heard(tuple(readings)))
