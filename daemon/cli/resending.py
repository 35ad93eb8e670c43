"""Puts intervals back into the outbox, through the daemon where one runs; without one, sends them too."""

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Protocol

from accounting.ledger import Batch, LedgerWriter, OutboxKey, Refused
from accounting.timeseries import Writer
from accounting.timeseries.outbox import Failed, Pace, Shipper, carry, load
from daemon.runtime.handlers.resending import MOST_RESENT
from daemon.web.api.client import ask
from rules.model.errors import BrimfulError
from rules.model.formatting import counted

PATIENCE = 5
"""Failures in a row after which a command gives up: somebody waits for it."""
_PACE = Pace(between_s=0.1, first_s=2.0, longest_s=15.0)
_LONGEST_WAIT_S = 60.0
_TO_A_COMMIT = 5000


class Queue(Protocol):
    """Where intervals are queued again."""

    def again(self, keys: Iterable[OutboxKey]) -> int:
        """Queue them durably; returns how many they were. Raises BrimfulError: what was queued before stays so."""


class DaemonQueue:
    """The running daemon's. ledger: the file that is meant, for another home's daemon to refuse."""

    def __init__(self, home: Path, ledger: Path) -> None:
        self._home = home
        self._ledger = str(ledger.resolve())

    def again(self, keys: Iterable[OutboxKey]) -> int:
        count = 0
        for some in _parts(keys, MOST_RESENT):
            intervals = [[key.start_s, key.heater] for key in some]
            ask(self._home, "POST", "/api/resend", {"ledger": self._ledger, "intervals": intervals})
            count += len(some)
        return count


class OwnQueue:
    """A ledger that nobody else writes."""

    def __init__(self, ledger: LedgerWriter) -> None:
        self._ledger = ledger

    def again(self, keys: Iterable[OutboxKey]) -> int:
        count = 0
        for some in _parts(keys, _TO_A_COMMIT):
            self._ledger.commit(Batch(_known_s(self._ledger), again=tuple(some)))
            count += len(some)
        return count


def drain(
    ledger: LedgerWriter,
    writer: Writer,
    home: str,
    progress: Callable[[int], None],
    *,
    clock: Callable[[], float] = time.monotonic,
    pause: Callable[[float], None] = time.sleep,
) -> list[Refused]:
    """Send what the outbox holds until it is empty; returns what the database refused.

    progress: how many are left, after each shipment. clock, pause: seconds of a forward clock. Raises BrimfulError when
    the database does not take it; what it has not taken stays in the outbox.
    """
    shipper = Shipper(_PACE)
    refused: list[Refused] = []
    while items := ledger.outbox_peek(shipper.batch):
        pause(max(0.0, shipper.next_s() - clock()))
        shipper.left()
        answer = carry(writer, load(items, home))
        again = shipper.done(answer, clock())
        at_s = _known_s(ledger)
        if isinstance(answer, Failed):
            ledger.commit(Batch(at_s, again=again))
            wait_s = shipper.next_s() - clock()
            if answer.lasting or shipper.failures >= PATIENCE or wait_s > _LONGEST_WAIT_S:
                left = f"{counted(ledger.outbox_depth(), 'interval')} in the outbox"
                raise BrimfulError("send intervals again", answer.subject, answer.cause, f"{left}; none is lost")
        else:
            ledger.commit(Batch(at_s, delivered=answer.keys, refused=answer.refused))
            refused += answer.refused
        progress(ledger.outbox_depth())
    return refused


def _known_s(ledger: LedgerWriter) -> float:
    """Of the house nothing new is known: the instant up to which it was stays as it is."""
    return ledger.known_until_s() or 0.0


def _parts(keys: Iterable[OutboxKey], size: int) -> Iterator[Sequence[OutboxKey]]:
    rest = iter(keys)
    while some := tuple(islice(rest, size)):
        yield some
