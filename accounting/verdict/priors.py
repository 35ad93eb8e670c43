"""Assumptions about a home's hot water before its own figures are used, each with its source.

With few recorded periods they decide much, with many they decide little.
"""

from dataclasses import dataclass

from rules.tank.standing_loss import ua_w_per_k

WH_PER_L_K = 1.163
"""Heat in a litre of water per kelvin, Wh: 4.1868/3.6."""

USUAL_LOSS_KWH_PER_DAY = 1.8
"""A cylinder's standing loss where nothing is known of it, kWh/day: common practice says 1 to 2, pipes come on top."""

USUAL_HEAT_KWH_PER_DAY = 4.0
"""Heat drawn as hot water on a day at home, kWh: common practice; SAP 2012 gives 4.4 for a floor area of 90 m²."""

BOILER_EFFICIENCY = 0.80
"""A gas boiler's efficiency at heating water, gross, where the home file gives none: common practice, no source."""

BOILER_EFFICIENCY_SD = 0.08
"""How far a boiler may be from that; half of it where the home file gives the efficiency."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the home file says of tank, boiler and place.

    hot_c: the tank's set temperature, °C; cold_c: mains water, mean of the year, °C; loss_w: standing loss at 65 °C in
    a room of 20 °C, W (None: not known); ambient_c: around the tank, °C; boiler_efficiency: heat out for gas in (None:
    not known); latitude: degrees north (None: not known).
    """

    hot_c: float = 60.0
    cold_c: float = 10.0
    loss_w: float | None = None
    ambient_c: float = 20.0
    boiler_efficiency: float | None = None
    latitude: float | None = None

    @property
    def loss_kwh_per_day(self) -> float:
        """Standing loss expected of the hot tank."""
        if self.loss_w is None:
            return USUAL_LOSS_KWH_PER_DAY
        return ua_w_per_k(self.loss_w) * (self.hot_c - self.ambient_c) * 24 / 1000

    @property
    def efficiency(self) -> float:
        return BOILER_EFFICIENCY if self.boiler_efficiency is None else self.boiler_efficiency

    @property
    def efficiency_sd(self) -> float:
        return BOILER_EFFICIENCY_SD / (1 if self.boiler_efficiency is None else 2)


@dataclass(frozen=True, slots=True)
class Noise:
    """What is expected of the scatter between periods of a month, as a share of what they take.

    median, spread: of its log-normal prior; drift: how far the whole time after may differ from the time before for
    reasons that no column shows (a standard deviation). No source: common practice among those who read meters.
    """

    median: float
    spread: float
    drift: float


NOISE = {
    "water": Noise(0.045, 0.8, 0.006),
    "occupied days": Noise(0.08, 0.5, 0.15),
    "totals": Noise(0.10, 0.5, 0.20),
    "whole house": Noise(0.08, 0.6, 0.04),
}
"""By what the history knows: the water drawn, only the days at home, or neither."""

UNKNOWN_WATER, UNKNOWN_AWAY, UNKNOWN_INLET, ESTIMATED = 0.15, 0.08, 0.02, 0.15
"""What a period's energy is less certain by, as a share of it, for a cell that is empty, or a read that was guessed."""

OUTLIER_SHARE, OUTLIER_SD = 0.02, 0.5
"""The chance that a period's read is wrong, and by how much then, as a share of the period's energy."""

STEP_SHARE, STEP_SD = 0.12, 0.15
"""The chance that something else changed for good during the record (a boiler, a shower), and by how much then."""
