"""The planner's own numbers. They were chosen on the tuning cells of the night game and are no settings of a home."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Tuning:
    """most_days: how many of the latest usable days serve as scenarios; half_life_days: age at which a day counts half.

    width: the difference of two predictions, in residual standard deviations, at which likeness has fallen to e^-½.
    ridge: how much the regressions behind the predictions are held back, as a share of a column's variance.
    other_kind: weight of a day of another kind (workday, Saturday, Sunday).
    cells: steps of the stock. days_ahead: days planned after today. blend_every: half hours that a scenario is followed
    at a stretch on days whose prices are not published yet; before, it is one. price_days: latest days whose prices
    stand for those.
    """

    most_days: int = 28
    half_life_days: float = 20.0
    width: float = 1.0
    ridge: float = 0.15
    other_kind: float = 0.4
    cells: int = 24
    days_ahead: int = 2
    blend_every: int = 4
    price_days: int = 14
