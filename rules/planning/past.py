"""The home's own past as whole days: sun and draw of a day stay together, half hour by half hour."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from rules.planning.store import HALF_HOURS_A_DAY

MOST_MISSING = 6
"""Half hours a day may lack and still serve as a scenario."""


def kind_of(weekday: int) -> int:
    """0 for a workday, 1 for Saturday, 2 for Sunday."""
    return max(weekday - 4, 0)


@dataclass(frozen=True, slots=True)
class Day:
    """A local day of the past. number: days since any fixed day; weekday: 0 Monday … 6 Sunday.

    surplus_wh, drawn_wh: of each of the 48 half hours of the local clock; None: not known. The hour that the clock
    repeats in autumn counts once, with its mean; the hour it leaves out in spring is not known.
    """

    number: int
    weekday: int
    surplus_wh: tuple[float | None, ...]
    drawn_wh: tuple[float | None, ...]

    @property
    def usable(self) -> bool:
        """Whether enough of the day is known."""
        known = (
            surplus is not None and drawn is not None
            for surplus, drawn in zip(self.surplus_wh, self.drawn_wh, strict=True)
        )
        return HALF_HOURS_A_DAY - sum(known) <= MOST_MISSING


@dataclass(frozen=True, slots=True)
class Scenario:
    """A day that may come again. weight: relative, above 0; before_*: the totals of the day before it, Wh."""

    number: int
    weekday: int
    weight: float
    surplus_wh: tuple[float, ...]
    drawn_wh: tuple[float, ...]
    before_surplus_wh: float
    before_drawn_wh: float


def scenarios(usable: Sequence[Day], today: int, half_life_days: float) -> list[Scenario]:
    """Usable days before day number `today`, oldest first, as scenarios; the newer, the more weight.

    What a day lacks is filled with the mean of the others at that half hour.
    """
    if not usable:
        return []
    surplus_mean = [_mean([day.surplus_wh[slot] for day in usable]) for slot in range(HALF_HOURS_A_DAY)]
    drawn_mean = [_mean([day.drawn_wh[slot] for day in usable]) for slot in range(HALF_HOURS_A_DAY)]
    filled = {day.number: (_fill(day.surplus_wh, surplus_mean), _fill(day.drawn_wh, drawn_mean)) for day in usable}
    usual = (sum(surplus_mean), sum(drawn_mean))
    found = []
    for day in usable:
        surplus, drawn = filled[day.number]
        before = filled.get(day.number - 1)
        before_surplus, before_drawn = (sum(before[0]), sum(before[1])) if before else usual
        weight = 0.5 ** ((today - day.number) / half_life_days)
        found.append(Scenario(day.number, day.weekday, weight, surplus, drawn, before_surplus, before_drawn))
    return found


def running_sums(values: Sequence[float], over: int | None = None) -> list[float]:
    """At each half hour the sum of the values so far, or of the last `over` of them."""
    sums = list(accumulate(values))
    return sums if over is None else [total - (sums[at - over] if at >= over else 0.0) for at, total in enumerate(sums)]


def _mean(values: Sequence[float | None]) -> float:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else 0.0


def _fill(values: Sequence[float | None], means: Sequence[float]) -> tuple[float, ...]:
    return tuple(mean if value is None else value for value, mean in zip(values, means, strict=True))
