"""Signs and units that are wrong, found by what must hold at every instant: what comes from the grid is what the house,
the battery and the heater take, less what the roof gives. It tells most at night, when the roof gives nothing. Pure.

Where the house's use is not heard, it follows from the others, and must come out as a house's use may be, never below
nothing: at night that tells the sign of the grid's and the battery's power.

All signs and factors of a thousand that are possible are tried. What all of those that balance agree on is known; on
the rest the time that was listened tells nothing, as of a battery that rested.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from statistics import median

from daemon.setup.corrections import Correction
from rules.model.wording import Number, joined, say, with_and

Course = Sequence[tuple[float, float]]
"""When, s, and the value in the signal's unit as it was guessed; ascending."""

_HOLD_S = 120.0
"""How long a value stands for what was not heard anew (common practice, no source)."""
_FEWEST = 5
_MOST = 60
_LEAST_HOUSE_W, _MOST_HOUSE_W = 30.0, 20_000.0
"""A house's use at any hour lies between (common practice, no source)."""
_OFF_SHARE, _OFF_W = 0.08, 25.0
"""What the sides may differ by: meters differ, and are not read at one instant (common practice, no source)."""
_KILO = (1.0, 1000.0, 0.001)
_BOTH = (*_KILO, *(-factor for factor in _KILO))
_TRIED: Mapping[str, tuple[float, ...]] = {
    "grid_w": _BOTH,
    "house_w": _KILO,
    "battery_w": _BOTH,
    "pv_w": _BOTH,
    "diverted_w": (1.0, 1000.0, 0.0),
}
_SOMETHING = (1.0, 1000.0)
_SIDE = {"grid_w": -1.0, "house_w": 1.0, "battery_w": 1.0, "pv_w": -1.0, "diverted_w": 1.0}
_INTEGRAL_S = 900.0
"""Longest gap between two powers over which energy is worked out from them."""
_ALIKE = 0.3
"""How far a counter's ratio to the power may be from 1, 1000 or a thousandth."""


@dataclass(frozen=True, slots=True)
class Balance:
    """corrections: what it found; why_not: why it found nothing, "" if it did."""

    corrections: tuple[Correction, ...]
    why_not: str = ""


def balance(courses: Mapping[str, Course]) -> Balance:
    """courses: by signal; grid_w is needed, and another."""
    if not courses.get("grid_w") or not any(courses.get(name) for name in _TRIED if name != "grid_w"):
        return Balance((), say("it needs grid_w, and house_w, battery_w or pv_w beside it"))
    names = [name for name in _TRIED if courses.get(name)]
    rows = _together([courses[name] for name in names])
    if len(rows) < _FEWEST:
        return Balance(
            (),
            say(
                "a balance needs {fewest} instants at which all of {names} were heard",
                fewest=_FEWEST,
                names=joined(names),
            ),
        )
    holds = _holds if "house_w" in names else _leaves_a_house
    tried = (_SOMETHING if name == "diverted_w" and "house_w" not in names else _TRIED[name] for name in names)
    balanced = [factors for factors in product(*tried) if holds(rows, names, factors)]
    if not balanced:
        return Balance(
            (),
            say(
                "{names} balance with no sign or unit: is one of them something else?",
                names=joined(names),
            ),
        )
    corrections_found = []
    for place, name in enumerate(names):
        agreed = {factors[place] for factors in balanced}
        if len(agreed) == 1:
            corrections_found.append(_turned(name, agreed.pop()))
        elif {factor < 0 for factor in agreed} == {True, False} and len({abs(factor) for factor in agreed}) == 1:
            corrections_found.append(
                Correction(name, abs(agreed.pop()), say("the balance with the others shows its unit"), sign=False)
            )
    nothing = say("too little flowed to find anything by the balance")
    return Balance(tuple(corrections_found), "" if corrections_found else nothing)


