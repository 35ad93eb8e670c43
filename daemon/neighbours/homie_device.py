"""The Homie 5 device on the broker: a connection of its own, whose last will says that it is lost.

A wish comes as a message on a property's `set` topic. It takes the way that `brimful rule` and `brimful override` take,
and is checked as they are; what is refused is said under `$log/warn` and in the log, where a flood of them is counted,
and the property stays as it was. A retained wish is no wish: the broker would repeat it at every start. Cautions that
an accepted wish brings, which the page would show, stand under `$log/warn` too.
"""

import json
import logging
import re
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from random import random
from time import monotonic
from typing import Any

from daemon.config.cautions import cautions, new_cautions
from daemon.config.model import Home
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.connection import Connection
from daemon.mqtt.publication import Publication, Refusal
from daemon.neighbours.homie_document import (
    LONGEST_MINUTES,
    NO_OVERRIDE,
    OVERRIDE,
    OVERRIDE_MINUTES,
    STOP_LEVEL,
    description,
    device_id,
    values,
)
from daemon.timing.events import HOMIE_LINK, Linked
from rules.model.errors import BrimfulError

log = logging.getLogger(__name__)

USUAL_MINUTES = 60
MOST_WAITING = 4
"""Wishes that wait for the loop's answer at a time; more are refused: each rewrites the home file or the ledger."""
MOST_LEFT = 1000
"""Old alerts that are remembered until the house is first shown."""
REFUSED_S = 60.0
"""Within it the log has one line of wishes that are refused for one property and for the same reason."""
_QOS = 1
_SHOWN = 60
_NUMBER = re.compile(r"-?\d{1,6}(\.\d{1,6})?")

Wish = Callable[[str, dict[str, Any]], "Future[Any]"]
"""Asks the loop: "rule" or "override" and its arguments, as the API does."""


