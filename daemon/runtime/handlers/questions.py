"""What the daemon says to each question: why, how it is, and whether the ledger is up to date."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from daemon.config.model import Home
from daemon.documents.decision_document import explanation_answer
from daemon.documents.hygiene_document import hygiene_answer
from daemon.documents.times import iso
from daemon.inputs.price_feeds import Feeds
from daemon.neighbours.alerts import Alerts
from daemon.planning.nightly import Nightly
from daemon.planning.statement import headline
from daemon.recording.backups import Backups
from daemon.recording.shipper import Shipping
from daemon.runtime.controller import Controller
from daemon.runtime.reloading import HomeFile
from daemon.timing.event_queue import Waiting
from rules.model.freshness import is_fresh
from rules.model.reading import NEVER_LIVE_S, Moment
from rules.model.wording import say

if TYPE_CHECKING:
    from daemon.mqtt.listener import Tally


class Questions:
    """Answers from what the loop knows.

    waiting: the loop's queue; tallies: what came on each topic; shipping, backups: None where there are none.
    """

    def __init__(
        self,
        controller: Controller,
        home_file: HomeFile,
        waiting: Waiting,
        tallies: "Sequence[Tally]",
        feeds: Feeds,
        shipping: Shipping | None,
        backups: Backups | None,
        alerts: Alerts,
        nightly: Nightly,
    ) -> None:
        self._controller = controller
        self._home_file = home_file
        self._waiting = waiting
        self._tallies = tallies
        self._feeds = feeds
        self._shipping = shipping
        self._backups = backups
        self._nightly = nightly
        self._alerts = alerts

    @property
    def home(self) -> Home:
        """The home file that is obeyed."""
        return self._home_file.home

    @property
    def planned(self) -> dict[str, Any] | None:
        """Tonight's plan in short; None where none is made."""
        return self._nightly.said

    def why(self, now: Moment) -> dict[str, Any]:
        """The standing decision, every finding, inputs with their ages, alarms."""
        engine = self._controller.engine
        override, prices = engine.memory.override, engine.prices
        return {
            **explanation_answer(self.home.home.name, engine.explain(now), now.utc_s),
            "mode": self.home.home.mode,
            "heaters": [
                {"heater": one.heater, "order": one.order.value, "watts": one.watts, "guard": one.guard}
                for one in (engine.decision.orders if engine.decision is not None else ())
            ],
            "level": self._level(now),
            # Money per kWh, null where no price is known; heat_value: of what a diverted kWh displaces.
            "prices": {
                "import_price": prices.import_price,
                "export_price": prices.export_price,
                "heat_value": prices.heat_value,
            },
            "links_down": {name: link.reason for name, link in sorted(self._controller.links.items()) if not link.up},
            "inputs": self._inputs(now),
            "alarms": self._alarms(now),
            "hygiene": self._hygiene(now),
            "override": None
            if override is None
            else {"order": override.order.value, "heater": override.heater, "ends_in_s": override.until_s - now.mono_s},
            "plan": None if self._nightly.document is None else headline(self._nightly.document),
        }

    def health(self, now: Moment) -> dict[str, Any]:
        """Connections, inputs, payloads since the start, what waits to be dealt with, books, alarms."""
        return {
            "schema": "brimful.health/1",
            "home": self.home.home.name,
            "mode": self.home.home.mode,
            "at": iso(now.utc_s),
            "links": {
                name: {"up": link.up, "reason": link.reason} for name, link in sorted(self._controller.links.items())
            },
            "inputs": self._inputs(now),
            "payloads": [
                {
                    "signal": tally.source.signal,
                    "received": tally.received,
                    "refused": dict(tally.refused),
                    "last_refused": tally.last_refused,
                }
                for tally in self._tallies
            ],
            "queue": {"waiting_readings": self._waiting.readings, "passed_over_readings": self._waiting.passed_over},
            "books": self._controller.keeper.health(),
            "clock": {"fault": self._controller.dating.fault},
            "timeseries": None if self._shipping is None else self._shipping.health(now),
            "alarms": self._alarms(now),
            "hygiene": self._hygiene(now),
            "backup": None if self._backups is None else self._backups.health(now),
            "prices": {"faults": self._feeds.faults},
            "alerts": {"faults": self._alerts.faults},
            "home_file": {"fault": self._home_file.fault or None},
        }

    def written(self, now: Moment) -> dict[str, Any]:
        """Write the interval in progress down for who is about to read the ledger."""
        self._controller.freshen(now)
        at_s = self._controller.keeper.written_at_s
        return {"schema": "brimful.written/1", "written_at": None if at_s is None else iso(at_s)}

    def faults(self) -> list[str]:
        """Sentences on what is out of order besides the inputs: ledger, clock, plan, prices, alerts and so on."""
        return [*filter(None, self.faults_by_part().values())]

    def faults_by_part(self) -> dict[str, str]:
        """The same by the part's name, "" where all is well with it."""
        return {
            "ledger": self._controller.keeper.fault,
            "clock": self._controller.dating.fault,
            "backup": "" if self._backups is None else self._backups.fault,
            "home file": self._home_file.fault,
            "plan": say("no plan could be made: {fault}", fault=self._nightly.fault) if self._nightly.fault else "",
            **{fault.partition(":")[0]: fault for fault in (*self._feeds.faults, *self._alerts.faults)},
        }

    def _level(self, now: Moment) -> dict[str, Any] | None:
        """The tank's level that counts, its age (null: never heard live), whether it is fresh; since when it has been
        the same, and since when the tank counts as full."""
        engine = self._controller.engine
        level, since_s, full_s = engine.snapshot.level, engine.snapshot.level_since_s, engine.memory.full_since_s
        if level is None:
            return None
        return {
            "value_pct": level.value,
            "age_s": None if level.seen_s == NEVER_LIVE_S else round(now.mono_s - level.seen_s, 1),
            "fresh": is_fresh(level, engine.settings, now),
            "since": None if since_s == NEVER_LIVE_S else iso(now.utc_of(since_s)),
            "full_since": None if full_s is None else iso(now.utc_of(full_s)),
        }

    def _hygiene(self, now: Moment) -> dict[str, Any] | None:
        engine = self._controller.engine
        return hygiene_answer(engine.settings, engine.memory, engine.snapshot, now)

    def _alarms(self, now: Moment) -> list[dict[str, Any]]:
        return [
            {"name": alarm.name, "sentence": alarm.sentence, "since": iso(now.utc_of(alarm.since_s))}
            for alarm in self._controller.alarms
        ]

    def _inputs(self, now: Moment) -> list[dict[str, Any]]:
        """Every signal heard, with value and age; age null for a value that was never heard live."""
        engine = self._controller.engine
        limits = engine.settings.stale_after_s
        return [
            {
                "signal": name,
                "value": reading.value,
                "age_s": None if reading.seen_s == NEVER_LIVE_S else round(now.mono_s - reading.seen_s, 1),
                "stale_after_s": limits.get(name),
            }
            for name, reading in sorted(engine.board.latest.items())
        ]
