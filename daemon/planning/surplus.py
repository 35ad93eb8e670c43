"""What left the house in each half hour, by the tape's minutes: the sun that no heater took."""

from collections.abc import Mapping, Sequence
from itertools import pairwise

from daemon.planning.half_hours import half_hour_before
from rules.planning.store import HALF_HOUR_S

MINUTE_S = 60
LEAST_KNOWN_S = HALF_HOUR_S // 2
"""How much of a half hour has to be known for the rest to be taken to be like it."""
EXPORTS = ("surplus_w", "grid_w", "export_wh")
"""The signals that show it, the best first."""


def exported_wh(
    readings: Mapping[str, Sequence[tuple[int, float]]], hold_s: Mapping[str, float]
) -> tuple[str, dict[int, float]]:
    """The signal that showed it, and Wh by the UTC second of each half hour's start; "" and nothing without one.

    readings: of the signals EXPORTS, (UTC second of the minute's end, value), ascending; hold_s: how long a reading of
    each counts, s. A half hour of which less than half is known has no figure.
    """
    for name in EXPORTS:
        found = readings.get(name, ())
        if len(found) < 2:
            continue
        if name == "export_wh":
            return name, _by_counter(found, hold_s.get(name, 0.0))
        sign = 1.0 if name == "surplus_w" else -1.0
        return name, _by_power(found, sign, max(hold_s.get(name, 0.0), MINUTE_S))
    return "", {}


class _Cells:
    """Energy and known seconds by half hour."""

    def __init__(self) -> None:
        self._cells: dict[int, list[float]] = {}

    def add(self, from_s: float, to_s: float, power_w: float) -> None:
        """Count power_w over [from_s, to_s)."""
        while from_s < to_s:
            start_s = half_hour_before(from_s)
            until_s = min(to_s, start_s + HALF_HOUR_S)
            cell = self._cells.setdefault(start_s, [0.0, 0.0])
            cell[0] += power_w * (until_s - from_s) / 3600
            cell[1] += until_s - from_s
            from_s = until_s

    def known(self) -> dict[int, float]:
        return {
            start_s: wh * HALF_HOUR_S / known_s
            for start_s, (wh, known_s) in self._cells.items()
            if known_s >= LEAST_KNOWN_S
        }


def _by_power(readings: Sequence[tuple[int, float]], sign: float, hold_s: float) -> dict[int, float]:
    """A reading counts from the start of its minute until the next one's, and no longer than hold_s."""
    cells = _Cells()
    power_w, begun_s = 0.0, readings[0][0] - MINUTE_S
    until_s = float(begun_s)
    # Readings that follow each other without a change are one: most of a night is one stretch.
    for end_s, value in readings:
        start_s, value_w = end_s - MINUTE_S, max(sign * value, 0.0)
        if value_w != power_w or start_s > until_s:
            cells.add(begun_s, min(until_s, start_s), power_w)
            begun_s, power_w = start_s, value_w
        until_s = start_s + hold_s
    cells.add(begun_s, min(until_s, readings[-1][0]), power_w)
    return cells.known()


def _by_counter(readings: Sequence[tuple[int, float]], hold_s: float) -> dict[int, float]:
    """Each step spread over the time it took, where that was no longer than a half hour or hold_s."""
    cells = _Cells()
    for (end_s, wh), (later_s, later_wh) in pairwise(readings):
        if later_wh >= wh and later_s - end_s <= max(hold_s, HALF_HOUR_S):
            cells.add(end_s, later_s, (later_wh - wh) * 3600 / (later_s - end_s))
    return cells.known()
