"""The tank as a planner sees it: a stock of heat with a capacity, a power and a loss."""

from dataclasses import dataclass
from math import isfinite

from rules.model.errors import BrimfulError

HALF_HOUR_S = 1800
HALF_HOURS_A_DAY = 48


@dataclass(frozen=True, slots=True)
class Store:
    """capacity_wh, power_w: at least 0; loss_per_half_hour: share of the stock, 0 to below 1.

    missing_price: money per kWh of a draw that the stock cannot serve: the boiler's heat, or what a cold tap is worth.
    reserve_wh: heat that plans do not count on, and fill up at whatever price; lukewarm_wh: with no more heat than this
    in it the tank serves no draw; warm_wh: heating from the grid goes on up to it, for an element warms all the water
    above it evenly. Each at most the capacity.
    Raises BrimfulError for a store that cannot be.
    """

    capacity_wh: float
    power_w: float
    loss_per_half_hour: float
    missing_price: float
    reserve_wh: float = 0.0
    lukewarm_wh: float = 0.0
    warm_wh: float = 0.0

    def __post_init__(self) -> None:
        for name, low, below in (
            ("capacity_wh", 0.0, None),
            ("power_w", 0.0, None),
            ("loss_per_half_hour", 0.0, 1.0),
            ("missing_price", 0.0, None),
            ("reserve_wh", 0.0, None),
            ("lukewarm_wh", 0.0, None),
            ("warm_wh", 0.0, None),
        ):
            value = getattr(self, name)
            if not (isfinite(value) and value >= low and (below is None or value < below)):
                limits = "at least 0" if below is None else "from 0 to below 1"
                raise BrimfulError("plan the night", name, f"expected {limits}, got {value}")
        for name in ("reserve_wh", "lukewarm_wh", "warm_wh"):
            if getattr(self, name) > self.capacity_wh:
                hint = f"expected at most the capacity of {self.capacity_wh}, got {getattr(self, name)}"
                raise BrimfulError("plan the night", name, hint)

    @property
    def usable_wh(self) -> float:
        """The capacity above the reserve."""
        return self.capacity_wh - self.reserve_wh

    @property
    def half_hour_wh(self) -> float:
        """The most that sun and grid together can put in, in half an hour."""
        return self.power_w / 2
