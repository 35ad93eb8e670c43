"""The fair comparison: days with diversion against days without, pair by pair.

In each pair, the mean of the days without diversion less the mean of the days with it is what diverting saved per day.
The pairs' differences count as independent draws around the true one: the range is Student's, and beside it stands the
exact randomisation test, which assumes only that chance chose the order. Source: Box, Hunter and Hunter, Statistics
for Experimenters, 2nd edition, chapter 3, paired comparisons (from memory); Fisher's randomisation of Darwin's maize
pairs is the worked example of both (The Design of Experiments, chapter III).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import count
from math import sqrt
from typing import NamedTuple

import numpy as np
from scipy.special import stdtr, stdtrit

from accounting.reports.days_paid import DaysPaid, Paid, unpriced_text
from accounting.reports.written_comparison import Binding, Pair
from accounting.verdict.ranges import CONFIDENCE, Array, Range
from rules.model.wording import Number, joined, say

FEWEST_PAIRS = 3
_MOST_EXACT = 18  # pairs up to which all orders are gone through
_LONGEST_PAIRS = 2000


class Difference(NamedTuple):
    """A mean difference per day with its range and its standard deviation between pairs. The last figure is the share
    of all possible orders that would show a difference at least as large if diverting changed nothing."""

    per_day: Range
    sd: float
    by_chance: float


@dataclass(frozen=True, slots=True)
class Measured:
    """One way of measuring. what: "tank" or "meters"; pairs: how many it has; saved: money a day; bought: kWh a day."""

    what: str
    pairs: int
    days_on: int
    days_off: int
    saved: Difference
    bought_kwh: Difference


@dataclass(frozen=True, slots=True)
class FairComparison:
    """first, until: of the days that count; main: the way of measuring that the answer uses; beside: the other one, or
    why there is none; sun_off_kwh: the sun that was diverted on days that were to be without (None: not known apart
    from what the grid gave); unpriced_days, unpriced_kwh: days left out of the tank's for heat at no known price or
    from no metered source, and that heat; late, changed, thin, ahead: pairs that do not count: not written beforehand,
    another order written meanwhile, too few days measured, not over yet; pair_days: length of a pair; excluded_days:
    days of them that the home file excludes."""

    first: date
    until: date
    main: Measured
    beside: Measured | str
    sun_off_kwh: float | None
    unpriced_days: int
    unpriced_kwh: float
    late: int
    changed: int
    thin: int
    ahead: int
    pair_days: int
    excluded_days: int = 0

    @property
    def shows(self) -> bool:
        """Whether the range leaves out 0."""
        saved = self.main.saved.per_day
        return saved.low > 0 or saved.high < 0

    def weeks_more(self, half_width: float) -> float | None:
        """How many more weeks until the range is that narrow, money per day to either side; None: more than decades."""
        needed = pairs_needed(self.main.saved.sd, half_width)
        return None if needed is None else max(0, needed - self.main.pairs) * self.pair_days / 7


def fair_comparison(bound: Binding, days: DaysPaid, excluded_days: int = 0) -> FairComparison | str:
    """The answer, or why there is none yet, in words. excluded_days: those that are not in `bound` any more."""
    if not bound.pairs:
        return _none_yet(bound)
    ways = {"tank": days.tank, "meters": days.meters}
    found = {name: way if isinstance(way, str) else _measured(name, bound.pairs, way) for name, way in ways.items()}
    counted = [day for pair in bound.pairs for day in (*pair.on, *pair.off)]
    unpriced = [days.unpriced_kwh[day] for day in counted if day in days.unpriced_kwh]
    if unpriced and isinstance(found["tank"], str):
        left_out = unpriced_text(len(unpriced), sum(unpriced))
        found["tank"] = say("{why} ({left_out})", why=found["tank"], left_out=left_out)
    measured = [way for way in found.values() if not isinstance(way, str)]
    if not measured:
        return joined(dict.fromkeys(way for way in found.values() if isinstance(way, str)), "; ")
    main = measured[0]
    beside: Measured | str = measured[1] if len(measured) > 1 else next(w for w in found.values() if isinstance(w, str))
    off = [day for pair in bound.pairs for day in pair.off]
    return FairComparison(
        first=min(counted),
        until=date.fromordinal(max(counted).toordinal() + 1),
        main=main,
        beside=beside,
        sun_off_kwh=None if days.sun_kwh is None else sum(days.sun_kwh.get(day, 0.0) for day in off),
        unpriced_days=len(unpriced),
        unpriced_kwh=sum(unpriced),
        late=bound.late,
        changed=bound.changed,
        thin=len(bound.pairs) - main.pairs,
        ahead=bound.ahead,
        pair_days=2 * bound.block_days,
        excluded_days=excluded_days,
    )


def _none_yet(bound: Binding) -> str:
    if bound.late and not bound.ahead:
        return say("its pairs had begun before they were written down: give [rules.alternate] a future day as `from`")
    if bound.ahead:
        weeks = FEWEST_PAIRS * 2 * bound.block_days / 7
        return say(
            "no pair of blocks is over yet; {fewest_pairs} pairs, {weeks} weeks from its beginning, answer it",
            fewest_pairs=FEWEST_PAIRS,
            weeks=Number(f"{weeks:.0f}"),
        )
    return say("no pair of blocks counts")


def _measured(what: str, pairs: Sequence[Pair], paid: Mapping[date, Paid]) -> Measured | str:
    money, bought = [], []
    days_on = days_off = 0
    for pair in pairs:
        on, off = ([paid[day] for day in side if day in paid] for side in (pair.on, pair.off))
        if 2 * len(on) < len(pair.on) or 2 * len(off) < len(pair.off) or not on or not off:
            continue
        days_on, days_off = days_on + len(on), days_off + len(off)
        money.append(_mean([day.money for day in off]) - _mean([day.money for day in on]))
        bought.append(_mean([day.bought_kwh for day in off]) - _mean([day.bought_kwh for day in on]))
    if len(money) < FEWEST_PAIRS:
        return say(
            "{pairs} pairs of blocks are over and measured; {fewest_pairs} of them give a first range",
            pairs=len(money),
            fewest_pairs=FEWEST_PAIRS,
        )
    return Measured(what, len(money), days_on, days_off, difference(money), difference(bought))


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def difference(pairs: Sequence[float], confidence: float = CONFIDENCE) -> Difference:
    """The mean of the pairs' differences with Student's range. pairs: at least two."""
    values = np.asarray(pairs, dtype=float)
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    half = half_width(sd, len(values), confidence)
    return Difference(Range(mean, mean - half, mean + half), sd, by_chance(values.tolist()))


def half_width(sd: float, pairs: int, confidence: float = CONFIDENCE) -> float:
    """How far Student's range of the mean of so many pairs reaches to either side."""
    return float(stdtrit(pairs - 1, 0.5 + confidence / 2)) * sd / sqrt(pairs)


def by_chance(pairs: Sequence[float]) -> float:
    """The two-sided randomisation test: of all the orders in which the blocks of each pair might have come, the share
    whose sum of differences is as far from 0 as the one that came. Of many pairs, Student's test stands for it."""
    values: Array = np.abs(np.asarray(pairs, dtype=float))
    if len(values) > _MOST_EXACT:
        sd = float(np.asarray(pairs).std(ddof=1))
        if sd == 0:
            return 0.0 if values.any() else 1.0
        t = abs(float(np.mean(pairs))) / (sd / sqrt(len(values)))
        return float(2 * stdtr(len(values) - 1, -t))
    sums = np.zeros(1)
    for value in values:
        sums = np.concatenate([sums + value, sums - value])
    return float(np.mean(np.abs(sums) >= abs(float(np.sum(pairs))) - 1e-9))


def pairs_needed(sd: float, half: float, confidence: float = CONFIDENCE) -> int | None:
    """The least number of pairs whose range reaches no further than `half` to either side; None beyond thousands."""
    if half_width(sd, _LONGEST_PAIRS, confidence) > half:
        return None
    return next(pairs for pairs in count(FEWEST_PAIRS) if half_width(sd, pairs, confidence) <= half)
