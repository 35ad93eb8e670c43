"""One recorded year as a readings file: a recorded household and a recorded sun, with a simple diverter and tank.

What is recorded: the load, when the household heated its water and how much, the irradiance. What is simulated: the
modules' output (a formula), the diverter, the tank. The boiler that helps out in the dark burns gas, so that the meter
shows only the house, the sun and the diverter.
"""

import gzip
import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from io import TextIOWrapper
from math import isnan
from pathlib import Path

from tests.support import recorded_defects, recorded_sources
from tests.support.recorded_sources import HOUSEHOLD, SUN, YEAR_MINUTES, household, solar, stamp_of

CACHE = Path(__file__).parents[1] / ".cache"
COLUMNS = ("time", "grid_w", "pv_w", "house_w", "tank_level_pct", "diverted_w", "diverted_wh")


@dataclass(slots=True)
class Tank:
    """Hot water over cold, with a sharp border between them: the level is the hot part, and so is the heat.

    heat_wh: above cold water; full_wh: 180 L from 10 to 60 °C at 1.163 Wh/(kg K); loss_w: when full.
    """

    heat_wh: float = 5000.0
    full_wh: float = 180 * 1.163 * 50
    loss_w: float = 60.0
    satisfied: bool = False
    boiler_on: bool = False

    @property
    def level_pct(self) -> float:
        return 100.0 * self.heat_wh / self.full_wh

    def accepts(self) -> bool:
        """Whether the element's own thermostat lets it heat: off when all is hot, on again 3 % below."""
        if self.heat_wh >= self.full_wh:
            self.satisfied = True
        elif self.heat_wh < 0.97 * self.full_wh:
            self.satisfied = False
        return not self.satisfied

    def pass_minute(self, element_w: float, drawn_w: float) -> None:
        """Heat, draw and lose for a minute; the boiler (12 kW) comes on below 20 % and heats to 35 %."""
        if self.level_pct < 20.0:
            self.boiler_on = True
        elif self.level_pct >= 35.0:
            self.boiler_on = False
        net_w = element_w - drawn_w - self.loss_w * self.heat_wh / self.full_wh + (12_000.0 if self.boiler_on else 0.0)
        self.heat_wh = max(self.heat_wh + net_w / 60.0, 0.0)


def diverted_power_w(surplus_w: float, rated_w: float = 2800.0, minimum_w: float = 100.0) -> float:
    """W a diverter puts into its element of a surplus: nothing below its minimum, no more than the element takes."""
    return min(surplus_w, rated_w) if surplus_w >= minimum_w else 0.0


def rows() -> Iterator[str]:
    """The file's lines. A row tells the means of the minute that ends at its time, and level and counter then."""
    load_w, heater_w = household()
    pv_w = solar()
    tank = Tank()
    counter_wh = 0.0
    yield ",".join(COLUMNS) + "\n"
    for minute in range(YEAR_MINUTES):
        house_w, sun_w, drawn_w = load_w[minute] - heater_w[minute], pv_w[minute], heater_w[minute]
        surplus_w = sun_w - house_w  # nan where one of them is missing: then nothing is diverted
        known = not isnan(surplus_w)
        element_w = diverted_power_w(surplus_w) if known and tank.accepts() else 0.0
        # The recorded household's water heating stands for its use of hot water; where it is missing, none is drawn.
        tank.pass_minute(element_w, 0.0 if isnan(drawn_w) else drawn_w)
        counter_wh += element_w / 60.0
        grid = f"{element_w - surplus_w:.0f}" if known else ""
        sun = "" if isnan(sun_w) else f"{sun_w:.0f}"
        house = "" if isnan(house_w) else f"{house_w:.0f}"
        time = stamp_of(minute).strftime("%Y-%m-%dT%H:%M:%SZ")
        yield f"{time},{grid},{sun},{house},{tank.level_pct:.1f},{element_w:.0f},{int(counter_wh)}\n"


def build() -> Path:
    """The readings file (.csv.gz), made once for each version of its generator and kept in tests/.cache.

    Raises LookupError where a data package is missing, ValueError where its content is not the pinned one.
    """
    version = hashlib.sha256(repr((HOUSEHOLD, SUN)).encode())
    for module in (recorded_defects.__file__, recorded_sources.__file__, __file__):
        version.update(Path(module).read_bytes())
    path = CACHE / f"recorded-year-{version.hexdigest()[:16]}.csv.gz"
    if not path.exists():
        CACHE.mkdir(exist_ok=True)
        half = path.with_suffix(f".{os.getpid()}")
        # No name and no time in the gzip header: the same bytes every time.
        with (
            half.open("wb") as file,
            gzip.GzipFile("", "wb", compresslevel=1, fileobj=file, mtime=0) as packed,
            TextIOWrapper(packed, encoding="ascii", newline="") as text,
        ):
            text.writelines(rows())
        half.replace(path)
        for other in CACHE.glob("recorded-year-*.csv.gz"):
            if other != path:  # an earlier generator's
                other.unlink(missing_ok=True)
    return path
