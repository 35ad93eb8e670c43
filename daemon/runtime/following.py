"""Tonight's plan in the running house: asked for beside the loop, taken and followed by it."""

from daemon.planning.nightly import Nightly
from daemon.runtime.controller import Controller
from rules.model.reading import Moment


class Following:
    """A method for each job. nightly: makes the plans."""

    def __init__(self, controller: Controller, nightly: Nightly) -> None:
        self._controller = controller
        self._nightly = nightly

    def look(self, now: Moment) -> None:
        """Have a plan made, if one is due."""
        controller = self._controller
        self._forget_if_doubted()
        if controller.dating.fault or controller.engine.decision is None:  # it would be made for the wrong night
            return
        stood = controller.engine.memory.planned
        self._nightly.look(controller.engine, now)
        self._decide_if_changed(stood is not controller.engine.memory.planned, now)

    def take(self, now: Moment) -> None:
        """Take the plan that was made."""
        controller = self._controller
        stood = controller.engine.memory.planned
        self._nightly.done(controller.engine, controller.keeper, now)
        self._forget_if_doubted()
        self._decide_if_changed(stood is not controller.engine.memory.planned, now)
        controller.publish(now)

    def _forget_if_doubted(self) -> None:
        controller = self._controller
        if not controller.dating.right:
            self._nightly.forget(controller.engine)

    def _decide_if_changed(self, changed: bool, now: Moment) -> None:
        if changed:
            self._controller.decide(now)
