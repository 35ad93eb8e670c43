"""Tonight's plan: whether it is made, how sure it is to be, and what forecasts the sun."""

from typing import Annotated, Literal

from daemon.config.money import Live
from daemon.config.values import FilePath, Table, Within


class Forecast(Table):
    """Where a forecast of the sun comes from; give one of the three."""

    signal: Literal["forecast_pv_wh"] | None = None
    """The signal of a whole day's energy, Wh. What is heard before noon is of that day, from noon on of the next."""
    series: FilePath | None = None
    """CSV file of time,value rows: the kWh from each row's time until the next one's."""
    live: Live | None = None
    """A source of such rows. Its scale makes kWh of a row's value."""


class Planning(Table):
    """Tonight's plan: how much to heat in the cheap hours, by what the home drew and what sun it had. Off by default.

    With "follow" the heater is ordered to heat from the grid: its thermostat and cut-out must be in order.
    """

    mode: Literal["off", "advise", "follow"] = "off"
    """Off: no plan is made by itself; advise: one is made each night and shown; follow: the heater is ordered to heat
    by it."""
    confidence: Annotated[float, Within(0, 0.99)] | None = None
    """Share of the days to prepare for in which the taps may not run cold, 0.9 for nine in ten. Unless given: where a
    boiler helps out, its price alone decides; without one 0.9."""
    reserve_pct: Annotated[float, Within(0, 90)] = 0.0
    """Heat that is always kept, whatever it costs, % of a full tank."""
    lukewarm_pct: Annotated[float, Within(0, 90)] | None = None
    """Below this level the plan takes the taps to run lukewarm. Where it isn't 0, heating from the grid goes on until
    the whole tank has 45 °C (the part above the element, for a heater named upper), which is too little to hold back
    Legionella: see [rules.hygiene]. Unless given: 15 without a boiler; 0 with one, for it makes up what is missing."""
    forecast: Forecast | None = None
    """What forecasts the sun; without it the home's past alone counts."""
