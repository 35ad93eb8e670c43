"""Heat that recorded counters show to have gone into the tank, from one minute of a tape to the next."""

from collections.abc import Iterator, Mapping

from accounting.valuation.settings import TankBooks

BOILER = "boiler_wh"
COUNTERS = ("diverted_wh", "topup_wh", BOILER)
"""Signals that count it, by the beginnings of their names."""
MOST_WH = 250.0
"""No element gives so much in a minute (15 kW): the counter began anew, or was not recorded for long."""
MOST_BOILER_WH = 1700.0
"""Nor a boiler so much (100 kW)."""


class MeteredHeat:
    """Follows the counters row by row. tank: whose boiler says what its counter counts, heat or fuel."""

    def __init__(self, tank: TankBooks) -> None:
        self._boiler_heat = float(tank.boiler.heat) if tank.boiler is not None else 1.0
        self._latest: dict[str, float] = {}

    def gains(self, values: Mapping[str, float]) -> Iterator[tuple[str, float]]:
        """Each counter of a row that has gained, and the heat by it, Wh."""
        for name, value in values.items():
            if not name.startswith(COUNTERS):
                continue
            counted = value - self._latest.get(name, value)
            self._latest[name] = value
            from_boiler = name.startswith(BOILER)
            heat_wh = counted * self._boiler_heat if from_boiler else counted
            if 0 < heat_wh < (MOST_BOILER_WH if from_boiler else MOST_WH):
                yield name, heat_wh
