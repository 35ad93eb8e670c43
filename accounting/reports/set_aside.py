"""Energy that a heater's counter showed and that is in no interval, as the ledger keeps it: by name, in its events.

A counter's difference is the booked energy plus the energy set aside. Energy set aside belongs to the period in which
the counter showed it.
"""

from collections.abc import Iterable
from typing import NamedTuple

from accounting.ledger.reading import Ledger

_NAMES = "quarantine."
_CLOCK_SLACK_S = 86_400
"""An event is written after the fact; a clock that was set back meanwhile may date it earlier."""


class SetAside(NamedTuple):
    """wh: what was set aside (negative: taken back after a late reading); at_s: UTC second at which it was shown."""

    heater: str
    at_s: int
    wh: int


def set_aside(
    ledger: Ledger, heaters: Iterable[str], from_s: int | None, to_s: int | None, as_of_s: float | None = None
) -> list[SetAside]:
    """What was set aside of these heaters in [from_s, to_s) (None: ever), known by as_of_s; UTC seconds."""
    known = set(heaters)
    first_s, last_s = -float("inf") if from_s is None else from_s, float("inf") if to_s is None else to_s
    until_s = float("inf") if as_of_s is None else as_of_s
    found = []
    for event in ledger.events(first_s - _CLOCK_SLACK_S, until_s, f"{_NAMES}*"):
        figures = event.figures
        heater, wh = figures.get("heater"), figures.get("wh")
        if heater not in known or not isinstance(wh, int) or not wh:
            continue
        # The step ends with the reading that showed it, and belongs to the time before that.
        at_s = max(int(figures["from_s"]), -int(-figures["to_s"] // 1) - 1)
        if first_s <= at_s < last_s:
            found.append(SetAside(heater, at_s, wh))
    return found


def by_heater(found: Iterable[SetAside]) -> dict[str, int]:
    """Wh by heater, those of none left out."""
    total: dict[str, int] = {}
    for heater, _, wh in found:
        total[heater] = total.get(heater, 0) + wh
    return {heater: wh for heater, wh in sorted(total.items()) if wh}
