"""A forecast of the sun by a plug-in, read like a device: `{"today": 8200.0, "tomorrow": 11400.0}`, in Wh.

A signal's pointer picks one of them. A day that the plug-in leaves out is missing, and the signal refuses it.
"""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from daemon.inputs.plug_ins import forecast_days
from daemon.neighbours.readers.polling import ReadFailed
from rules.model.errors import BrimfulError


class Forecast:
    """source: the plug-in's name; today: the home's date; options: the plug-in's own. Raises as they do."""

    def __init__(self, source: str, today: Callable[[], date], options: Callable[[], dict[str, Any]]) -> None:
        self._source = source
        self._today = today
        self._options = options

    def read(self) -> dict[str, Any]:
        """As `Reader.read`."""
        day = self._today()
        try:
            days = forecast_days(self._source, day, self._options())
        except (ValueError, BrimfulError) as failed:
            raise ReadFailed(f"forecast {self._source}: {failed}") from None
        named = {"today": day, "tomorrow": day + timedelta(days=1)}
        return {name: days[at] for name, at in named.items() if at in days}

    def close(self) -> None:
        """As `Reader.close`."""
