"""Shows the house to its neighbours after each change: the Homie device, and those who get alarms."""

import contextlib

from accounting.ledger import LedgerError
from daemon.neighbours.opening import Neighbours
from daemon.runtime.controller import Controller
from daemon.runtime.handlers.questions import Questions
from rules.model.reading import Moment


class Showing:
    """neighbours: who looks; each takes what it is shown at once and deals with it on a thread of its own."""

    def __init__(self, controller: Controller, questions: Questions, neighbours: Neighbours) -> None:
        self._controller = controller
        self._questions = questions
        self._neighbours = neighbours

    def show(self, now: Moment) -> None:
        """After a change, and every minute."""
        if not self._neighbours.want_to_see:
            return
        controller, today = self._controller, None
        with contextlib.suppress(LedgerError):  # it stands in the faults
            today = controller.keeper.today(controller.engine, now)
        links = {f"link {name}": link.reason or "it is down" for name, link in controller.links.items() if not link.up}
        faults = {**self._questions.faults_by_part(), **links}
        self._neighbours.show(self._questions.why(now), today, controller.alarms, faults, now)
