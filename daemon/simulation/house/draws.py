"""When the demo house draws hot water: load profile M of Regulation (EU) 814/2013, Annex III, table 1."""

from dataclasses import dataclass

from rules.tank.cylinder import WH_PER_L_K, tank_l

PROFILE_COLD_C = 10.0


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw. at_s: seconds of the local day; need_wh: heat wanted above 10 °C; tap_c: how warm it must come."""

    at_s: int
    need_wh: float
    flow_l_per_min: float
    tap_c: float

    @property
    def tap_l(self) -> float:
        """Litres at tap_c that carry need_wh."""
        return self.need_wh / (WH_PER_L_K * (self.tap_c - PROFILE_COLD_C))


def _profile(*rows: tuple[str, float, float, float]) -> tuple[Draw, ...]:
    return tuple(
        Draw(int(at[:2]) * 3600 + int(at[3:]) * 60, need_kwh * 1000, flow, tap_c) for at, need_kwh, flow, tap_c in rows
    )


# Clock time, kWh, L/min, °C: the peak temperature where the table has one, else the useful temperature.
PROFILE_M = _profile(
    ("07:00", 0.105, 3, 25),
    ("07:05", 1.4, 6, 40),
    ("07:30", 0.105, 3, 25),
    ("08:01", 0.105, 3, 25),
    ("08:15", 0.105, 3, 25),
    ("08:30", 0.105, 3, 25),
    ("08:45", 0.105, 3, 25),
    ("09:00", 0.105, 3, 25),
    ("09:30", 0.105, 3, 25),
    ("10:30", 0.105, 3, 40),
    ("11:30", 0.105, 3, 25),
    ("11:45", 0.105, 3, 25),
    ("12:45", 0.315, 4, 55),
    ("14:30", 0.105, 3, 25),
    ("15:30", 0.105, 3, 25),
    ("16:30", 0.105, 3, 25),
    ("18:00", 0.105, 3, 25),
    ("18:15", 0.105, 3, 40),
    ("18:30", 0.105, 3, 40),
    ("19:00", 0.105, 3, 25),
    ("20:30", 0.735, 4, 55),
    ("21:15", 0.105, 3, 25),
    ("21:30", 1.4, 6, 40),
)


class Taps:
    """The taps of one house through its days."""

    def __init__(self, profile: tuple[Draw, ...] = PROFILE_M) -> None:
        self._profile = profile
        self._running: list[tuple[Draw, float]] = []

    def draw_l(self, from_s: float, dt_s: float, top_c: float, cold_c: float) -> tuple[float, float]:
        """What the taps take in dt_s from second `from_s` of the local day.

        Returns (litres out of the tank, Wh wanted above cold): cold water is mixed in at the tap, and when the tank's
        top is colder than the tap wants, the same litres run cooler and less than the wanted heat arrives.
        """
        for draw in self._profile:
            if from_s <= draw.at_s < from_s + dt_s:
                self._running.append((draw, draw.tap_l))
        if not self._running:
            return 0.0, 0.0
        from_tank_l, wanted_wh = 0.0, 0.0
        still: list[tuple[Draw, float]] = []
        for draw, left_l in self._running:
            tap_l = min(left_l, draw.flow_l_per_min * dt_s / 60)
            from_tank_l += tank_l(tap_l, draw.tap_c, top_c, cold_c)
            wanted_wh += WH_PER_L_K * tap_l * (draw.tap_c - cold_c)
            if left_l - tap_l > 1e-9:
                still.append((draw, left_l - tap_l))
        self._running = still
        return from_tank_l, wanted_wh
