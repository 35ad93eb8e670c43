"""Carries settled intervals from the outbox to the time-series database, in a thread that control never waits for."""

import logging
import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from math import isfinite
from queue import SimpleQueue
from typing import Any

from accounting.ledger import Refused
from accounting.timeseries import Writer
from accounting.timeseries.outbox import Failed, Shipment, Shipper, carry, load
from daemon.recording.unit_of_work import Keeper
from daemon.timing.events import Shipped
from rules.model.formatting import duration
from rules.model.reading import Moment
from rules.model.wording import joined, say

log = logging.getLogger(__name__)


NAMED = 5
"""Refused intervals that an event names; it counts them all."""


def refusal(refused: Sequence[Refused]) -> str:
    """What was set aside, by name, and the server's word on the first of it."""
    names = [f"{one.key.heater} {_iso(one.key.start_s)}" for one in refused[:NAMED]]
    said = joined(names)
    if len(refused) > NAMED:
        said = say("{names} and {more} more", names=said, more=len(refused) - NAMED)
    return say("set aside, for the database refuses them: {names}; {why}", names=said, why=refused[0].why)


def _iso(start_s: int) -> str:
    return datetime.fromtimestamp(start_s, UTC).strftime("%Y-%m-%dT%H:%MZ")


class Shipping:
    """`send` and `done` run on the loop's thread. put: hands the answer to the loop."""

    def __init__(self, writer: Writer, home: str, put: Callable[[Shipped], None]) -> None:
        self.fault = ""
        self._writer = writer
        self._home = home
        self._put = put
        self._shipper = Shipper()
        self._shipments: SimpleQueue[Shipment | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="shipping", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Let a shipment under way end, for a while; what it carried stays in the outbox."""
        self._shipments.put(None)
        self._thread.join(timeout=2.0)

    @property
    def under_way(self) -> bool:
        """Whether a shipment is on its way."""
        return self._shipper.under_way

    def health(self, now: Moment) -> dict[str, Any]:
        """Why the database does not take points ("": it does), for how many attempts, and when the next one is."""
        failures = self._shipper.failures
        wait_s = max(0.0, self._shipper.next_s() - now.mono_s) if failures else 0.0
        return {
            "fault": self.fault,
            "failures": failures,
            "next_attempt_in_s": round(wait_s, 1) if isfinite(wait_s) else 0.0,
        }

    def send(self, keeper: Keeper, now: Moment) -> None:
        """Send a batch if there is one and the pace allows it."""
        if not self._shipper.ready(now.mono_s):
            return
        items = keeper.outbox(self._shipper.batch)
        if items:
            shipment = load(items, self._home)
            self._shipper.left()
            self._shipments.put(shipment)

    def done(self, keeper: Keeper, event: Shipped, now: Moment) -> None:
        """Strike off what arrived; queue again what is in doubt."""
        answer = event.answer
        keeper.again(self._shipper.done(answer, now.mono_s))
        if isinstance(answer, Failed):
            if not self.fault:
                keeper.event("alarm", "timeseries", answer.sentence, now)
                log.warning(
                    "timeseries=failing %s; tried again in %s, nothing is lost",
                    answer.sentence,
                    duration(self._shipper.next_s() - now.mono_s),
                )
            self.fault = answer.sentence
            return
        keeper.delivered(answer.keys)
        if answer.refused:
            keeper.refused(answer.refused)
            sentence = refusal(answer.refused)
            keeper.event("note", "timeseries.refused", sentence, now, {"count": len(answer.refused)})
            log.warning("timeseries=refused %s", sentence)
        if self.fault:
            keeper.event("recovered", "timeseries", say("time-series database takes points again"), now)
            log.warning("timeseries=recovered")
        self.fault = ""

    def _work(self) -> None:
        while (shipment := self._shipments.get()) is not None:
            self._put(Shipped(carry(self._writer, shipment)))
        self._writer.close()
