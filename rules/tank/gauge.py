"""What a tank's level sensor shows. Homes mean different things by "how full", and some sensors show only steps."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rules.tank.charge import charge_pct

Meaning = Literal["energy", "usable", "hot", "probe"]


@dataclass(frozen=True, slots=True)
class Gauge:
    """A level sensor.

    meaning: "energy", the heat above cold as a share of a full tank's; "usable", the same of the water that is hot
    enough to use alone (see `charge_pct`); "hot", the share of the volume that is hot enough; "probe", one temperature
    between cold and full. cold_c, hot_c: an empty and a full tank; useful_c: hot enough; probe_height: 0 (bottom) to 1
    (top); steps: how many it can show above 0 (0: any value); it shows the nearest.
    """

    meaning: Meaning = "energy"
    cold_c: float = 10.0
    hot_c: float = 60.0
    useful_c: float = 40.0
    probe_height: float = 0.5
    steps: int = 0

    def level_pct(self, temps_c: Sequence[float]) -> float:
        """What it shows, 0 to 100 %. temps_c: equal layers, bottom first."""
        span_k = self.hot_c - self.cold_c
        count = len(temps_c)
        match self.meaning:
            case "energy":
                level = 100.0 * (sum(temps_c) / count - self.cold_c) / span_k
            case "usable":
                level = charge_pct([(1 / count, temp_c) for temp_c in temps_c], self.cold_c, self.hot_c, self.useful_c)
            case "hot":
                level = 100.0 * sum(temp_c >= self.useful_c for temp_c in temps_c) / count
            case "probe":
                temp_c = temps_c[min(int(self.probe_height * count), count - 1)]
                level = 100.0 * (temp_c - self.cold_c) / span_k
        level = min(max(level, 0.0), 100.0)
        if self.steps:
            level = round(level * self.steps / 100.0) * 100.0 / self.steps
        return level
