"""When the demo house draws hot water: load profile M of Regulation (EU) 814/2013, Annex III, table 1."""

from rules.tank.cylinder import WH_PER_L_K, tank_l
from rules.tank.tapping import PROFILE_M, Draw


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