def _turned(name: str, factor: float) -> Correction:
    if factor == 0:
        return Correction(name, 1.0, say("house_w seems to include it: brimful wants house_w without the heater"))
    said = []
    if factor < 0:
        said.append(say("the sign is turned"))
    if abs(factor) != 1:
        said.append(say("kW are sent") if abs(factor) > 1 else say("a thousandth of it is meant"))
    how = with_and(said) if said else say("sign and unit are right")
    return Correction(name, factor, say("the balance with the others shows that {how}", how=how))


def _together(courses: Sequence[Course]) -> list[tuple[float, ...]]:
    """The courses' values at the instants of the slowest one, where each has one that still stands."""
    slowest = min(courses, key=len)
    keys = [[at_s for at_s, _ in course] for course in courses]
    rows = []
    for at_s, _ in slowest[:: max(1, len(slowest) // _MOST)]:
        row = []
        for course, times in zip(courses, keys, strict=True):
            place = bisect_right(times, at_s + 1.0) - 1  # a second: what belongs together is not sent at one instant
            if place >= 0 and at_s - times[place] <= _HOLD_S:
                row.append(course[place][1])
        if len(row) == len(courses):
            rows.append(tuple(row))
    return rows


def _leaves_a_house(rows: Sequence[tuple[float, ...]], names: Sequence[str], factors: tuple[float, ...]) -> bool:
    """Whether what the house must have used is what a house may use, at nearly every instant."""
    weights = [-factor * _SIDE[name] for name, factor in zip(names, factors, strict=True)]
    used = sorted(sum(value * weight for value, weight in zip(row, weights, strict=True)) for row in rows)
    few = len(used) // 10
    return used[few] >= _LEAST_HOUSE_W and used[-1 - few] <= _MOST_HOUSE_W


def _holds(rows: Sequence[tuple[float, ...]], names: Sequence[str], factors: tuple[float, ...]) -> bool:
    house = names.index("house_w")
    if not _LEAST_HOUSE_W <= median(row[house] for row in rows) * factors[house] <= _MOST_HOUSE_W:
        return False
    weights = [factor * _SIDE[name] for name, factor in zip(names, factors, strict=True)]
    off, size = [], []
    for row in rows:
        flows = [value * weight for value, weight in zip(row, weights, strict=True)]
        off.append(abs(sum(flows)))
        size.append(sum(abs(flow) for flow in flows) / 2)
    # Most rows, not the median one: a sign that is wrong only while the battery works would pass unseen.
    worst = sorted(range(len(rows)), key=lambda place: off[place] - max(_OFF_W, _OFF_SHARE * size[place]))
    place = worst[int(0.8 * (len(rows) - 1))]
    return off[place] <= max(_OFF_W, _OFF_SHARE * size[place])


def counter_correction(signal: str, counter: Course, power: Course, sign: float = 1.0) -> Correction | None:
    """Whether a counter counts what a power brings: its ratio to the power's energy, over a day best.

    sign: of the part of the power that it counts. None where too little was counted, or the two have nothing to do with
    each other.
    """
    if len(counter) < 2:
        return None
    start_s, end_s = counter[0][0], counter[-1][0]
    counted = counter[-1][1] - counter[0][1]
    steps = {after - before for (_, before), (_, after) in pairwise(counter) if after > before}
    if counted <= 0 or len(counter) < _FEWEST or (steps and counted < 5 * min(steps)):
        return None
    energy_wh = 0.0
    for (at_s, watts), (then_s, _) in pairwise(power):
        from_s, to_s = max(at_s, start_s), min(then_s, end_s)
        if 0 < to_s - from_s <= _INTEGRAL_S:
            energy_wh += max(0.0, watts * sign) * (to_s - from_s) / 3600.0
    if energy_wh <= 0:
        return None
    for factor in _KILO:
        if abs(counted * factor / energy_wh - 1) <= _ALIKE:
            how = (
                say("its unit is right")
                if factor == 1
                else say("its scale is off by {factor}", factor=Number(f"{factor:g}"))
            )
            return Correction(
                signal, factor, say("beside the power's energy in the same time {how}", how=how), sign=False
            )
    return None
