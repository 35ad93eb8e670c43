"""Intervals to be sent to the time-series database again."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from accounting.ledger import OutboxKey
from daemon.runtime.controller import Controller
from daemon.runtime.reloading import HomeFile
from rules.model.errors import BrimfulError
from rules.model.reading import Moment

MOST_RESENT = 100
"""Intervals to one wish: the loop queues them at once, which holds control no longer than any other write."""
_OP = "send intervals again"


@dataclass(frozen=True, slots=True)
class Resend:
    """Queue these intervals again. ledger: the path of the one that is meant; intervals: start, UTC s, and heater."""

    ledger: str
    intervals: tuple[tuple[int, str], ...]


def read_resend(arguments: Mapping[str, Any]) -> Resend:
    """{"ledger": PATH, "intervals": [[START_S, HEATER], …]}. Raises BrimfulError."""
    wanted = arguments.get("intervals")
    if not isinstance(wanted, list) or not 1 <= len(wanted) <= MOST_RESENT or not all(map(_is_interval, wanted)):
        raise BrimfulError(_OP, "intervals", f"expected 1 to {MOST_RESENT} pairs of start_s and heater")
    return Resend(str(arguments.get("ledger")), tuple((start_s, heater) for start_s, heater in wanted))


def _is_interval(value: Any) -> bool:
    match value:
        case [int(start_s), str()]:
            return abs(start_s) < 2**62
    return False


class Resending:
    """Queues intervals in the outbox again, written down at once."""

    def __init__(self, controller: Controller, home_file: HomeFile) -> None:
        self._controller = controller
        self._home_file = home_file

    def do(self, wish: Resend, now: Moment) -> dict[str, Any]:
        """Raises BrimfulError: another ledger is meant, there is no database, or the ledger cannot be written."""
        keeper = self._controller.keeper
        path = str(keeper.path.resolve())
        if wish.ledger != path:
            cause = f"expected the running daemon's ledger {path}, got {wish.ledger[:200]}"
            raise BrimfulError(_OP, "ledger", cause, "another home's daemon answers at this port")
        if self._home_file.home.timeseries is None:
            cause = "expected a [timeseries] table, got none"
            raise BrimfulError(_OP, "timeseries", cause, "restart the daemon with one")
        keeper.again(OutboxKey(start_s, heater, 0) for start_s, heater in wish.intervals)  # the newest version goes
        self._controller.write(now)
        unkept = self._controller.dating.fault or keeper.fault
        if unkept:
            raise BrimfulError(_OP, "ledger", unkept, "they are queued once it can be written")
        return {"schema": "brimful.resend/1", "queued": len(wish.intervals), "outbox": keeper.health()["outbox"]}
