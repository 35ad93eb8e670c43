"""A restatement that a person asks for, and how far the ones that wait are."""

from typing import Any

from daemon.control.engine import Engine
from daemon.recording.restatement_queue import Restater, RestateWish
from daemon.runtime.reloading import HomeFile
from rules.model.reading import Moment


class RestateCommands:
    """Restates by the files as they are now."""

    def __init__(self, engine: Engine, restater: Restater, home_file: HomeFile) -> None:
        self._engine = engine
        self._restater = restater
        self._home_file = home_file

    def do(self, wish: RestateWish, now: Moment) -> dict[str, Any]:
        """Queue it; the answer carries its ticket. Raises BrimfulError: another ledger is meant."""
        self._home_file.look(now)
        return self._restater.wish(wish, self._engine.books.settings)

    def progress(self, now: Moment) -> dict[str, Any]:
        """What waits, and what came of the last ones, by ticket."""
        return self._restater.answer()
