"""When to send what waits in the outbox, and what came of it.

The loop owns the ledger and asks the Shipper; a worker thread only carries a Shipment to the server:

    loop: shipper.ready(now), load(ledger.outbox_peek(shipper.batch)), shipper.left()
    worker: carry(writer, shipment)
    loop: shipper.done(answer, now); commit what was delivered and what is to be sent again
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from accounting.ledger.records import OutboxItem, OutboxKey, Refused
from accounting.timeseries.failure import SUBJECT, SendFailed
from accounting.timeseries.points import Point, point
from accounting.timeseries.writers import Writer


@dataclass(frozen=True, slots=True)
class Shipment:
    """Points to be sent, and the outbox rows they stand for."""

    keys: tuple[OutboxKey, ...]
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Delivered:
    """The server said yes to `keys`: they may leave the outbox. refused: what it will never take, to be set aside."""

    keys: tuple[OutboxKey, ...]
    refused: tuple[Refused, ...] = ()


@dataclass(frozen=True, slots=True)
class Failed:
    """The server did not say yes; see SendFailed for the fields."""

    cause: str
    lasting: bool
    retry_after_s: float | None = None
    subject: str = SUBJECT

    @property
    def sentence(self) -> str:
        """What failed, and why."""
        return f"{self.subject}: {self.cause}"


@dataclass(frozen=True, slots=True)
class Pace:
    """How hard to try.

    batch: entries to a request; between_s: pause after a success, which bounds the rate of catching up;
    first_s, longest_s: the pause after a failure, doubled with each one that follows; lasting_s: the pause where
    waiting does not help; doubt_s: a server that fails may have lost what it took so shortly before.
    """

    batch: int = 500
    between_s: float = 1.0
    first_s: float = 5.0
    longest_s: float = 900.0
    lasting_s: float = 1800.0
    doubt_s: float = 120.0


def load(items: Sequence[OutboxItem], home: str) -> Shipment:
    """The outbox rows as a shipment for the named home."""
    return Shipment(tuple(item.key for item in items), tuple(point(item.entry, home) for item in items))


MOST_REQUESTS = 64
"""Requests to a shipment at most: one point that is refused among 500 takes 19, so that three or more can be found."""


def carry(writer: Writer, shipment: Shipment) -> Delivered | Failed:
    """Send it and return the outcome. Never raises, because nobody would catch an error at the end of a thread.

    A shipment to whose content the server objects is halved until the points it will not take stand alone: one of them
    must not hold the others. What the most requests do not reach is in neither answer, and stays in the outbox.
    """
    try:
        return _sift(writer, shipment)
    except SendFailed as failure:
        return Failed(failure.cause, failure.lasting, failure.retry_after_s, failure.subject)
    except Exception as error:
        # The type alone: a foreign error's text may hold the address with its secrets.
        return Failed(f"sending fails with {type(error).__name__}", lasting=True)


def _sift(writer: Writer, shipment: Shipment) -> Delivered:
    """From the oldest on: what the server takes, and what it refuses. Raises SendFailed: nothing is known of any."""
    taken: list[OutboxKey] = []
    refused: list[Refused] = []
    parts = [(0, len(shipment.points))]
    objection: SendFailed | None = None
    by_count = False
    for _ in range(MOST_REQUESTS):
        if not parts:
            break
        start, end = parts.pop()
        keys = shipment.keys[start:end]
        try:
            writer.send(shipment.points[start:end])
        except SendFailed as failure:
            if not failure.of_content:
                raise
            objection = objection or failure
            all_dropped = failure.dropped == len(keys)
            by_count = by_count or all_dropped
            if all_dropped or len(keys) == 1:
                refused += (Refused(key, failure.sentence) for key in keys)
            else:
                middle = (start + end) // 2
                parts += [(middle, end), (start, middle)]
        else:
            taken += keys
    if objection is not None and not taken and not by_count:
        if not parts:
            # Nothing is welcome and the server counts no points: rather the server, or what stands before it, is not
            # as it should be. All of it waits.
            raise objection
        writer.send(shipment.points[-1:])  # raises as well, unless only the oldest are bad
        taken.append(shipment.keys[-1])
    return Delivered(tuple(taken), tuple(refused))


class Shipper:
    """Decides when to send. Times are seconds of the forward clock, passed in."""

    def __init__(self, pace: Pace | None = None) -> None:
        self._pace = pace or Pace()
        self._not_before_s = float("-inf")
        self._under_way = False
        self._failures = 0
        self._recent: deque[tuple[float, OutboxKey]] = deque()

    @property
    def batch(self) -> int:
        """At most so many entries to a shipment."""
        return self._pace.batch

    @property
    def failures(self) -> int:
        """How many attempts in a row have failed."""
        return self._failures

    @property
    def under_way(self) -> bool:
        """Whether a shipment is on its way."""
        return self._under_way

    def ready(self, now_s: float) -> bool:
        """Whether a shipment may leave now."""
        return not self._under_way and now_s >= self._not_before_s

    def next_s(self) -> float:
        """From when the next one may leave; infinity while one is under way."""
        return float("inf") if self._under_way else self._not_before_s

    def left(self) -> None:
        """A shipment has left; no other may leave until `done` is called."""
        self._under_way = True

    def done(self, answer: Delivered | Failed, now_s: float) -> tuple[OutboxKey, ...]:
        """Take note of the answer; returns what must be queued again.

        Some databases say yes before the points are safe, so what was delivered shortly before a failure is doubtful.
        """
        self._under_way = False
        pace = self._pace
        while self._recent and self._recent[0][0] < now_s - pace.doubt_s:
            self._recent.popleft()
        if isinstance(answer, Delivered):
            self._failures = 0
            self._not_before_s = now_s + pace.between_s
            self._recent.extend((now_s, key) for key in answer.keys)
            return ()
        self._failures += 1
        wait_s = (
            pace.lasting_s if answer.lasting else min(pace.longest_s, pace.first_s * 2.0 ** min(self._failures - 1, 60))
        )
        self._not_before_s = now_s + max(wait_s, answer.retry_after_s or 0.0)
        doubtful = tuple(key for _, key in self._recent)
        self._recent.clear()
        return doubtful
