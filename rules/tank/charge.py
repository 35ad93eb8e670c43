"""The tank's charge from its temperatures: the share of a full tank's heat that is hot enough to use.

Water at or above the useful temperature counts with its heat above cold. Cooler water counts for nothing, because
nobody can use it. Source: the method of the United Kingdom government's home energy model; its two worked points are
in tests/standards.
"""

from collections.abc import Iterable
from itertools import pairwise

from rules.model.reading import Reading
from rules.model.signals import SIGNALS

_TOP, _MID, _BOTTOM = 5 / 6, 1 / 2, 1 / 6
_can_read = SIGNALS["tank_top_c"].can_read
_HIGHEST_PCT = SIGNALS["tank_level_pct"].highest


def charge_pct(layers: Iterable[tuple[float, float]], cold_c: float, hot_c: float, useful_c: float = 40.0) -> float:
    """Charge of a tank whose layers are known, %.

    layers: (share of the volume, temperature in °C), in any order. cold_c, hot_c: temperatures of an empty and a full
    tank. A tank hotter than hot_c holds more than 100 %; the result stops at the highest level a reading may have.
    """
    heat = sum(share * (temp_c - cold_c) for share, temp_c in layers if temp_c >= useful_c)
    return min(100.0 * heat / (hot_c - cold_c), _HIGHEST_PCT)


def level_pct(
    top_c: float | None,
    mid_c: float | None,
    bottom_c: float | None,
    cold_c: float,
    hot_c: float,
    useful_c: float = 40.0,
) -> float | None:
    """Charge of a tank by up to three sensors, %; None without any.

    The sensors sit in the middles of the tank's upper, middle and lower third (5/6, 1/2, 1/6 of its height). The
    temperature is linear between neighbouring sensors and the same as theirs above the highest and below the lowest:
    so the level moves smoothly while the boundary between hot and cold passes between two of them. A single sensor
    stands for the whole tank: at the top it reads too high a charge, and stops diversion early; at the bottom too low.
    """
    known = [
        (height, temp_c) for height, temp_c in ((_TOP, top_c), (_MID, mid_c), (_BOTTOM, bottom_c)) if temp_c is not None
    ]
    if not known:
        return None
    layers = [(1.0 - known[0][0], known[0][1]), (known[-1][0], known[-1][1])]
    for (above, above_c), (below, below_c) in pairwise(known):
        layers.append(_useful_part(above - below, above_c, below_c, useful_c))
    return charge_pct(layers, cold_c, hot_c, useful_c)


def mean_c(top_c: float | None, mid_c: float | None, bottom_c: float | None) -> float | None:
    """Mean temperature of the tank by up to three sensors, °C; None without any. The profile is that of `level_pct`."""
    known = [
        (height, temp_c) for height, temp_c in ((_TOP, top_c), (_MID, mid_c), (_BOTTOM, bottom_c)) if temp_c is not None
    ]
    if not known:
        return None
    ends = (1.0 - known[0][0]) * known[0][1] + known[-1][0] * known[-1][1]
    return ends + sum((above - below) * (one_c + other_c) / 2 for (above, one_c), (below, other_c) in pairwise(known))


def _useful_part(share: float, one_c: float, other_c: float, useful_c: float) -> tuple[float, float]:
    """The part at or above `useful_c` of a layer with a linear profile: its share of the tank and mean temperature."""
    low_c, high_c = min(one_c, other_c), max(one_c, other_c)
    if low_c >= useful_c or high_c < useful_c:
        return share, (low_c + high_c) / 2
    return share * (high_c - useful_c) / (high_c - low_c), (high_c + useful_c) / 2


def level_reading(
    top: Reading | None,
    mid: Reading | None,
    bottom: Reading | None,
    cold_c: float,
    hot_c: float,
    useful_c: float = 40.0,
) -> Reading | None:
    """The level as a reading of `tank_level_pct`, as old as the oldest temperature in it; None without any.

    An impossible temperature is left out.
    """
    known = [r for r in (top, mid, bottom) if r is not None and _can_read(r.value)]
    top_c, mid_c, bottom_c = (r.value if r is not None and r in known else None for r in (top, mid, bottom))
    level = level_pct(top_c, mid_c, bottom_c, cold_c, hot_c, useful_c)
    if level is None:
        return None
    oldest = min(known, key=lambda r: r.seen_s)
    return Reading("tank_level_pct", level, oldest.at_s, oldest.seen_s)