class HomieDevice:
    """Shows the house, and passes wishes on. `show` may be called from the loop's thread: it waits for nothing.

    home: the home file as it holds now; settable: whether others may set anything; domain: the topics' first level;
    wish: asks the loop; done: called, on the loop's thread, once a wish has been answered; emit: takes `Linked`;
    mono_s: a clock that only goes forward.
    """

    def __init__(
        self,
        broker: BrokerAddress,
        home: Callable[[], Home],
        *,
        domain: str,
        settable: bool,
        wish: Wish,
        done: Callable[[], None],
        emit: Callable[[Linked], None],
        jitter: Callable[[], float] = random,
        mono_s: Callable[[], float] = monotonic,
    ) -> None:
        self._home = home
        self._settable = settable
        self._wish = wish
        self._done = done
        self.base = f"{domain}/5/{device_id(home())}"
        self._emit = emit
        self._minutes = USUAL_MINUTES
        self._said: dict[str, str] = {}
        self._alerts: dict[str, str] = {}
        self._left: set[str] = set()
        self._waiting = 0
        self._mono_s = mono_s
        self._logged: dict[tuple[str, str], tuple[float, int]] = {}  # when last, and how many unsaid since
        self._unheard = ""
        self._unpublished = False
        self._shown = False
        self._lock = threading.RLock()  # what is said, and its order: the network thread greets, the loop shows
        settings = {STOP_LEVEL: self._stop_level, OVERRIDE: self._override, OVERRIDE_MINUTES: self._set_minutes}
        self._settings = (
            {f"{self.base}/{name}/set": (name, take) for name, take in settings.items()} if settable else {}
        )
        self.connection = Connection(
            broker,
            "homie",
            will=Publication(f"{self.base}/$state", b"lost", _QOS, retain=True),
            topics=(f"{self.base}/$alert/+", *self._settings),
            on_message=self._heard,
            on_up=self._up,
            on_down=lambda reason: emit(Linked(HOMIE_LINK, False, reason)),
            on_fault=self._fault,
            jitter=jitter,
        )

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self.connection.start()

    def close(self) -> bool:
        """Say that the device is disconnected, and leave; whether the broker has acknowledged it."""
        return self.connection.close(Publication(f"{self.base}/$state", b"disconnected", _QOS, retain=True))

    def show(self, why: Mapping[str, Any], today: Mapping[str, Any] | None) -> None:
        """Publish what has changed: properties, and an alert for each alarm that stands."""
        with self._lock:
            current = values(self._home(), why, today, self._minutes)
            alerts = {_identifier(alarm["name"]): alarm["sentence"] for alarm in why["alarms"]}
            changed = {f"/{name}": value for name, value in current.items() if self._said.get(f"/{name}") != value}
            self._said |= changed
            for name in self._alerts.keys() - alerts.keys():
                self._publish(f"/$alert/{name}", "")
            changed |= {f"/$alert/{name}": said for name, said in alerts.items() if self._alerts.get(name) != said}
            for name in self._left - alerts.keys():
                self._publish(f"/$alert/{name}", "")
            self._left.clear()
            self._alerts = alerts
            for path, value in changed.items():
                self._publish(path, value)
            if not self._shown:
                self._shown = True
                self._publish("/$state", "ready")

    def _up(self) -> None:
        """All of it anew, as the convention has it: `init` until every property has its value."""
        with self._lock:
            self._publish("/$state", "init")
            self._publish("/$description", json.dumps(description(self._home(), self._settable), ensure_ascii=False))
            for path, value in self._said.items():
                self._publish(path, value)
            for name, said in self._alerts.items():
                self._publish(f"/$alert/{name}", said)
            if self._shown:
                self._publish("/$state", "ready")
        self._emit(Linked(HOMIE_LINK, True, self._unheard))
        self._unheard, self._unpublished = "", False

    def _fault(self, refusal: Refusal) -> None:
        """Runs while paho holds its lock on what goes out, which `show` takes inside ours: it must not take ours."""
        sentence = f"{refusal}; see [homie] and the broker's access rules"
        if refusal.what == "subscription":
            self._unheard = f"it is shown, but {sentence}"
        elif not self._unpublished:
            self._unpublished = True
            self._emit(Linked(HOMIE_LINK, False, sentence))

    def _publish(self, path: str, payload: str) -> None:
        self.connection.publish(f"{self.base}{path}", payload.encode(), _QOS, retain=True)

    def _heard(self, topic: str, payload: bytes, retained: bool) -> None:
        prefix = f"{self.base}/$alert/"
        if topic.startswith(prefix):
            if retained and payload:
                self._left_behind(topic.removeprefix(prefix))
            return
        name, take = self._settings[topic]
        text = payload[:_SHOWN].decode("utf-8", "replace")
        if retained:
            self._refuse(
                "retained", name, text, "it was retained, and would be repeated at every start; send it without"
            )
            return
        with self._lock:
            busy = self._waiting >= MOST_WAITING
            self._waiting += not busy
        if busy:
            self._refuse("many", name, text, f"expected at most {MOST_WAITING} wishes at a time")
            return
        known = cautions(self._home())
        try:
            asked = take(text)
        except ValueError as wrong:
            with self._lock:
                self._waiting -= 1
            self._refuse("value", name, text, str(wrong))
            return
        asked.add_done_callback(lambda answer: self._answered(name, text, known, answer))

    def _left_behind(self, name: str) -> None:
        """An alert on the broker: cleared if an earlier run left it, of an alarm that ended while nobody was there."""
        with self._lock:
            if not self._shown:
                if len(self._left) < MOST_LEFT:
                    self._left.add(name)  # which alarms stand is known only once the house is shown
            elif name not in self._alerts:
                self._publish(f"/$alert/{name}", "")

    def _stop_level(self, text: str) -> "Future[Any]":
        if not _NUMBER.fullmatch(text):
            raise ValueError("expected a number of percent, 1 to 100")
        return self._wish("rule", {"rule": "full", "set": {"stop_at_pct": text}})

    def _override(self, text: str) -> "Future[Any]":
        if text == NO_OVERRIDE:
            return self._wish("override", {"clear": True})
        return self._wish("override", {"order": text, "for_s": self._minutes * 60})

    def _set_minutes(self, text: str) -> "Future[Any]":
        """Held here alone: how long the next override lasts."""
        if not re.fullmatch(r"\d{1,5}", text) or not 1 <= int(text) <= LONGEST_MINUTES:
            raise ValueError(f"expected whole minutes, 1 to {LONGEST_MINUTES}")
        self._minutes = int(text)
        done: Future[Any] = Future()
        done.set_result(None)
        return done

    def _answered(self, name: str, text: str, known: Sequence[str], answer: "Future[Any]") -> None:
        with self._lock:
            self._waiting -= 1
        failed = None if answer.cancelled() else answer.exception()
        if failed is None:
            log.info("homie=%s set to %r", name, text)
            for caution in new_cautions(known, (answer.result() or {}).get("cautions", ())):
                self._warn(f"{name} is set to {text!r}. {caution}")
        else:
            why = str(failed) if isinstance(failed, BrimfulError) else "an error; see the log"
            self._refuse("loop", name, text, why)
        self._done()

    def _refuse(self, reason: str, name: str, text: str, why: str) -> None:
        """reason: one of few, by which a flood is known, whatever the values."""
        sentence = f"{name} is not set to {text!r}: {why}"
        now_s = self._mono_s()
        with self._lock:
            last_s, unsaid = self._logged.get((name, reason), (-REFUSED_S, 0))
            due = now_s - last_s >= REFUSED_S
            self._logged[name, reason] = (now_s, 0) if due else (last_s, unsaid + 1)
        if due:
            log.warning("homie=refused %s%s", sentence, f" (and {unsaid} more before it)" if unsaid else "")
        self._warn(sentence)

    def _warn(self, sentence: str) -> None:
        self.connection.publish(f"{self.base}/$log/warn", sentence.encode(), _QOS, retain=False)


def _identifier(name: str) -> str:
    """A name as Homie allows one: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "alarm"
