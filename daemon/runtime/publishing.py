"""What the house says of itself without being asked: on MQTT, to the service manager, and to all open pages."""

import contextlib

from accounting.ledger import LedgerError
from daemon.documents.hygiene_document import days_since_hot
from daemon.mqtt.house_state import HouseState
from daemon.runtime.controller import Controller
from daemon.runtime.handlers.questions import Questions
from daemon.runtime.sd_notify import Manager
from daemon.web.server.live_state import Latest, Picture
from rules.model.reading import Moment


class Publishing:
    """Publishes what the house does and why. state: its MQTT topics; latest: the pages' picture."""

    def __init__(
        self, controller: Controller, questions: Questions, state: HouseState, latest: Latest, manager: Manager
    ) -> None:
        self._controller = controller
        self._questions = questions
        self._state = state
        self._latest = latest
        self._manager = manager
        self._planned = False

    def publish(self, now: Moment) -> None:
        """After a change, and every minute."""
        controller = self._controller
        self._latest.changed()
        explanation = controller.engine.explain(now)
        self._manager.status(explanation.text)
        level = controller.engine.snapshot.level
        self._state.say(
            "state",
            {
                "mode": self._questions.home.home.mode,
                "order": explanation.order.value,
                "heater": explanation.heater,
                "watts": explanation.watts,
                "guard": explanation.primary.guard,
                "reason": explanation.text,
                "level_pct": None if level is None else level.value,
                "days_since_whole_tank_hot": days_since_hot(controller.engine.memory, now, 1),
                "alarms": [*(alarm.sentence for alarm in controller.alarms), *self._questions.faults()],
            },
        )
        planned = self._questions.planned
        if planned is not None or self._planned:  # what is retained must not outlive the plan
            self._state.say("plan", planned or {"mode": "off"})
            self._planned = planned is not None
        with contextlib.suppress(LedgerError):  # it stands in the alarms; the last figures stay
            self._state.say("today", controller.keeper.today(controller.engine, now))

    def show(self, now: Moment) -> None:
        """Hand the page a picture of the house as it is now."""
        health = today = None
        with contextlib.suppress(LedgerError):  # it stands in the alarms
            health = self._questions.health(now)
            today = self._controller.keeper.today(self._controller.engine, now)
        self._latest.put(Picture(self._questions.home, now.utc_s, self._questions.why(now), health, today))
