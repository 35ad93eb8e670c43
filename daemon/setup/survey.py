"""What a broker carried for a while, by topic: the latest payload whole, and a sample of those before it.

Memory stays bounded whatever comes: in topics, in samples of each and in bytes. Where a topic's samples are full, every
second one is let go, so that those left are spread over all the time that was listened.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

MOST_TOPICS = 2000
MOST_BYTES = 8192
"""Of the latest payload that is kept."""
MOST_SAMPLES = 240
MOST_SAMPLE_BYTES = 16_000_000
"""Of all samples of all topics together."""


@dataclass(slots=True)
class Topic:
    """What came on one topic.

    payload: the latest, trimmed where `trimmed`; retained: all of it was retained; samples: when it was heard, seconds
    by the survey's clock, and the payload, live ones only, ascending.
    """

    payload: bytes
    count: int = 0
    retained: bool = True
    trimmed: bool = False
    samples: list[tuple[float, bytes]] = field(default_factory=list)
    live: int = 0
    first_s: float = 0.0
    last_s: float = 0.0

    @property
    def period_s(self) -> float | None:
        """The usual time from one live message to the next, s; None where fewer than two came."""
        if self.live < 2:
            return None
        if self.live == len(self.samples):
            times = [at_s for at_s, _ in self.samples]
            return median(after - before for before, after in pairwise(times))
        return (self.last_s - self.first_s) / (self.live - 1)


@dataclass(slots=True)
class Survey:
    """What a broker carried. left_out: messages on topics beyond the first `MOST_TOPICS`; seconds: how long it was
    listened; clock: seconds that never step back."""

    topics: dict[str, Topic] = field(default_factory=dict)
    left_out: int = 0
    faults: list[str] = field(default_factory=list)
    seconds: float = 0.0
    clock: Callable[[], float] = time.monotonic
    _bytes: int = 0

    def hear(self, topic: str, payload: bytes, retained: bool) -> None:
        """Note one message."""
        known = self.topics.get(topic)
        if known is None:
            if len(self.topics) >= MOST_TOPICS:
                self.left_out += 1
                return
            known = self.topics[topic] = Topic(b"")
        known.count += 1
        known.retained = known.retained and retained
        known.trimmed = len(payload) > MOST_BYTES
        known.payload = payload[:MOST_BYTES]
        if not retained:
            self._sample(known, known.payload)

    def _sample(self, known: Topic, payload: bytes) -> None:
        at_s = self.clock()
        known.live += 1
        known.first_s = known.first_s if known.live > 1 else at_s
        known.last_s = at_s
        if known.trimmed or self._bytes + len(payload) > MOST_SAMPLE_BYTES:
            return
        if len(known.samples) >= MOST_SAMPLES:
            self._bytes -= sum(len(kept) for _, kept in known.samples[1::2])
            del known.samples[1::2]
        known.samples.append((at_s, payload))
        self._bytes += len(payload)

    def readable(self) -> dict[str, Topic]:
        """The topics whose latest payload is whole, but for brimful's own."""
        # A copy: another thread may still be hearing.
        return {
            topic: heard
            for topic, heard in list(self.topics.items())
            if not heard.trimmed and not topic.startswith("brimful/")
        }

    def payloads(self) -> dict[str, bytes]:
        """The latest payload of each of them."""
        return {topic: heard.payload for topic, heard in self.readable().items()}
