"""When the tank's signals were last heard live, and with what value, across a restart.

A tank that reports only changes, retained and without a time of its own, would otherwise not count until it moves: a
retained copy's age is unknown. A copy with the very value that this daemon itself heard live has been true at least
since then, for nothing newer has been published; it counts as old as that, within its `stale_after_s`.
"""

from collections.abc import Mapping
from math import isfinite
from typing import Any

from rules.model.reading import NEVER_LIVE_S, Reading

LAST_HEARD = "last heard"
_OF_TANK = "tank_"

Heard = Mapping[str, tuple[float, float]]
"""By signal: the value last heard live, and when, UTC seconds."""


def written(latest: Mapping[str, Reading]) -> dict[str, Any]:
    """The latest readings of the tank's signals as plain JSON values, those that were heard live."""
    return {
        name: [reading.value, reading.at_s]
        for name, reading in latest.items()
        if name.startswith(_OF_TANK) and reading.seen_s != NEVER_LIVE_S
    }


def read(state: Any) -> Heard:
    """What `written` kept; raises what comes of a shape that is not its own."""
    found = {name: (float(value), float(at_s)) for name, (value, at_s) in (state or {}).items()}
    return {name: pair for name, pair in found.items() if all(map(isfinite, pair))}
