"""From the known months to a whole year: measured months stand for themselves, the others are modelled by the sun."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from accounting.verdict.climate import month_shares
from accounting.verdict.ranges import Array
from rules.model.wording import say

ENOUGH_OF_MONTH = 0.9
"""The share of a month's days that must be known for it to count as measured."""

_MEASURED_SD = 0.12  # how far a month's sun differs from year to year, where only one such month is known
_MODELLED_SD, _SHAPE_SD = 0.25, 0.15  # of a modelled month by itself, and of all modelled months together
MODEL = (
    "clear-sky sun by latitude (FAO Irrigation and Drainage Paper 56, equations 21 to 25 and 37), fitted to the months "
    "that are known"
)


@dataclass(frozen=True, slots=True)
class Figures:
    """What diverting did over a time. Money in the home's currency, carbon in kg CO2e.

    kwh: diverted; electricity, gas: purchases avoided, by what would have been bought; given_up: export income given
    up, and what was bought while diverting; avoided_kg, given_up_kg: the same in carbon.
    """

    kwh: float = 0.0
    electricity: float = 0.0
    gas: float = 0.0
    given_up: float = 0.0
    avoided_kg: float = 0.0
    given_up_kg: float = 0.0

    @property
    def net(self) -> float:
        return self.electricity + self.gas - self.given_up

    @property
    def net_kg(self) -> float:
        return self.avoided_kg - self.given_up_kg

    def times(self, factor: float) -> "Figures":
        return Figures(*(getattr(self, name) * factor for name in _NAMES))

    def plus(self, other: "Figures") -> "Figures":
        return Figures(*(getattr(self, name) + getattr(other, name) for name in _NAMES))


_NAMES = tuple(field.name for field in fields(Figures))


@dataclass(frozen=True, slots=True)
class Sample:
    """A month that was recorded. month: 1 to 12; known: the share of its days that is known."""

    month: int
    known: float
    figures: Figures


@dataclass(frozen=True, slots=True)
class YearMonth:
    """A month of the usual year. samples: the recorded ones it stands on, whole months; none: modelled."""

    month: int
    figures: Figures
    samples: tuple[Figures, ...]

    @property
    def measured(self) -> bool:
        return bool(self.samples)


@dataclass(frozen=True)
class Year:
    """The usual year, January first. level_sd: what all of it is less certain by, as a share: the saving's range."""

    months: tuple[YearMonth, ...]
    level_sd: float = 0.0

    @property
    def total(self) -> Figures:
        summed = Figures()
        for month in self.months:
            summed = summed.plus(month.figures)
        return summed

    @property
    def modelled_share(self) -> float:
        """The share of the year's diverted energy that is in modelled months; of its months if nothing is known."""
        total = sum(abs(month.figures.kwh) for month in self.months)
        if not total:
            return sum(not month.measured for month in self.months) / 12
        return sum(abs(month.figures.kwh) for month in self.months if not month.measured) / total


def usual_year(samples: Sequence[Sample], latitude: float | None, level_sd: float = 0.0) -> Year | str:
    """The usual year, or why there is none, in words.

    A month of which `ENOUGH_OF_MONTH` is known stands for itself, the mean of several for theirs. The others take what
    was known per share of the sun's year (`MODEL`). latitude: degrees north; level_sd: as in `Year`.
    """
    shares = month_shares(latitude)
    known = [sample for sample in samples if sample.known > 0]
    reach = sum(shares[sample.month - 1] * sample.known for sample in known)
    if sum(sample.known for sample in known) < 0.9:
        return say(
            "less than a month is known; a month of books or of history would give a first, partly modelled year"
        )
    per_share = Figures()
    for sample in known:
        per_share = per_share.plus(sample.figures)
    per_share = per_share.times(1 / reach)
    months = []
    for month in range(1, 13):
        whole = tuple(
            sample.figures.times(1 / sample.known)
            for sample in known
            if sample.month == month and sample.known >= ENOUGH_OF_MONTH
        )
        if whole:
            mean = Figures()
            for each in whole:
                mean = mean.plus(each.times(1 / len(whole)))
            months.append(YearMonth(month, mean, whole))
        else:
            months.append(YearMonth(month, per_share.times(shares[month - 1]), ()))
    return Year(tuple(months), level_sd)


@dataclass(frozen=True)
class YearDraws:
    """Years drawn at random: each array is draws × years, money of today's prices or kg CO2e."""

    electricity: Array
    gas: Array
    given_up: Array
    net_kg: Array

    @property
    def net(self) -> Array:
        return self.electricity + self.gas - self.given_up


def draw_years(year: Year, draws: int, years: int, seed: int) -> YearDraws:
    """Years made by drawing each month from those recorded, with the weather's and the model's errors.

    The same for the same seed. A month that was recorded once varies as the sun does from year to year.
    """
    rng = np.random.default_rng(seed)
    shape = (draws, years)
    level = 1 + year.level_sd * rng.standard_normal((draws, 1))
    model = 1 + _SHAPE_SD * rng.standard_normal((draws, 1))
    sums = {name: np.zeros(shape) for name in ("electricity", "gas", "given_up", "net_kg")}
    for month in year.months:
        own = 1 + (_MEASURED_SD if month.measured else _MODELLED_SD) * rng.standard_normal(shape)
        pick = rng.integers(0, max(1, len(month.samples)), shape)
        if len(month.samples) > 1:
            own = np.ones(shape)
        factor = own * (1.0 if month.measured else model)
        for name, total in sums.items():
            values = np.array([getattr(each, name) for each in (month.samples or (month.figures,))])
            total += values[pick] * factor
    saved = {name: sums[name] * level for name in ("electricity", "gas")}
    return YearDraws(saved["electricity"], saved["gas"], sums["given_up"], sums["net_kg"])
