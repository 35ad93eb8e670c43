"""Tells people of alarms: each once when it begins and once when it is over, by ways that may be slow or down.

The loop only says what stands now. What of that is news is decided as for the ledger's events (`rules.alarms.news`): an
alarm that comes and goes is sent once an hour at most. Each way has a thread and a bounded queue of its own, so that
none that hangs holds up the loop or another way.
"""

import logging
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from daemon.documents.times import iso
from daemon.neighbours.alert_channels import Channel, Message, NotSent
from rules.alarms import Alarm, Announced, news
from rules.model.reading import Moment
from rules.model.wording import say

log = logging.getLogger(__name__)

PAUSES_S = (5.0, 30.0, 120.0, 600.0)
"""How long to wait after each failed attempt; after the last one more attempt, and then no more."""
MOST_WAITING = 50
"""Alerts that may wait for one way; beyond that the oldest are let go, and it is said."""
_STOP_S = 2.0


@dataclass(slots=True)
class Alerts:
    """couriers: one for each way. `look` is for the loop's thread, and returns at once."""

    home: str
    couriers: "Sequence[Courier]"
    _announced: Announced = field(default_factory=Announced)
    _since_s: dict[str, float] = field(default_factory=dict)

    @property
    def faults(self) -> list[str]:
        """A sentence for each way that does not deliver just now."""
        return [
            say("alerts by {name}: {fault}", name=courier.channel.name, fault=courier.fault)
            for courier in self.couriers
            if courier.fault
        ]

    def start(self) -> None:
        """Begin to send."""
        for courier in self.couriers:
            courier.start()

    def stop(self) -> None:
        """Send what is under way, for a while, and end."""
        for courier in self.couriers:
            courier.stop()

    def look(self, alarms: Sequence[Alarm], faults: Mapping[str, str], now: Moment) -> None:
        """Say what stands. faults: by the part's name, why it does not do its work, "" where it does."""
        standing = {name: fault for name, fault in faults.items() if fault}
        self._since_s = {name: self._since_s.get(name, now.mono_s) for name in standing}
        also = tuple(Alarm(name, fault, self._since_s[name]) for name, fault in standing.items())
        events, self._announced = news((*alarms, *also), self._announced, now)
        for kind, name, sentence in events:
            for courier in self.couriers:
                courier.put(Message(self.home, iso(now.utc_s), kind, name, sentence))


class Courier:
    """Takes alerts one way, in their order. what: the kinds it takes; pauses_s: as PAUSES_S."""

    def __init__(
        self, channel: Channel, what: Sequence[str] = ("alarm", "recovered"), pauses_s: Sequence[float] = PAUSES_S
    ) -> None:
        self.channel = channel
        self.fault = ""
        self.let_go = 0
        self._what = frozenset(what)
        self._pauses_s = pauses_s
        self._waiting: deque[Message] = deque()
        self._news = threading.Condition()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, name=f"alerts {channel.name}", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def put(self, message: Message) -> None:
        """Add an alert, if its kind is wanted. Never blocks for long."""
        if message.kind not in self._what:
            return
        with self._news:
            if len(self._waiting) >= MOST_WAITING:
                self._waiting.popleft()
                self.let_go += 1
                log.warning("alerts=%s oldest let go: more than %d wait", self.channel.name, MOST_WAITING)
            self._waiting.append(message)
            self._news.notify()

    def stop(self) -> None:
        """Let what is under way end, for a while."""
        self._over.set()
        with self._news:
            self._news.notify()
        if self._thread.is_alive():
            self._thread.join(_STOP_S)

    def _work(self) -> None:
        while (message := self._next()) is not None:
            self._deliver(message)

    def _next(self) -> Message | None:
        with self._news:
            self._news.wait_for(lambda: self._waiting or self._over.is_set())
            return self._waiting.popleft() if self._waiting else None

    def _deliver(self, message: Message) -> None:
        for pause_s in (*self._pauses_s, None):
            try:
                self.channel.send(message)
            except NotSent as failed:
                self._failed(str(failed))
                if not failed.again:
                    break
            except Exception as failed:  # whatever a library throws, the next alert must go
                log.exception("alerts=%s failed", self.channel.name)
                self._failed(say("sending it failed: {kind}", kind=type(failed).__name__))
            else:
                if self.fault:
                    log.warning("alerts=%s delivered again", self.channel.name)
                self.fault = ""
                return
            if pause_s is None or self._over.wait(pause_s):
                break
        log.error("alerts=%s given up: %s %s", self.channel.name, message.kind, message.name)

    def _failed(self, why: str) -> None:
        if not self.fault:
            log.warning("alerts=%s failing: %s", self.channel.name, why)
        self.fault = why
